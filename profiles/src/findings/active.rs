//! Active foot problems, which come before any category, and how urgent they are.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::words::{Words, evidence, sources};
use super::{Fact, FactTable, Finding, State};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Item, Laterality, Part, ResultCode, Test};

/// How fast an active problem has to be seen (NICE NG19, active problems, read in health-service restatements).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Urgency {
    /// Within one working day, triage within one more.
    OneWorkingDay,
    /// At once: limb- or life-threatening.
    Immediate,
}

/// Working days within which an active problem that is not immediate is referred, and again within which it is triaged.
pub(crate) const WORKING_DAYS: u32 = 1;

pub(super) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "active-problem-working-days",
        number: Some(Decimal::from_parts(WORKING_DAYS, 0, 0, false, 0)),
        unit: "",
        meaning: "an active problem is referred within so many working days and triaged within as many more",
        source: "NICE NG19, recommendations 1.4.1 and 1.4.2",
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "hot-swollen-foot",
        number: None,
        unit: "",
        meaning: "an unexplained hot, swollen foot is an active problem, with or without pain",
        source: "NICE NG19 (the same words were read for Scotland 2016)",
        certainty: Certainty::Memory,
    },
];

/// Problems that threaten limb or life by themselves.
const IMMEDIATE: &[Item] = &[
    Item::Gangrene,
    Item::SystemicSigns,
    Item::DeepOrBoneInfection,
    // The published list is of examples and leaves critical ischaemia without ulcer open; local policy: at once.
    Item::LimbThreateningIschaemia,
];

fn entry(exam: &FootExam, side: Option<Laterality>, item: Item) -> Option<&Entry> {
    exam.entry(Test::ActiveProblem, side, Part::Item(item))
}

/// Fever concerns the person: one foot's record of its absence speaks for both.
fn absent(exam: &FootExam, side: Laterality, item: Item) -> bool {
    let here = entry(exam, Some(side), item).is_some_and(|entry| entry.is(ResultCode::Absent));
    let there = item == Item::SystemicSigns
        && entry(exam, Some(side.mirrored()), item).is_some_and(|entry| entry.is(ResultCode::Absent));
    here || there
}

pub(super) fn of_foot(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    let present =
        |item: &Item| entry(exam, Some(side), *item).is_some_and(|entry| entry.has(ResultCode::Present));
    let found: Vec<Item> = Item::ACTIVE_PROBLEMS.iter().copied().filter(present).collect();
    if !found.is_empty() {
        let mut finding = Finding::new(State::Present);
        for item in found {
            let entry = entry(exam, Some(side), item);
            let sources = entry.map(|entry| sources(entry, |_| true)).unwrap_or_default();
            finding.evidence.push(evidence(words.on_foot(side, &words.item(item), "present"), sources));
        }
        return finding;
    }
    let missing: Vec<&str> = Item::ACTIVE_PROBLEMS
        .iter()
        .filter(|&&item| !absent(exam, side, item))
        .map(|item| item.code())
        .collect();
    let mut finding = Finding::new(if missing.is_empty() { State::Absent } else { State::Unknown });
    if missing.is_empty() {
        let mut all: Vec<usize> = exam
            .of_test(Test::ActiveProblem, Some(side))
            .flat_map(|(_, entry)| sources(entry, |_| true))
            .collect();
        all.sort_unstable();
        all.dedup();
        finding.evidence.push(evidence(format!("{} foot: no active foot problem", side.word()), all));
    } else {
        finding.missing.push(format!(
            "check for an active foot problem of the {} foot (active-problem {})",
            side.word(),
            missing.join(", ")
        ));
    }
    finding
}

/// Problems stated without a side, as by a Condition.
pub(super) fn add_person_level(exam: &FootExam, words: &Words<'_>, person: &mut BTreeMap<Fact, Finding>) {
    for &item in Item::ACTIVE_PROBLEMS {
        let Some(entry) = entry(exam, None, item).filter(|entry| entry.has(ResultCode::Present)) else {
            continue;
        };
        let said = evidence(format!("{}, side not stated", words.item(item)), sources(entry, |_| true));
        let finding = person.entry(Fact::ActiveProblem).or_insert_with(|| Finding::new(State::Present));
        if finding.state != State::Present {
            *finding = Finding::new(State::Present);
        }
        finding.evidence.push(said);
    }
}

/// How urgent the active problems of an exam are; none without one. `severe_ischaemia` is by pressures, of any foot.
pub(super) fn urgency(exam: &FootExam, person: &FactTable, severe_ischaemia: bool) -> Option<Urgency> {
    if person.state(Fact::ActiveProblem) != State::Present {
        return None;
    }
    let present = |item: Item| {
        [None, Some(Laterality::Left), Some(Laterality::Right)]
            .into_iter()
            .any(|side| entry(exam, side, item).is_some_and(|entry| entry.has(ResultCode::Present)))
    };
    let ischaemia = severe_ischaemia || person.state(Fact::PeripheralArteryDisease) == State::Present;
    let ulcer_with_ischaemia = present(Item::ActiveUlcer) && ischaemia;
    let severe_ulcer = exam
        .of_test(Test::Ulcer, Some(Laterality::Left))
        .chain(exam.of_test(Test::Ulcer, Some(Laterality::Right)))
        .any(|(part, entry)| {
            matches!(
                part,
                Part::Item(Item::UlcerInfection | Item::UlcerDepth)
                    | Part::ItemAt(Item::UlcerInfection | Item::UlcerDepth, _)
            ) && [ResultCode::Grade3Bone, ResultCode::Grade4, ResultCode::Grade4Bone, ResultCode::BoneOrJoint]
                .iter()
                .any(|&code| entry.has(code))
        });
    let immediate = IMMEDIATE.iter().any(|&item| present(item)) || ulcer_with_ischaemia || severe_ulcer;
    Some(if immediate { Urgency::Immediate } else { Urgency::OneWorkingDay })
}
