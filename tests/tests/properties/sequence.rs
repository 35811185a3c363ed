//! An exam after earlier exams of the same person.

use proptest::prelude::*;
use serde_json::{Value, json};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::resources::LOWER;
use solewire_profiles::risk::Category;
use solewire_profiles::{
    AssessOptions, AssessmentSummary, CheckContext, Derived, ExamFacts, Past, SubmittedExam,
};

use super::generate::{exam, normal_exam};
use super::model::{Exam, Finding, Part, Side, Style, What};
use super::run::{ENGINE, TERMINOLOGY, at, cases, complaints, issues_of, options};

const HISTORY: [&str; 5] = [
    "previous-ulcer",
    "previous-amputation",
    "end-stage-renal-disease",
    "renal-replacement-therapy",
    "charcot-history",
];

/// The exam as it would have been submitted in a year.
fn submitted(exam: &Exam, year: &str) -> SubmittedExam {
    let text = exam.bundle(&Style::default(), &TERMINOLOGY).to_string();
    let text = text.replace("\"effectiveDateTime\":\"2026-", &format!("\"effectiveDateTime\":\"{year}-"));
    let document = Document::parse(text.into_bytes(), Limits::default()).unwrap();
    let mut submission = ENGINE.submission(&document, &CheckContext::at(at())).unwrap();
    submission.exams.remove(0)
}

fn bodies(exam: &SubmittedExam) -> Vec<&Value> {
    exam.resources.iter().map(|placed| &placed.body).collect()
}

fn all_guidelines() -> AssessOptions {
    let guidelines = ENGINE.guidelines().iter().map(|guideline| guideline.id.clone()).collect();
    AssessOptions { guidelines, ..options() }
}

fn after(now: &SubmittedExam, earlier: &[&SubmittedExam]) -> Derived {
    let read: Vec<ExamFacts> =
        earlier.iter().map(|exam| ENGINE.facts(&bodies(exam), &all_guidelines())).collect();
    let exams: Vec<&ExamFacts> = read.iter().collect();
    ENGINE.assess_after(&now.key, &bodies(now), &all_guidelines(), Past { exams: &exams, ..Past::default() })
}

/// Numbers of the lowest and the highest category still possible, for each guideline.
fn ends(derived: &Derived) -> Vec<(usize, usize)> {
    let of_summary = |summary: &AssessmentSummary| {
        let guideline =
            ENGINE.guidelines().iter().find(|guideline| guideline.id == summary.guideline).unwrap();
        let number = |display: &String| {
            let is_named = |category: &Category| {
                display.starts_with(&guideline.title) && display.contains(&category.display)
            };
            guideline.categories.iter().position(is_named).unwrap_or_else(|| panic!("{display}"))
        };
        let numbers: Vec<usize> = summary.displays.iter().map(number).collect();
        (numbers[0], numbers[numbers.len() - 1])
    };
    derived.assessments.iter().map(of_summary).collect()
}

proptest! {
    #![proptest_config(cases(24))]

    #[test]
    fn earlier_exams_never_lower_a_category(first in exam(), second in exam(), third in exam()) {
        let (first, second, now) = (submitted(&first, "2024"), submitted(&second, "2025"), submitted(&third, "2026"));
        let alone = ends(&after(&now, &[]));
        let one = ends(&after(&now, &[&second]));
        let two = ends(&after(&now, &[&second, &first]));
        prop_assert_eq!(&two, &ends(&after(&now, &[&first, &second])), "the order they come in does not matter");
        for ((alone, one), two) in alone.iter().zip(&one).zip(&two) {
            prop_assert!(alone.0 <= one.0 && alone.1 <= one.1, "{alone:?} {one:?}");
            prop_assert!(one.0 <= two.0 && one.1 <= two.1, "{one:?} {two:?}");
        }
    }

    #[test]
    fn a_lower_category_is_never_silent(first in exam(), second in exam()) {
        let (first, now) = (submitted(&first, "2025"), submitted(&second, "2026"));
        let derived = after(&now, &[&first]);
        let then = ends(&after(&first, &[]));
        for ((resource, now), then) in derived.resources.iter().zip(ends(&derived)).zip(then) {
            let lower = now.0 < then.0 || now.1 < then.1;
            let note = resource["note"][0]["text"].as_str().unwrap();
            prop_assert_eq!(note.starts_with(LOWER), lower, "{:?} after {:?}: {}", now, then, note);
            let explained = note.contains("What changed: ") && !note.contains("What changed: .");
            prop_assert!(explained || !lower, "{note}");
        }
        for resource in &derived.resources {
            let issues = issues_of(resource);
            prop_assert!(complaints(&issues).is_empty(), "{resource:#}\n{issues:#?}");
        }
    }

    #[test]
    fn recorded_history_stays(exam in exam(), item in prop::sample::select(&HISTORY[..])) {
        let mut before = normal_exam();
        before.findings.retain(|finding| finding.part != Part::Item(item));
        before.findings.push(Finding::new("history", None, Part::Item(item), What::Code("present")));
        let mut now = exam;
        let mut gone = now.clone();
        gone.findings.retain(|finding| finding.part != Part::Item(item));
        gone.stated.retain(|stated| stated.item != item);
        now = gone.with(Finding::new("history", None, Part::Item(item), What::Code("present")));
        let carried = ends(&after(&submitted(&gone, "2026"), &[&submitted(&before, "2025")]));
        prop_assert_eq!(carried, ends(&after(&submitted(&now, "2026"), &[])), "as if it had been recorded again");
    }
}

#[test]
fn the_notes_tell_what_changed_and_the_first_exam_tells_nothing() {
    let at_left = |test, part, code| Finding::new(test, Some(Side::Left), part, What::Code(code));
    let healthy = normal_exam();
    let worse = ["hallux-plantar", "mth-1", "mth-5"].iter().fold(healthy.clone(), |mut exam, site| {
        exam.findings.retain(|finding| {
            !(finding.test == "monofilament-10g"
                && finding.side == Some(Side::Left)
                && finding.part == Part::Site(site))
        });
        exam.with(at_left("monofilament-10g", Part::Site(site), "not-felt"))
    });
    let (then, now) = (submitted(&worse, "2025"), submitted(&healthy, "2026"));
    let notes = |derived: &Derived| -> Vec<String> {
        let notes = derived.resources[0]["note"].as_array().unwrap();
        notes.iter().map(|note| note["text"].as_str().unwrap().to_owned()).collect()
    };
    let better = notes(&after(&now, &[&then]));
    assert_eq!(
        better[0],
        "Lower than before: category 0 (very low) now, category 1 (low) in the exam of 2025-09-14. What changed: left \
         foot: loss of protective sensation (present then, absent now). The facts that decide the category are complete."
    );
    let since = "Since the exam of 2025-09-14: better, left foot: loss of protective sensation (present then, absent now).";
    assert!(better.iter().any(|note| note == since), "{better:#?}");
    let steady = notes(&after(&now, &[&submitted(&healthy, "2025")]));
    assert!(
        steady.contains(&"Since the exam of 2025-09-14: none of the facts changed.".to_owned()),
        "{steady:#?}"
    );
    let mirrored = notes(&after(&submitted(&worse.mirrored(), "2026"), &[&then]));
    assert!(
        mirrored.iter().any(|note| note.starts_with("Left and right may be exchanged: ")),
        "{mirrored:#?}"
    );
    let alone = ENGINE.assess(&now.key, &bodies(&now), &all_guidelines());
    assert_eq!(json!(alone.resources), json!(after(&now, &[]).resources));
    assert!(notes(&alone).iter().all(|note| !note.contains("exam of")));
    // What comes later tells nothing of what was before it.
    assert_eq!(json!(after(&then, &[&now]).resources), json!(after(&then, &[]).resources));
}
