//! Pressures at which an ulcer needs a vascular opinion at once.
//!
//! They say so of a foot with an ulcer. Without one they are told and change no urgency. Source: intersocietal guideline
//! of IWGDF, ESVS and SVS 2023, read in a restatement (Ghirardini 2024, Medicina 60:1179, Table 2).

use rust_decimal::Decimal;

use super::perfusion::ankle_indices;
use super::words::{Words, lower_first};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Item, Laterality, Outcome, Part, Site, Test};

const ANKLE_MMHG: Decimal = Decimal::from_parts(50, 0, 0, false, 0);
const ANKLE_INDEX: Decimal = Decimal::from_parts(40, 0, 0, false, 2);
const TOE_MMHG: Decimal = Decimal::from_parts(30, 0, 0, false, 0);
const TCPO2_MMHG: Decimal = Decimal::from_parts(30, 0, 0, false, 0);

const SOURCE: &str = "IWGDF, ESVS and SVS 2023, in Ghirardini 2024, Medicina 60:1179, Table 2";

pub(super) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "severe-ischaemia-ankle",
        number: Some(ANKLE_MMHG),
        unit: "mm[Hg]",
        meaning: "an ulcer with an ankle pressure below this: vascular opinion at once",
        source: SOURCE,
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "severe-ischaemia-ankle-index",
        number: Some(ANKLE_INDEX),
        unit: "1",
        meaning: "an ulcer with an ankle-brachial index below this: vascular opinion at once",
        source: SOURCE,
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "severe-ischaemia-toe",
        number: Some(TOE_MMHG),
        unit: "mm[Hg]",
        meaning: "an ulcer with a toe pressure below this: vascular opinion at once",
        source: SOURCE,
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "severe-ischaemia-tcpo2",
        number: Some(TCPO2_MMHG),
        unit: "mm[Hg]",
        meaning: "an ulcer with a transcutaneous oxygen pressure below this: vascular opinion at once",
        source: SOURCE,
        certainty: Certainty::Secondary,
    },
];

/// What shows severe ischaemia of a foot, a line each.
pub(super) fn found(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Vec<String> {
    let pressure = |part| exam.entry(Test::SystolicPressure, Some(side), part);
    let below = |entry: Option<&Entry>, limit: Decimal| {
        entry.is_some_and(|entry| entry.readings.iter().any(|reading| is_below(reading.outcome, limit)))
    };
    // The higher of the ankle arteries counts, so none of them may reach the limit.
    let ankles: Vec<Outcome> = Site::FOOT_ARTERIES
        .iter()
        .filter_map(|&artery| pressure(Part::Site(artery)))
        .flat_map(|entry| entry.readings.iter().map(|reading| reading.outcome))
        .collect();
    let ankle = !ankles.is_empty() && ankles.iter().all(|outcome| is_below(*outcome, ANKLE_MMHG));
    let toe = below(pressure(Part::Item(Item::HalluxPressure)), TOE_MMHG);
    let oxygen = below(exam.entry(Test::Tcpo2, Some(side), Part::Whole), TCPO2_MMHG);
    let index = ankle_indices(exam, side).iter().any(|index| index.reaches(ANKLE_INDEX) == Some(false));
    let name = |test| lower_first(&words.test(test));
    let lines = [
        (ankle, format!("ankle pressure below {ANKLE_MMHG} mm[Hg]")),
        (index, format!("{} below {ANKLE_INDEX}", name(Test::AnkleBrachialIndex))),
        (toe, format!("great toe pressure below {TOE_MMHG} mm[Hg]")),
        (oxygen, format!("{} below {TCPO2_MMHG} mm[Hg]", name(Test::Tcpo2))),
    ];
    lines
        .into_iter()
        .filter(|(found, _)| *found)
        .map(|(_, line)| words.on_foot(side, "severe ischaemia by", &line))
        .collect()
}

fn is_below(outcome: Outcome, limit: Decimal) -> bool {
    match outcome {
        Outcome::Measured(measured) => measured.reaches(limit) == Some(false),
        Outcome::Code(_) => false,
    }
}
