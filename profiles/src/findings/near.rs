//! Results that lie close to a threshold without crossing it.

use rust_decimal::Decimal;

use super::Evidence;
use super::words::{evidence, index};
use crate::clinical_values::{Certainty, ClinicalValue};

/// One part in so many of the threshold.
const NEAR_PARTS: Decimal = Decimal::TEN;

pub(super) const VALUES: &[ClinicalValue] = &[ClinicalValue {
    id: "near-miss",
    number: Some(NEAR_PARTS),
    unit: "",
    meaning: "a result within one part in so many of a threshold is told as a near miss; for the ankle index these are the borderline values 0.91 to 0.99",
    source: "AHA/ACC 2016 for the ankle index; no publication for the others",
    certainty: Certainty::Policy,
}];

fn margin(threshold: Decimal) -> Decimal {
    threshold.checked_div(NEAR_PARTS).unwrap_or_default()
}

/// Whether a number that is abnormal from a threshold on lies just below it.
pub(super) fn just_below(value: Decimal, threshold: Decimal) -> bool {
    value < threshold && value >= threshold - margin(threshold)
}

/// Whether a number that is abnormal up to a threshold lies just above it.
pub(super) fn just_above(value: Decimal, threshold: Decimal) -> bool {
    value > threshold && value <= threshold + margin(threshold)
}

/// `left foot: toe-brachial index 0.71, abnormal at 0.70 or less`.
pub(super) fn index_above(name: &str, value: Decimal, threshold: Decimal, sources: Vec<usize>) -> Evidence {
    evidence(format!("{name} {}, abnormal at {} or less", index(value), index(threshold)), sources)
}
