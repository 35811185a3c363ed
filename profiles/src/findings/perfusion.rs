//! Peripheral artery disease.
//!
//! Present: an absent dorsalis pedis or posterior tibial pulse, an ankle-brachial index of 0.90 or less or above 1.40
//! (not compressible), a toe-brachial index of 0.70 or less. Absent: both pulses of the foot present; or, where the
//! pulses do not decide, an ankle index of 0.91 to 1.30 with a toe index above 0.70 and waveforms of two or three
//! phases. A reduced pulse decides nothing. Sources: AHA/ACC 2016 (doi:10.1161/CIR.0000000000000471) for the indices;
//! Fitridge 2023 for the combination (from memory); what an absent pulse means is local policy.

use rust_decimal::{Decimal, RoundingStrategy};

use super::words::{Words, evidence, number, sources};
use super::{Evidence, Finding, State};
use crate::exam::{Entry, FootExam, Item, Laterality, Outcome, Part, ResultCode, Site, Test};

const ANKLE_LOW: Decimal = Decimal::from_parts(90, 0, 0, false, 2);
const ANKLE_HIGH: Decimal = Decimal::from_parts(140, 0, 0, false, 2);
const ANKLE_RULE_OUT_HIGH: Decimal = Decimal::from_parts(130, 0, 0, false, 2);
const TOE_LOW: Decimal = Decimal::from_parts(70, 0, 0, false, 2);
/// A stated index may differ this much from the one computed.
const STATED_TOLERANCE: Decimal = Decimal::from_parts(1, 0, 0, false, 2);

/// A ratio of pressures, rounded to two places, ties upwards.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Index {
    value: Decimal,
    sources: Vec<usize>,
    /// Why a normal value would not show that the vessel is normal.
    limited: Option<&'static str>,
    tie: bool,
}

pub(super) fn of_foot(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    let mut abnormal = Vec::new();
    let mut normal = Vec::new();
    let mut missing = Vec::new();
    let mut undecided = Vec::new();
    pulses(exam, words, side, &mut abnormal, &mut normal, &mut undecided, &mut missing);
    let all_pulses = normal.len() == Site::FOOT_ARTERIES.len();
    let mut finding = Finding::new(State::Unknown);
    let ankle = indices(exam, side, Test::AnkleBrachialIndex);
    let toe = indices(exam, side, Test::ToeBrachialIndex);
    let disagreement =
        |list: &[Index]| matches!(list, [a, b] if (a.value - b.value).abs() > STATED_TOLERANCE);
    for (list, test) in [(&ankle, Test::AnkleBrachialIndex), (&toe, Test::ToeBrachialIndex)] {
        if disagreement(list) {
            let said = "as stated does not agree with the pressures; the more cautious one is used";
            finding.contradictions.push(words.on_foot(side, &words.test(test), said));
        }
        if list.iter().any(|index| index.tie) {
            finding.policies.push(format!(
                "{} foot: {} lies exactly between two hundredths and is rounded up",
                side.word(),
                words.test(test).to_lowercase()
            ));
        }
    }
    let mut index_normal = Vec::new();
    for index in &ankle {
        let said = |what: &str| {
            let name = words.test(Test::AnkleBrachialIndex);
            evidence(
                words.on_foot(side, &name, &format!("{} {what}", number(index.value))),
                index.sources.clone(),
            )
        };
        if index.value <= ANKLE_LOW {
            abnormal.push(said("(0.90 or less)"));
        } else if index.value > ANKLE_HIGH {
            abnormal.push(said("(above 1.40: the arteries cannot be compressed; use toe pressures)"));
        } else {
            index_normal.push(said("(above 0.90)"));
        }
    }
    for index in &toe {
        let name = words.test(Test::ToeBrachialIndex);
        let said = evidence(words.on_foot(side, &name, &number(index.value)), index.sources.clone());
        if index.value <= TOE_LOW { abnormal.push(said) } else { index_normal.push(said) }
    }
    let pulse_absent = abnormal.iter().any(|said| said.statement.contains("pulse"));
    if !abnormal.is_empty() {
        finding.state = State::Present;
        let other_side: &[Evidence] = if pulse_absent { &index_normal } else { &normal };
        if let (Some(first), Some(other)) = (abnormal.first(), other_side.first())
            && (pulse_absent || all_pulses)
        {
            finding.contradictions.push(format!(
                "{}, against {}; the more cautious reading is used",
                first.statement, other.statement
            ));
        }
        finding.evidence = abnormal;
        return finding;
    }
    if all_pulses {
        finding.state = State::Absent;
        finding.evidence = normal;
        finding.evidence.extend(index_normal);
        return finding;
    }
    if ruled_out(exam, side, &ankle, &toe) {
        finding.state = State::Absent;
        finding.evidence = index_normal;
        finding.policies.push(
            "ankle index 0.91 to 1.30, toe index above 0.70 and waveforms of two or three phases make peripheral artery disease unlikely (Fitridge 2023, from memory); local policy takes this for absent".to_owned(),
        );
        return finding;
    }
    finding.evidence = normal;
    finding.evidence.extend(undecided);
    finding.evidence.extend(index_normal);
    finding.missing = missing;
    finding
}

fn pulses(
    exam: &FootExam,
    words: &Words<'_>,
    side: Laterality,
    abnormal: &mut Vec<Evidence>,
    normal: &mut Vec<Evidence>,
    undecided: &mut Vec<Evidence>,
    missing: &mut Vec<String>,
) {
    for &artery in Site::FOOT_ARTERIES {
        let name = words.site(artery);
        let said = |entry: &Entry, what: &str| {
            evidence(words.on_foot(side, &format!("{name} pulse"), what), sources(entry, |_| true))
        };
        match exam.entry(Test::Pulse, Some(side), Part::Site(artery)) {
            Some(entry) if entry.has(ResultCode::Absent) => abnormal.push(said(entry, "absent")),
            Some(entry) if entry.is(ResultCode::Present) => normal.push(said(entry, "present")),
            Some(entry) if entry.has(ResultCode::Reduced) => {
                undecided.push(said(entry, "reduced"));
                missing.push(format!(
                    "{name} pulse of the {} foot is reduced: ankle and toe pressures with waveforms would decide",
                    side.word()
                ));
            }
            _ => missing.push(format!("{name} pulse (pulse {}) of the {} foot", artery.code(), side.word())),
        }
    }
}

/// Whether any foot pulse is absent; a reduced one is not (operational definition from memory).
pub(super) fn pulse_absent(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    let (mut abnormal, mut normal, mut undecided, mut missing) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    pulses(exam, words, side, &mut abnormal, &mut normal, &mut undecided, &mut missing);
    let state = if !abnormal.is_empty() {
        State::Present
    } else if normal.len() + undecided.len() == Site::FOOT_ARTERIES.len() {
        State::Absent
    } else {
        State::Unknown
    };
    let mut finding = Finding::new(state);
    finding.evidence = if state == State::Present { abnormal } else { normal };
    finding.missing = if state == State::Unknown { missing } else { Vec::new() };
    finding
}

fn exact(entry: Option<&Entry>) -> Option<(Decimal, Vec<usize>)> {
    let entry = entry?;
    let values: Vec<Decimal> = entry
        .readings
        .iter()
        .filter_map(|reading| match reading.outcome {
            Outcome::Measured(measured) => measured.exact(),
            Outcome::Code(_) => None,
        })
        .collect();
    // Two readings of one place: the lower pressure or index is the more cautious one.
    values.into_iter().min().map(|value| (value, sources(entry, |_| true)))
}

/// The index from the pressures and the index as stated, whichever are there.
fn indices(exam: &FootExam, side: Laterality, test: Test) -> Vec<Index> {
    let mut out = Vec::new();
    let pressure = |side: Laterality, part: Part| exact(exam.entry(Test::SystolicPressure, Some(side), part));
    let arms: Vec<(Decimal, Vec<usize>)> =
        Laterality::BOTH.into_iter().filter_map(|side| pressure(side, Part::Item(Item::Brachial))).collect();
    let tops: Vec<(Decimal, Vec<usize>)> = if test == Test::AnkleBrachialIndex {
        Site::FOOT_ARTERIES.iter().filter_map(|&artery| pressure(side, Part::Site(artery))).collect()
    } else {
        pressure(side, Part::Item(Item::HalluxPressure)).into_iter().collect()
    };
    let top = tops.iter().map(|(value, _)| *value).max();
    let bottom = arms.iter().map(|(value, _)| *value).max().filter(|value| !value.is_zero());
    if let (Some(top), Some(bottom)) = (top, bottom)
        && let Some(ratio) = top.checked_div(bottom)
    {
        let thousandths = (top * Decimal::ONE_THOUSAND).checked_div(bottom).unwrap_or_default();
        let tie = thousandths.fract().is_zero() && (thousandths % Decimal::TEN) == Decimal::from(5);
        out.push(Index {
            value: ratio.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero),
            sources: tops.iter().chain(&arms).flat_map(|(_, sources)| sources.iter().copied()).collect(),
            limited: (arms.len() < 2).then_some("only one arm was measured"),
            tie,
        });
    }
    if let Some((value, sources)) = exact(exam.entry(test, Some(side), Part::Whole)) {
        let value = value.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero);
        out.push(Index { value, sources, limited: None, tie: false });
    }
    out
}

fn ruled_out(exam: &FootExam, side: Laterality, ankle: &[Index], toe: &[Index]) -> bool {
    let waveforms: Vec<&Entry> =
        exam.of_test(Test::DopplerWaveform, Some(side)).map(|(_, entry)| entry).collect();
    let pulsatile = !waveforms.is_empty()
        && waveforms.iter().all(|entry| {
            !entry.readings.is_empty()
                && entry.readings.iter().all(|reading| {
                    matches!(reading.outcome, Outcome::Code(ResultCode::Triphasic | ResultCode::Biphasic))
                })
        });
    let full = |list: &[Index]| !list.is_empty() && list.iter().all(|index| index.limited.is_none());
    pulsatile
        && full(ankle)
        && full(toe)
        && ankle.iter().all(|index| index.value > ANKLE_LOW && index.value <= ANKLE_RULE_OUT_HIGH)
        && toe.iter().all(|index| index.value > TOE_LOW)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn indices_are_rounded_half_up_from_exact_decimals() {
        // Worked numbers of AHA/ACC 2016: two places; ties are local policy (upwards).
        for (top, bottom, expected, tie) in [
            (133, 147, "0.90", false),
            (181, 200, "0.91", true),
            (98, 140, "0.70", false),
            (160, 120, "1.33", false),
        ] {
            let ratio = Decimal::from(top).checked_div(Decimal::from(bottom)).unwrap();
            assert_eq!(
                ratio.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero).to_string(),
                expected
            );
            let thousandths = Decimal::from(top * 1000).checked_div(Decimal::from(bottom)).unwrap();
            assert_eq!(thousandths.fract().is_zero() && thousandths % Decimal::TEN == Decimal::from(5), tie);
        }
    }
}
