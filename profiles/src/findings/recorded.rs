//! Findings that the examiner recorded as such: deformity, mobility, callus, history, kidney function, self-care.

use rust_decimal::Decimal;

use super::near::just_above;
use super::words::{Words, evidence, sources};
use super::{Finding, State};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Item, Laterality, Measured, Outcome, Part, ResultCode, Test};

const EGFR_LIMIT: Decimal = Decimal::from_parts(30, 0, 0, false, 0);
const EGFR_FAILURE: Decimal = Decimal::from_parts(15, 0, 0, false, 0);

pub(super) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "egfr-low",
        number: Some(EGFR_LIMIT),
        unit: "mL/min/{1.73_m2}",
        meaning: "an estimated glomerular filtration rate below this is a factor; exactly this is open in the chart",
        source: "Leese and Stang 2016, The Diabetic Foot Journal",
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "egfr-failure",
        number: Some(EGFR_FAILURE),
        unit: "mL/min/{1.73_m2}",
        meaning: "an estimated glomerular filtration rate below this is kidney failure by the rate (stage G5)",
        source: "KDIGO guideline for chronic kidney disease, stages by filtration rate",
        certainty: Certainty::Memory,
    },
    ClinicalValue {
        id: "listed-deformities",
        number: None,
        unit: "",
        meaning: "which shapes of the foot are listed as deformity",
        source: "Michigan instrument and ACC/AHA 2024; mallet toe, high arch, flat foot and loss by surgery were not read there",
        certainty: Certainty::Memory,
    },
];

/// Deformity: the examiner's judgement decides where it is recorded; without it any listed deformity counts, and only
/// all of them recorded as absent is absence (no source gives a threshold of severity; local policy).
pub(super) fn deformity(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    let entry = |item| exam.entry(Test::Deformity, Some(side), Part::Item(item));
    let present: Vec<Item> = Item::LISTED_DEFORMITIES
        .iter()
        .copied()
        .filter(|&item| entry(item).is_some_and(|entry| entry.has(ResultCode::Present)))
        .collect();
    let said = |item: Item, what: &str| {
        let sources = entry(item).map(|entry| sources(entry, |_| true)).unwrap_or_default();
        evidence(words.on_foot(side, &words.item(item), what), sources)
    };
    let judgement = entry(Item::SignificantDeformity)
        .filter(|entry| entry.has(ResultCode::Present) || entry.is(ResultCode::Absent));
    if let Some(judgement) = judgement {
        let counts = judgement.has(ResultCode::Present);
        let mut finding = Finding::new(if counts { State::Present } else { State::Absent });
        let text = if counts {
            "deformity that counts as a risk factor"
        } else {
            "no deformity that counts as a risk factor"
        };
        let text = format!("{} foot: {text}, by the examiner's judgement", side.word());
        finding.evidence.push(evidence(text, sources(judgement, |_| true)));
        finding.evidence.extend(present.iter().map(|&item| said(item, "present")));
        return finding;
    }
    if !present.is_empty() {
        let mut finding = Finding::new(State::Present);
        finding.evidence.extend(present.iter().map(|&item| said(item, "present")));
        finding.policies.push(
            "any listed deformity counts where the examiner recorded no judgement (significant-deformity)"
                .to_owned(),
        );
        return finding;
    }
    let all_absent = Item::LISTED_DEFORMITIES
        .iter()
        .all(|&item| entry(item).is_some_and(|entry| entry.is(ResultCode::Absent)));
    let mut finding = Finding::new(if all_absent { State::Absent } else { State::Unknown });
    if all_absent {
        let mut all: Vec<usize> = Item::LISTED_DEFORMITIES
            .iter()
            .filter_map(|&item| entry(item))
            .flat_map(|entry| sources(entry, |_| true))
            .collect();
        all.dedup();
        finding.evidence.push(evidence(format!("{} foot: no listed deformity present", side.word()), all));
    } else {
        finding.missing.push(format!(
            "foot deformity (deformity significant-deformity, or every listed deformity) of the {} foot",
            side.word()
        ));
    }
    finding
}

/// Limited joint mobility of a foot.
pub(super) fn limited_joint_mobility(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    presence(
        exam.entry(Test::Deformity, Some(side), Part::Item(Item::LimitedJointMobility)),
        || words.on_foot(side, &words.item(Item::LimitedJointMobility), ""),
        || format!("joint mobility (deformity limited-joint-mobility) of the {} foot", side.word()),
    )
}

/// Callus anywhere on a foot. Absence takes a record for the whole foot: a zone without callus says nothing about
/// the others.
pub(super) fn callus(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    for (part, entry) in exam.of_test(Test::Skin, Some(side)) {
        let is_callus = matches!(part, Part::Item(Item::Callus) | Part::ItemAt(Item::Callus, _));
        if is_callus && entry.has(ResultCode::Present) {
            let mut finding = Finding::new(State::Present);
            finding
                .evidence
                .push(evidence(words.on_foot(side, "callus", "present"), sources(entry, |_| true)));
            return finding;
        }
    }
    let whole = exam.entry(Test::Skin, Some(side), Part::Item(Item::Callus));
    presence(
        whole,
        || words.on_foot(side, "callus", ""),
        || format!("callus (skin callus) of the {} foot", side.word()),
    )
}

/// A history item of the person. It has no side; one that was given a side all the same counts when it is present,
/// while its absence on one foot says nothing about the other.
pub(super) fn history(exam: &FootExam, words: &Words<'_>, item: Item) -> Finding {
    // The display explains behind a comma what the item covers; a sentence needs the item alone.
    let display = words.item(item);
    let name = display.split(',').next().unwrap_or(&display);
    let on = |side| exam.entry(Test::History, side, Part::Item(item));
    let sided = Laterality::BOTH
        .into_iter()
        .filter_map(|side| on(Some(side)))
        .find(|entry| entry.has(ResultCode::Present));
    presence(
        sided.or_else(|| on(None)),
        || format!("history: {name}"),
        || format!("history of {name} (history {})", item.code()),
    )
}

/// Present if any reading says so, absent if all readings say so.
fn presence(entry: Option<&Entry>, name: impl Fn() -> String, missing: impl Fn() -> String) -> Finding {
    let state = match entry {
        Some(entry) if entry.has(ResultCode::Present) => State::Present,
        Some(entry) if entry.is(ResultCode::Absent) => State::Absent,
        _ => State::Unknown,
    };
    let mut finding = Finding::new(state);
    match (state, entry) {
        (State::Present, Some(entry)) => {
            finding
                .evidence
                .push(evidence(format!("{} present", name().trim_end()), sources(entry, |_| true)));
        }
        (State::Absent, Some(entry)) => {
            finding
                .evidence
                .push(evidence(format!("{} absent", name().trim_end()), sources(entry, |_| true)));
        }
        _ => finding.missing.push(missing()),
    }
    finding
}

/// Present if any reading says so, absent if all readings say so.
fn egfr_finding(exam: &FootExam, decide: impl Fn(Measured) -> Option<bool>) -> Finding {
    let entry = exam.entry(Test::Egfr, None, Part::Whole);
    let decided: Vec<Option<bool>> = entry
        .iter()
        .flat_map(|entry| &entry.readings)
        .map(|reading| match reading.outcome {
            Outcome::Measured(measured) => decide(measured),
            Outcome::Code(_) => None,
        })
        .collect();
    let state = if decided.contains(&Some(true)) {
        State::Present
    } else if !decided.is_empty() && decided.iter().all(|decided| *decided == Some(false)) {
        State::Absent
    } else {
        State::Unknown
    };
    let mut finding = Finding::new(state);
    match entry.filter(|_| state != State::Unknown) {
        Some(entry) => finding.evidence.push(evidence(
            "estimated glomerular filtration rate as recorded".to_owned(),
            sources(entry, |_| true),
        )),
        None => finding.missing.push("estimated glomerular filtration rate (egfr)".to_owned()),
    }
    finding
}

pub(super) fn egfr_below_30(exam: &FootExam) -> Finding {
    egfr_below(exam, EGFR_LIMIT)
}

pub(super) fn egfr_below_15(exam: &FootExam) -> Finding {
    egfr_below(exam, EGFR_FAILURE)
}

fn egfr_below(exam: &FootExam, limit: Decimal) -> Finding {
    let mut finding = egfr_finding(exam, |measured| measured.reaches(limit).map(|reaches| !reaches));
    if let Some(entry) = exam.entry(Test::Egfr, None, Part::Whole).filter(|_| finding.state == State::Absent)
    {
        let close = entry.readings.iter().any(|reading| match reading.outcome {
            Outcome::Measured(measured) => measured.exact().is_some_and(|rate| just_above(rate, limit)),
            Outcome::Code(_) => false,
        });
        if close {
            let said = format!(
                "estimated glomerular filtration rate a little above {limit}, a factor below {limit}"
            );
            finding.near.push(evidence(said, sources(entry, |_| true)));
        }
    }
    finding
}

/// A rate of kidney failure beside a record that there is none: both are told. What the rate alone comes to is for the
/// guideline to say.
pub(super) fn hold_against_rate(finding: &mut Finding, exam: &FootExam) {
    if finding.state == State::Absent && egfr_below_15(exam).state == State::Present {
        finding.contradictions.push(format!(
            "end-stage renal disease recorded as absent, against an estimated glomerular filtration rate below {EGFR_FAILURE} (stage G5); the more cautious reading is used"
        ));
    }
}

pub(super) fn egfr_exactly_30(exam: &FootExam) -> Finding {
    egfr_finding(exam, |measured| {
        let away = measured.exceeds(EGFR_LIMIT) == Some(true) || measured.reaches(EGFR_LIMIT) == Some(false);
        measured.exact().map(|value| value == EGFR_LIMIT).or(away.then_some(false))
    })
}

/// Unable to care for the feet, and nobody to help (Scotland 2016 counts the two together).
pub(super) fn self_care_impaired(exam: &FootExam, words: &Words<'_>) -> Finding {
    let entry = |item| exam.entry(Test::SelfCare, None, Part::Item(item));
    let (reach, help) = (entry(Item::CanSeeAndReachFeet), entry(Item::HasHelp));
    let no = |entry: Option<&Entry>| entry.is_some_and(|entry| entry.has(ResultCode::No));
    let yes = |entry: Option<&Entry>| entry.is_some_and(|entry| entry.is(ResultCode::Yes));
    let state = if yes(reach) || yes(help) {
        State::Absent
    } else if no(reach) && no(help) {
        State::Present
    } else {
        State::Unknown
    };
    let mut finding = Finding::new(state);
    for (entry, item) in [(reach, Item::CanSeeAndReachFeet), (help, Item::HasHelp)] {
        match entry.filter(|entry| !entry.readings.is_empty()) {
            Some(entry) => {
                let said = if entry.has(ResultCode::No) { ResultCode::No } else { ResultCode::Yes };
                finding.evidence.push(evidence(
                    format!("self-care: {}: {}", words.item(item), words.result(said)),
                    sources(entry, |_| true),
                ));
            }
            None if state == State::Unknown => {
                finding.missing.push(format!("{} (self-care {})", words.item(item), item.code()));
            }
            None => {}
        }
    }
    finding
}

/// Places that the exam gives two different results for. The findings read the more cautious one.
pub(super) fn contradictions(exam: &FootExam, words: &Words<'_>) -> Vec<String> {
    exam.entries
        .iter()
        .filter(|(key, entry)| key.test != Test::Ulcer && entry.contradicts_itself())
        .map(|(key, entry)| {
            let part = match key.part {
                Part::Whole => String::new(),
                Part::Site(site) => format!(", {}", words.site(site)),
                Part::Item(item) => format!(", {}", words.item(item)),
                Part::ItemAt(item, site) => format!(", {}, {}", words.item(item), words.site(site)),
            };
            let side = key.side.map(|side| format!("{} foot: ", side.word())).unwrap_or_default();
            let mut results: Vec<String> = Vec::new();
            for reading in &entry.readings {
                let said = match reading.outcome {
                    Outcome::Code(code) => words.result(code),
                    Outcome::Measured(_) => "a number".to_owned(),
                };
                if !results.contains(&said) || said == "a number" {
                    results.push(said);
                }
            }
            format!(
                "{side}{}{part}: recorded as {}; the more cautious result is used",
                words.test(key.test),
                results.join(" and as ")
            )
        })
        .collect()
}

/// What was found on skin and nails, in footwear and in daily care that asks for care, whatever the category.
pub(super) fn care(exam: &FootExam, words: &Words<'_>) -> Vec<String> {
    let mut out = Vec::new();
    let footwear = exam.entry(Test::Footwear, None, Part::Whole);
    for code in [ResultCode::Inadequate, ResultCode::Barefoot] {
        if footwear.is_some_and(|entry| entry.has(code)) {
            out.push(format!("footwear worn to the visit: {}", words.result(code)));
        }
    }
    let daily = exam.entry(Test::SelfCare, None, Part::Item(Item::ChecksFeetDaily));
    if daily.is_some_and(|entry| entry.has(ResultCode::No)) {
        out.push(format!(
            "self-care: {}: {}",
            words.item(Item::ChecksFeetDaily),
            words.result(ResultCode::No)
        ));
    }
    for side in Laterality::BOTH {
        for test in [Test::Skin, Test::Nails] {
            for (part, entry) in exam.of_test(test, Some(side)) {
                let (Part::Item(item) | Part::ItemAt(item, _)) = part else { continue };
                if entry.has(ResultCode::Present) {
                    let place = match part {
                        Part::ItemAt(_, site) => format!(", {}", words.site(site)),
                        Part::Whole | Part::Site(_) | Part::Item(_) => String::new(),
                    };
                    out.push(format!("{} foot{place}: {}", side.word(), words.item(item)));
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exam::{Key, PanelStatus, Reading};

    fn with_egfr(readings: &[Measured]) -> FootExam {
        let mut entry = Entry::default();
        for &measured in readings {
            let outcome = Outcome::Measured(measured);
            entry.readings.push(Reading { outcome, source: 0, pointer: String::new() });
        }
        FootExam {
            subject: None,
            encounter: None,
            time: None,
            time_text: None,
            panel: PanelStatus::Final,
            performer: None,
            sources: Vec::new(),
            entries: [(Key { test: Test::Egfr, side: None, part: Part::Whole }, entry)].into(),
            ulcers: Vec::new(),
        }
    }

    #[test]
    fn two_filtration_rates_are_read_cautiously_and_open_ends_as_far_as_they_go() {
        let exactly = |value: u32| Measured::exactly(value.into());
        let above = |value: u32| Measured { at_least: Some(value.into()), at_most: None, beyond: true };
        let below = |value: u32| Measured { at_least: None, at_most: Some(value.into()), beyond: true };
        for (readings, below_30, exactly_30) in [
            (vec![exactly(29)], State::Present, State::Absent),
            (vec![exactly(30)], State::Absent, State::Present),
            (vec![exactly(90)], State::Absent, State::Absent),
            (vec![above(90)], State::Absent, State::Absent),
            (vec![below(30)], State::Present, State::Absent),
            (vec![above(30)], State::Absent, State::Absent),
            (vec![below(60)], State::Unknown, State::Unknown),
            (vec![above(90), exactly(20)], State::Present, State::Absent),
            (vec![exactly(20), exactly(90)], State::Present, State::Absent),
            (vec![exactly(90), below(60)], State::Unknown, State::Unknown),
            (vec![], State::Unknown, State::Unknown),
        ] {
            let exam = with_egfr(&readings);
            assert_eq!(egfr_below_30(&exam).state, below_30, "{readings:?}");
            assert_eq!(egfr_exactly_30(&exam).state, exactly_30, "{readings:?}");
        }
    }
}
