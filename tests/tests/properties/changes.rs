//! What happens to an assessment when its exam changes.

use proptest::prelude::*;

use super::generate::{abnormal_finding, exam, other_results, style};
use super::model::{Exam, Finding, Style, What};
use super::run::{Result, assess, assess_variant, assess_with, cases, options};

/// Whether every fact that is called absent in the reasons names all that absence demands.
fn absence_is_complete(result: &Result) -> std::result::Result<(), String> {
    let line = |start: &str| result.reasons.iter().find(|line| line.starts_with(start));
    if let Some(line) = line("Loss of protective sensation absent: ") {
        for side in ["left", "right"] {
            let start = format!("{side} foot: ");
            let mut said = line.split("absent: ").skip(1).flat_map(|rest| rest.split("; "));
            let of_foot = said.by_ref().filter(|part| part.starts_with(&start)).count();
            if of_foot < 2 || !line.contains(&format!("{start}monofilament felt at all three sites")) {
                return Err(format!("absent without two normal tests of the {side} foot: {line}"));
            }
        }
    }
    if let Some(line) = line("Peripheral artery disease absent: ") {
        for side in ["left", "right"] {
            let has = |what: &str| line.contains(&format!("{side} foot: {what}"));
            let pulses =
                has("dorsalis pedis artery pulse present") && has("posterior tibial artery pulse present");
            if !(pulses || has("Ankle-brachial index") && has("Toe-brachial index")) {
                return Err(format!("absent without the evidence for the {side} foot: {line}"));
            }
        }
    }
    if let Some(line) = line("Foot deformity absent: ") {
        for side in ["left", "right"] {
            let judged = format!("{side} foot: no deformity that counts");
            let listed = format!("{side} foot: no listed deformity present");
            if !line.contains(&judged) && !line.contains(&listed) {
                return Err(format!("absent without the evidence for the {side} foot: {line}"));
            }
        }
    }
    Ok(())
}

fn check_loss(
    exam: &Exam,
    lost: &Finding,
    before: &Result,
    after: &Result,
) -> std::result::Result<(), TestCaseError> {
    let about = || {
        format!(
            "without {lost:?}: {:?} becomes {:?}\n{:#?}",
            before.categories, after.categories, after.reasons
        )
    };
    // Another result for the same place would now speak alone.
    let contradicted =
        exam.findings.iter().filter(|other| other.is_at(lost) && other.is_result()).count() > 1;
    if !lost.abnormal() && !contradicted {
        prop_assert!(after.highest() >= before.highest(), "{}", about());
    }
    if let Some(only) = after.only().filter(|only| *only < before.lowest()) {
        prop_assert!(lost.abnormal(), "a settled category {only} {}", about());
    }
    prop_assert!(absence_is_complete(after).is_ok(), "{:?} {}", absence_is_complete(after), about());
    Ok(())
}

proptest! {
    #![proptest_config(cases(32))]

    #[test]
    fn a_lost_finding_never_makes_the_foot_look_better(
        exam in exam(), number in any::<prop::sample::Index>(), reason in any::<bool>(),
    ) {
        prop_assume!(!exam.findings.is_empty());
        let number = number.index(exam.findings.len());
        let lost = exam.findings[number];
        let before = assess(&exam);
        let changed = if reason {
            let mut changed = exam.clone();
            changed.findings[number].what = What::Reason("not-performed");
            changed
        } else {
            exam.without(number)
        };
        check_loss(&exam, &lost, &before, &assess_variant(&changed))?;
    }

    #[test]
    fn a_reason_for_not_testing_counts_as_much_as_silence(exam in exam()) {
        let mut silent = exam.clone();
        silent.findings.retain(Finding::is_result);
        let (said, silent) = (assess(&exam), assess_variant(&silent));
        prop_assert_eq!(said.categories, silent.categories);
        prop_assert_eq!(said.status, silent.status);
    }

    #[test]
    fn mirroring_the_feet_mirrors_the_result(exam in exam()) {
        let (here, there) = (assess(&exam), assess_variant(&exam.mirrored()));
        prop_assert_eq!(&here.categories, &there.categories);
        prop_assert_eq!(&here.status, &there.status);
        prop_assert_eq!(here.missing.len(), there.missing.len());
        prop_assert_eq!(&here.feet[0], &there.feet[1]);
        prop_assert_eq!(&here.feet[1], &there.feet[0]);
    }

    #[test]
    fn the_way_it_is_written_down_does_not_matter(exam in exam(), style in style()) {
        let (plain, other) = (assess(&exam), assess_with(&exam, &style, &options()));
        prop_assert_eq!(plain.categories, other.categories);
        prop_assert_eq!(plain.status, other.status);
        prop_assert_eq!(plain.missing, other.missing);
        prop_assert_eq!(plain.feet, other.feet);
        prop_assert_eq!(plain.contradictions.len(), other.contradictions.len());
    }

    #[test]
    fn one_more_abnormal_finding_never_lowers_anything(exam in exam(), finding in abnormal_finding()) {
        let (before, after) = (assess_variant(&exam), assess(&exam.with(finding)));
        let about = format!("with {finding:?}: {:?} becomes {:?}", before.categories, after.categories);
        prop_assert!(after.lowest() >= before.lowest(), "{about}");
        prop_assert!(after.highest() >= before.highest(), "{about}");
    }

    #[test]
    fn two_results_for_one_place_are_read_cautiously(
        exam in exam(), number in any::<prop::sample::Index>(), value in any::<prop::sample::Index>(),
        style in style(),
    ) {
        let results: Vec<usize> =
            (0..exam.findings.len()).filter(|&number| exam.findings[number].is_result()).collect();
        prop_assume!(!results.is_empty());
        let number = results[number.index(results.len())];
        let place = exam.findings[number];
        let possible: Vec<What> =
            other_results(&place).into_iter().filter(|what| *what != place.what).collect();
        prop_assume!(!possible.is_empty());
        let other = Finding { what: possible[value.index(possible.len())], ..place };
        let first = assess_variant(&exam);
        let second = assess_variant(&exam.without(number).with(other));
        let both = assess_with(&exam.with(other), &style, &options());
        let about = format!(
            "{place:?} and {other:?}: {:?} and {:?} together {:?}",
            first.categories, second.categories, both.categories
        );
        prop_assert!(both.lowest() >= first.lowest().min(second.lowest()), "{about}");
        prop_assert!(both.highest() >= first.highest().max(second.highest()), "{about}");
        if let Some(only) = both.only() {
            prop_assert!(only >= first.lowest().max(second.lowest()), "{about}");
        }
    }
}

#[test]
fn the_normal_exam_is_settled_at_the_lowest_category() {
    let result = assess_with(&super::generate::normal_exam(), &Style::default(), &options());
    assert_eq!((result.categories, result.status.as_str()), (vec![0], "final"));
}

/// The generator is worth something only if it reaches settled exams, ranges and every category.
#[test]
fn generated_exams_are_of_every_kind() {
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut seen = std::collections::BTreeMap::new();
    for _ in 0..150 {
        let exam = exam().new_tree(&mut runner).unwrap().current();
        *seen.entry(assess_variant(&exam).categories).or_insert(0) += 1;
    }
    for category in 0..5 {
        assert!(seen.contains_key(&vec![category]), "category {category} never came up alone: {seen:?}");
    }
    assert!(seen.keys().any(|categories| categories.len() > 1), "no range came up: {seen:?}");
}
