//! Peripheral artery disease.
//!
//! Present: an absent dorsalis pedis or posterior tibial pulse, an ankle-brachial index of 0.90 or less or above 1.40
//! (not compressible), a toe-brachial index of 0.70 or less. Absent: both pulses of the foot present; or, where the
//! pulses do not decide, an ankle index of 0.91 to 1.30 with a toe index above 0.70 and waveforms of two or three
//! phases. A reduced pulse decides nothing. Sources: AHA/ACC 2016 (doi:10.1161/CIR.0000000000000471) for the indices;
//! Fitridge 2023 for the combination (from memory); what an absent pulse means is local policy.

use rust_decimal::{Decimal, RoundingStrategy};

use super::near::{index_above, just_above};
use super::words::{Words, evidence, index, lower_first, sources};
use super::{Evidence, Finding, State};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Item, Laterality, Measured, Outcome, Part, ResultCode, Site, Test};

const ANKLE_LOW: Decimal = Decimal::from_parts(90, 0, 0, false, 2);
const ANKLE_HIGH: Decimal = Decimal::from_parts(140, 0, 0, false, 2);
const ANKLE_RULE_OUT_HIGH: Decimal = Decimal::from_parts(130, 0, 0, false, 2);
const TOE_LOW: Decimal = Decimal::from_parts(70, 0, 0, false, 2);
const STATED_TOLERANCE: Decimal = Decimal::from_parts(1, 0, 0, false, 2);

pub(super) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "ankle-index-low",
        number: Some(ANKLE_LOW),
        unit: "1",
        meaning: "ankle-brachial index, rounded to two places, of this much or less: peripheral artery disease",
        source: "AHA/ACC 2016, doi:10.1161/CIR.0000000000000471",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "ankle-index-high",
        number: Some(ANKLE_HIGH),
        unit: "1",
        meaning: "ankle-brachial index above this: the arteries cannot be compressed",
        source: "AHA/ACC 2016, doi:10.1161/CIR.0000000000000471",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "toe-index-low",
        number: Some(TOE_LOW),
        unit: "1",
        meaning: "toe-brachial index, rounded to two places, of this much or less: peripheral artery disease",
        source: "AHA/ACC 2016, doi:10.1161/CIR.0000000000000471",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "artery-disease-unlikely",
        number: Some(ANKLE_RULE_OUT_HIGH),
        unit: "1",
        meaning: "ankle-brachial index above 0.90 and not above this, with a toe index above 0.70 and waveforms of two or three phases: peripheral artery disease is unlikely",
        source: "Fitridge 2023, intersocietal guideline on peripheral artery disease",
        certainty: Certainty::Memory,
    },
    ClinicalValue {
        id: "stated-index-tolerance",
        number: Some(STATED_TOLERANCE),
        unit: "1",
        meaning: "a stated index further than this from the one of the pressures contradicts them",
        source: "a hundredth is the last place that is reported",
        certainty: Certainty::Policy,
    },
    ClinicalValue {
        id: "absent-pulse",
        number: None,
        unit: "",
        meaning: "an absent dorsalis pedis or posterior tibial pulse is peripheral artery disease, all four present are none; a reduced one decides nothing",
        source: "screening guidelines name pulses without saying what an absent one means",
        certainty: Certainty::Policy,
    },
    ClinicalValue {
        id: "podus-pulse-absent",
        number: None,
        unit: "",
        meaning: "for the prediction rule, any of the four foot pulses absent counts, and a reduced one does not",
        source: "Chappell 2021, BMJ Open Diabetes Res Care 9:e002150",
        certainty: Certainty::Memory,
    },
];

/// A ratio of pressures, rounded to two places, ties upwards.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Index {
    /// From the readings that make it lowest. Differs from `highest` when one place has several readings.
    lowest: Measured,
    /// From the readings that make it highest.
    highest: Measured,
    sources: Vec<usize>,
    /// Stated as an index; else computed from pressures.
    stated: bool,
    /// Whether everything was measured that a normal value rests on: both arms, both ankle arteries.
    full: bool,
    tie: bool,
}

impl Index {
    fn exact(&self) -> Option<Decimal> {
        self.lowest.exact().filter(|_| self.lowest == self.highest)
    }

    /// The index in words.
    fn words(&self) -> String {
        let number = |value: Option<Decimal>| value.map(index).unwrap_or_default();
        match (self.exact(), self.lowest.at_least, self.highest.at_most) {
            (Some(value), _, _) => number(Some(value)),
            (None, low @ Some(_), high @ Some(_)) => format!("{} to {}", number(low), number(high)),
            (None, None, high) => format!("of {} at most", number(high)),
            (None, low, None) => format!("of {} at least", number(low)),
        }
    }
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
    let disagreement = |list: &[Index]| {
        let of_kind = |stated: bool| list.iter().filter(move |index| index.stated == stated);
        of_kind(true).filter_map(Index::exact).any(|stated| {
            of_kind(false)
                .filter_map(Index::exact)
                .any(|computed| (stated - computed).abs() > STATED_TOLERANCE)
        })
    };
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
            evidence(words.on_foot(side, &name, &format!("{} {what}", index.words())), index.sources.clone())
        };
        if index.lowest.exceeds(ANKLE_LOW) == Some(false) {
            abnormal.push(said("(0.90 or less)"));
        } else if index.highest.exceeds(ANKLE_HIGH) == Some(true) {
            abnormal.push(said("(above 1.40: the arteries cannot be compressed; use toe pressures)"));
        } else if index.lowest.exceeds(ANKLE_LOW) == Some(true)
            && index.highest.exceeds(ANKLE_HIGH) == Some(false)
        {
            index_normal.push(said("(above 0.90)"));
        }
    }
    for index in &toe {
        let name = words.test(Test::ToeBrachialIndex);
        let said = evidence(words.on_foot(side, &name, &index.words()), index.sources.clone());
        match index.lowest.exceeds(TOE_LOW) {
            Some(false) => abnormal.push(said),
            Some(true) => index_normal.push(said),
            None => {}
        }
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
    for (list, test, limit) in
        [(&ankle, Test::AnkleBrachialIndex, ANKLE_LOW), (&toe, Test::ToeBrachialIndex, TOE_LOW)]
    {
        let close = list.iter().filter_map(|index| Some((index.exact()?, &index.sources)));
        for (value, sources) in close.filter(|(value, _)| just_above(*value, limit)) {
            let name = words.on_foot(side, &lower_first(&words.test(test)), "");
            finding.near.push(index_above(name.trim_end(), value, limit, sources.clone()));
        }
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

/// A pressure between two ends; an open upper end is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Between {
    least: Decimal,
    most: Option<Decimal>,
}

impl Between {
    /// The largest of several pressures.
    fn largest(all: impl Iterator<Item = Between>) -> Option<Between> {
        all.reduce(|a, b| Between {
            least: a.least.max(b.least),
            most: a.most.zip(b.most).map(|(a, b)| a.max(b)),
        })
    }

    /// This pressure over another, rounded, and whether an end lies exactly between two hundredths.
    fn over(self, other: Between) -> (Measured, bool) {
        let ratio =
            |top: Decimal, bottom: Decimal| divide(top, bottom).map(|ratio| (ratio, tie(top, bottom)));
        let least = other.most.and_then(|bottom| ratio(self.least, bottom));
        let most = self.most.and_then(|top| ratio(top, other.least));
        let end = |end: Option<(Decimal, bool)>| end.map(|(ratio, _)| two_places(ratio));
        let measured = Measured { at_least: end(least), at_most: end(most), beyond: false };
        (measured, [least, most].iter().flatten().any(|(_, tie)| *tie))
    }
}

/// A ratio to 20 places. Pressures converted from another unit are exact to 28 digits only, and what is lost there must
/// not decide how a tie is rounded.
fn divide(top: Decimal, bottom: Decimal) -> Option<Decimal> {
    top.checked_div(bottom).map(|ratio| ratio.round_dp(20))
}

fn two_places(value: Decimal) -> Decimal {
    value.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero)
}

/// Whether a ratio lies exactly between two hundredths.
fn tie(top: Decimal, bottom: Decimal) -> bool {
    let thousandths = top.checked_mul(Decimal::ONE_THOUSAND).and_then(|top| divide(top, bottom));
    thousandths.is_some_and(|thousandths| {
        thousandths.fract().is_zero() && thousandths % Decimal::TEN * Decimal::TWO == Decimal::TEN
    })
}

/// The pressure at one place. Two readings are two voices: the lowest and the highest are both kept.
#[derive(Debug, Clone)]
struct Pressure {
    low: Between,
    high: Between,
    sources: Vec<usize>,
}

fn pressure(exam: &FootExam, side: Laterality, part: Part) -> Option<Pressure> {
    let entry = exam.entry(Test::SystolicPressure, Some(side), part)?;
    let readings: Vec<Measured> = measured(entry).collect();
    let least = || readings.iter().map(|reading| reading.at_least.unwrap_or_default());
    let most = || readings.iter().filter_map(|reading| reading.at_most);
    let closed = most().count() == readings.len();
    Some(Pressure {
        low: Between { least: least().min()?, most: most().min() },
        high: Between { least: least().max()?, most: most().max().filter(|_| closed) },
        sources: sources(entry, |_| true),
    })
}

fn measured(entry: &Entry) -> impl Iterator<Item = Measured> + '_ {
    entry.readings.iter().filter_map(|reading| match reading.outcome {
        Outcome::Measured(measured) => Some(measured),
        Outcome::Code(_) => None,
    })
}

/// The index from the pressures (the higher of the ankle arteries, or the toe, over the higher arm) and each index as
/// stated, whichever are there.
fn indices(exam: &FootExam, side: Laterality, test: Test) -> Vec<Index> {
    let mut out = Vec::new();
    let arms: Vec<Pressure> = Laterality::BOTH
        .into_iter()
        .filter_map(|side| pressure(exam, side, Part::Item(Item::Brachial)))
        .collect();
    let parts: Vec<Part> = if test == Test::AnkleBrachialIndex {
        Site::FOOT_ARTERIES.iter().map(|&artery| Part::Site(artery)).collect()
    } else {
        vec![Part::Item(Item::HalluxPressure)]
    };
    let tops: Vec<Pressure> = parts.iter().filter_map(|&part| pressure(exam, side, part)).collect();
    let lows = |all: &[Pressure]| Between::largest(all.iter().map(|pressure| pressure.low));
    let highs = |all: &[Pressure]| Between::largest(all.iter().map(|pressure| pressure.high));
    if let (Some(low_top), Some(high_top), Some(low_arm), Some(high_arm)) =
        (lows(&tops), highs(&tops), lows(&arms), highs(&arms))
    {
        let ((lowest, low_tie), (highest, high_tie)) = (low_top.over(high_arm), high_top.over(low_arm));
        out.push(Index {
            lowest,
            highest,
            sources: tops.iter().chain(&arms).flat_map(|pressure| pressure.sources.iter().copied()).collect(),
            stated: false,
            full: arms.len() == Laterality::BOTH.len() && tops.len() == parts.len(),
            tie: low_tie || high_tie,
        });
    }
    if let Some(entry) = exam.entry(test, Some(side), Part::Whole) {
        for reading in measured(entry) {
            let tied = reading.exact().is_some_and(|value| tie(value, Decimal::ONE));
            let rounded = Measured {
                at_least: reading.at_least.map(two_places),
                at_most: reading.at_most.map(two_places),
                beyond: reading.beyond,
            };
            out.push(Index {
                lowest: rounded,
                highest: rounded,
                sources: sources(entry, |_| true),
                stated: true,
                full: true,
                tie: tied,
            });
        }
    }
    out
}

/// The ankle-brachial indices of a foot, each as low as its readings allow.
pub(super) fn ankle_indices(exam: &FootExam, side: Laterality) -> Vec<Measured> {
    indices(exam, side, Test::AnkleBrachialIndex).into_iter().map(|index| index.lowest).collect()
}

/// Whether both indices and the waveforms of both foot arteries show that perfusion is normal.
fn ruled_out(exam: &FootExam, side: Laterality, ankle: &[Index], toe: &[Index]) -> bool {
    let pulsatile = |entry: &Entry| {
        !entry.readings.is_empty()
            && entry.readings.iter().all(|reading| {
                matches!(reading.outcome, Outcome::Code(ResultCode::Triphasic | ResultCode::Biphasic))
            })
    };
    let heard = |artery: Site| {
        exam.entry(Test::DopplerWaveform, Some(side), Part::Site(artery)).is_some_and(pulsatile)
    };
    let between = |list: &[Index], low: Decimal, high: Option<Decimal>| {
        !list.is_empty()
            && list.iter().all(|index| {
                index.full
                    && index.lowest.exceeds(low) == Some(true)
                    && high.is_none_or(|high| index.highest.exceeds(high) == Some(false))
            })
    };
    Site::FOOT_ARTERIES.iter().all(|&artery| heard(artery))
        && exam
            .of_test(Test::DopplerWaveform, Some(side))
            .all(|(_, entry)| entry.readings.is_empty() || pulsatile(entry))
        && between(ankle, ANKLE_LOW, Some(ANKLE_RULE_OUT_HIGH))
        && between(toe, TOE_LOW, None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn indices_are_rounded_half_up_from_exact_decimals() {
        // Worked numbers of AHA/ACC 2016: two places; ties are local policy (upwards).
        let exactly = |value: i64| Between { least: value.into(), most: Some(value.into()) };
        for (top, bottom, expected, expected_tie) in [
            (133, 147, "0.90", false),
            (181, 200, "0.91", true),
            (98, 140, "0.70", false),
            (160, 120, "1.33", false),
        ] {
            let (index, tie) = exactly(top).over(exactly(bottom));
            assert_eq!(index.exact().unwrap().to_string(), expected);
            assert_eq!(tie, expected_tie);
        }
    }

    #[test]
    fn an_index_over_nothing_stays_open() {
        let (zero, some) =
            (Between { least: 0.into(), most: Some(0.into()) }, Between { least: 5.into(), most: None });
        assert_eq!(some.over(zero).0, Measured { at_least: None, at_most: None, beyond: false });
        assert_eq!(zero.over(some).0.at_least, None);
    }
}
