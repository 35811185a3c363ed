//! Whether left and right look exchanged between two exams.
//!
//! No publication gives a rule; this one is local policy. Of the coded results that both exams have for both feet, those
//! that differ are counted twice: as recorded, and with the feet of the earlier exam exchanged. The warning comes when
//! at least [`DIFFERING`] differ as recorded and at most one in [`FEWER`] of that number does with the feet exchanged.
//! Numbers are left out: they hardly ever repeat.

use std::collections::BTreeSet;

use rust_decimal::Decimal;

use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Key, Laterality, Outcome, ResultCode};

/// So many results must differ as recorded.
pub(crate) const DIFFERING: usize = 4;
/// With the feet exchanged, so many times fewer may differ.
pub(crate) const FEWER: usize = 4;

pub(crate) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "feet-exchanged-differing",
        number: Some(Decimal::from_parts(DIFFERING as u32, 0, 0, false, 0)),
        unit: "",
        meaning: "so many coded results must differ from the exam before for feet to look exchanged",
        source: "no publication gives a rule",
        certainty: Certainty::Policy,
    },
    ClinicalValue {
        id: "feet-exchanged-fewer",
        number: Some(Decimal::from_parts(FEWER as u32, 0, 0, false, 0)),
        unit: "",
        meaning: "so many times fewer must differ with the feet exchanged",
        source: "no publication gives a rule",
        certainty: Certainty::Policy,
    },
];

/// How many coded results were compared and how many differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Exchanged {
    pub(crate) compared: usize,
    pub(crate) as_recorded: usize,
    pub(crate) with_feet_exchanged: usize,
}

/// The counts, when they call for the warning.
pub(super) fn compare(before: &FootExam, now: &FootExam) -> Option<Exchanged> {
    let mut counts = Exchanged { compared: 0, as_recorded: 0, with_feet_exchanged: 0 };
    let places: BTreeSet<Key> =
        now.entries.keys().map(|key| Key { side: Some(Laterality::Left), ..*key }).collect();
    for place in places {
        let at =
            |exam: &FootExam, side| exam.entries.get(&Key { side: Some(side), ..place }).and_then(the_code);
        let sides = Laterality::BOTH.map(|side| (at(before, side), at(now, side)));
        let [(Some(left_then), Some(left_now)), (Some(right_then), Some(right_now))] = sides else {
            continue;
        };
        counts.compared += 2;
        counts.as_recorded += usize::from(left_then != left_now) + usize::from(right_then != right_now);
        counts.with_feet_exchanged +=
            usize::from(right_then != left_now) + usize::from(left_then != right_now);
    }
    let suspicious =
        counts.as_recorded >= DIFFERING && counts.with_feet_exchanged * FEWER <= counts.as_recorded;
    suspicious.then_some(counts)
}

/// The coded result of a place that has one and no other.
fn the_code(entry: &Entry) -> Option<ResultCode> {
    match entry.readings.first()?.outcome {
        Outcome::Code(code) if !entry.contradicts_itself() => Some(code),
        Outcome::Code(_) | Outcome::Measured(_) => None,
    }
}
