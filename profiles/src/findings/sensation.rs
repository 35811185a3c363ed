//! Loss of protective sensation.
//!
//! Present: the monofilament criterion is met, or the 128 Hz fork is not felt at the great toe (or is lost 10 s or
//! more before the examiner loses it), or the vibration threshold is 25 V or more, or two of the six toe tips are not
//! felt. Absent only with the whole monofilament protocol normal and at least one other test normal and none
//! abnormal (Standards of Care text: two normal tests, one of them the monofilament, and no abnormal one).

use rust_decimal::Decimal;

use super::near::just_below;
use super::words::{Words, evidence, lower_first, sources};
use super::{Evidence, Finding, MonofilamentCriterion, State};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Laterality, Outcome, Part, ResultCode, Site, Test};

const LAG_SECONDS: Decimal = Decimal::TEN;
const THRESHOLD_VOLTS: Decimal = Decimal::from_parts(25, 0, 0, false, 0);
const TOE_TIPS_NOT_FELT: usize = 2;
/// Sizes of the monofilament protocols in use, sites for each foot.
const PROTOCOL_SIZES: &[usize] = &[3, 4, 9, 10];

pub(super) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "monofilament-three-sites",
        number: None,
        unit: "",
        meaning: "the sites of the three-site protocol are the plantar great toe and the first and fifth metatarsal heads; one of them not felt is loss of protective sensation",
        source: "IWGDF sensory addendum (Schaper 2024); the number of sites was read there, their names were not",
        certainty: Certainty::Memory,
    },
    ClinicalValue {
        id: "monofilament-protocol-sizes",
        number: None,
        unit: "",
        meaning: "protocols of 3, 4, 9 and 10 sites a foot are in use; a foot with fewer sites recorded counts as the next size",
        source: "IWGDF sensory addendum, ADA 2008 and the 9 and 10 sites of a federal amputation-prevention programme",
        certainty: Certainty::Memory,
    },
    ClinicalValue {
        id: "monofilament-felt-below",
        number: None,
        unit: "",
        meaning: "with `felt_below = N`, fewer than N sites felt on a foot is loss of protective sensation",
        source: "common practice",
        certainty: Certainty::CommonPractice,
    },
    ClinicalValue {
        id: "vibration-lag",
        number: Some(LAG_SECONDS),
        unit: "s",
        meaning: "the examiner feels the 128 Hz fork at the great toe this much longer than the patient, or more: abnormal",
        source: "Michigan neuropathy screening instrument",
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "vibration-threshold",
        number: Some(THRESHOLD_VOLTS),
        unit: "V",
        meaning: "vibration perception threshold at the great toe of this much or more: abnormal",
        source: "Rayman 2011, Diabetes Care 34:1517",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "toe-tips-not-felt",
        number: Some(Decimal::from_parts(TOE_TIPS_NOT_FELT as u32, 0, 0, false, 0)),
        unit: "",
        meaning: "so many of the six toe tips not felt, or more: abnormal",
        source: "Rayman 2011, Diabetes Care 34:1517",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "sensation-intact",
        number: None,
        unit: "",
        meaning: "no loss of protective sensation takes the whole monofilament protocol normal, one more test normal and none abnormal",
        source: "ADA Standards of Care, section 12",
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "sensation-one-abnormal-test",
        number: None,
        unit: "",
        meaning: "one abnormal test beside a normal monofilament (128 Hz fork, vibration threshold, toe touch) is loss of protective sensation",
        source: "Boulton 2008, Diabetes Care 31:1679",
        certainty: Certainty::Memory,
    },
    ClinicalValue {
        id: "podus-insensate",
        number: None,
        unit: "",
        meaning: "for the prediction rule, any monofilament site not felt counts as insensate",
        source: "Chappell 2021, BMJ Open Diabetes Res Care 9:e002150",
        certainty: Certainty::Memory,
    },
];

/// What one test says.
#[derive(Default)]
struct Heard {
    /// Makes the loss present.
    abnormal: Vec<Evidence>,
    /// Does not make it present by itself, but forbids calling sensation intact.
    doubtful: Vec<Evidence>,
    /// Other tests that are normal.
    normal: Vec<Evidence>,
    /// Close to abnormal.
    near: Vec<Evidence>,
    missing: Vec<String>,
}

pub(super) fn of_foot(
    exam: &FootExam,
    words: &Words<'_>,
    criterion: MonofilamentCriterion,
    side: Laterality,
) -> Finding {
    let mut heard = Heard::default();
    let monofilament_normal = match criterion {
        MonofilamentCriterion::ThreeSite => three_site(exam, words, side, &mut heard),
        MonofilamentCriterion::FeltBelow(limit) => {
            felt_below(exam, words, side, usize::from(limit), &mut heard)
        }
    };
    vibration(exam, words, side, &mut heard);
    vibration_threshold(exam, words, side, &mut heard);
    toe_touch(exam, words, side, &mut heard);
    supporting_tests(exam, words, side, &mut heard);
    if !heard.abnormal.is_empty() {
        let mut finding = Finding::new(State::Present);
        if monofilament_normal.is_some() {
            // Only now worth saying: a normal monofilament beside another abnormal test.
            finding.contradictions.extend(heard.abnormal.iter().map(|abnormal| {
                format!(
                    "{}, while the monofilament was felt at every site of its protocol; the more cautious reading is used",
                    abnormal.statement
                )
            }));
        }
        finding.evidence = heard.abnormal;
        return finding;
    }
    if let Some(monofilament) = monofilament_normal {
        if !heard.normal.is_empty() && heard.doubtful.is_empty() {
            let mut finding = Finding::new(State::Absent);
            finding.near = heard.near;
            finding.evidence.push(monofilament);
            finding.evidence.extend(heard.normal);
            return finding;
        }
        heard.doubtful.push(monofilament);
        if heard.normal.is_empty() {
            heard.missing.push(format!(
                "one more sensory test of the {} foot (vibration-128hz at the great toe, vibration-threshold, toe-touch, pinprick, temperature-sense or ankle-reflex)",
                side.word()
            ));
        } else {
            heard.missing.push(format!(
                "a clear sensory examination of the {} foot: what is abnormal there does not fit the normal monofilament",
                side.word()
            ));
        }
    }
    let mut finding = Finding::new(State::Unknown);
    finding.near = heard.near;
    finding.evidence = heard.doubtful;
    finding.evidence.extend(heard.normal);
    finding.missing = heard.missing;
    finding
}

fn monofilament(exam: &FootExam, side: Laterality, site: Site) -> Option<&Entry> {
    exam.entry(Test::Monofilament10g, Some(side), Part::Site(site))
}

/// Gives the evidence of a normal monofilament test, if it is normal.
fn three_site(exam: &FootExam, words: &Words<'_>, side: Laterality, heard: &mut Heard) -> Option<Evidence> {
    let mut felt_sources = Vec::new();
    let mut missing = Vec::new();
    for &site in Site::THREE_SITE {
        match monofilament(exam, side, site) {
            Some(entry) if entry.has(ResultCode::NotFelt) => {
                heard.abnormal.push(not_felt(words, side, site, entry))
            }
            Some(entry) if entry.is(ResultCode::Felt) => felt_sources.extend(sources(entry, |_| true)),
            _ => missing.push(site),
        }
    }
    for (part, entry) in exam.of_test(Test::Monofilament10g, Some(side)) {
        if let Part::Site(site) = part
            && !Site::THREE_SITE.contains(&site)
            && entry.has(ResultCode::NotFelt)
        {
            heard.doubtful.push(not_felt(words, side, site, entry));
        }
    }
    if missing.is_empty() && heard.abnormal.is_empty() {
        felt_sources.dedup();
        let said = format!("{} foot: monofilament felt at all three sites of the protocol", side.word());
        return Some(evidence(said, felt_sources));
    }
    if !missing.is_empty() {
        let sites: Vec<&str> = missing.iter().map(|site| site.code()).collect();
        heard.missing.push(format!(
            "{} (monofilament-10g) of the {} foot at {}",
            words.test(Test::Monofilament10g),
            side.word(),
            sites.join(", ")
        ));
    }
    None
}

/// Counts felt sites of the recorded protocol; untested sites leave bounds.
fn felt_below(
    exam: &FootExam,
    words: &Words<'_>,
    side: Laterality,
    limit: usize,
    heard: &mut Heard,
) -> Option<Evidence> {
    // A result for the foot as a whole is not one more site.
    let entries: Vec<(Part, &Entry)> = exam
        .of_test(Test::Monofilament10g, Some(side))
        .filter(|(part, _)| matches!(part, Part::Site(_)))
        .collect();
    let felt = entries.iter().filter(|(_, entry)| entry.is(ResultCode::Felt)).count();
    let not_felt = entries.iter().filter(|(_, entry)| entry.has(ResultCode::NotFelt)).count();
    let recorded = entries.len();
    let protocol = PROTOCOL_SIZES
        .iter()
        .copied()
        .find(|&size| size >= recorded.max(limit))
        .unwrap_or_else(|| recorded.max(limit));
    let could_be_felt = protocol.saturating_sub(not_felt);
    let all_sources = || {
        let mut all: Vec<usize> = entries.iter().flat_map(|(_, entry)| sources(entry, |_| true)).collect();
        all.sort_unstable();
        all.dedup();
        all
    };
    let said = format!("{} foot: monofilament felt at {felt} of {protocol} sites", side.word());
    if could_be_felt < limit {
        let said = format!("{said}, fewer than {limit} (common practice, no source)");
        heard.abnormal.push(evidence(said, all_sources()));
        None
    } else if felt >= limit {
        if felt == limit && felt < protocol {
            let said = format!("{said}, abnormal below {limit}");
            heard.near.push(evidence(said, all_sources()));
        }
        Some(evidence(format!("{said}, not fewer than {limit} (common practice, no source)"), all_sources()))
    } else {
        heard.missing.push(format!(
            "{} (monofilament-10g) of the {} foot at the untested sites: {felt} felt and {not_felt} not felt of {protocol}",
            words.test(Test::Monofilament10g),
            side.word()
        ));
        None
    }
}

fn not_felt(words: &Words<'_>, side: Laterality, site: Site, entry: &Entry) -> Evidence {
    let is_not_felt = |reading: &crate::exam::Reading| reading.outcome == Outcome::Code(ResultCode::NotFelt);
    evidence(words.at_site(side, Test::Monofilament10g, site, "not felt"), sources(entry, is_not_felt))
}

fn vibration(exam: &FootExam, words: &Words<'_>, side: Laterality, heard: &mut Heard) {
    for (part, entry) in exam.of_test(Test::Vibration128Hz, Some(side)) {
        let Part::Site(site) = part else { continue };
        let lag = |reading: &crate::exam::Reading| match reading.outcome {
            Outcome::Measured(seconds) => seconds.reaches(LAG_SECONDS),
            Outcome::Code(ResultCode::NotFelt) => Some(true),
            Outcome::Code(ResultCode::Felt) => Some(false),
            // Any other code says nothing about this test.
            Outcome::Code(_) => None,
        };
        let abnormal = entry.readings.iter().any(|reading| lag(reading) == Some(true));
        let normal =
            !entry.readings.is_empty() && entry.readings.iter().all(|reading| lag(reading) == Some(false));
        if abnormal {
            let timed = !entry.has(ResultCode::NotFelt);
            let said = if timed { "lost 10 s or more before the examiner loses it" } else { "not felt" };
            let said = evidence(
                words.at_site(side, Test::Vibration128Hz, site, said),
                sources(entry, |reading| lag(reading) == Some(true)),
            );
            if site == Site::HalluxDorsal { heard.abnormal.push(said) } else { heard.doubtful.push(said) }
        } else if normal && site == Site::HalluxDorsal {
            for reading in &entry.readings {
                let Outcome::Measured(measured) = reading.outcome else { continue };
                if let Some(seconds) = measured.exact().filter(|seconds| just_below(*seconds, LAG_SECONDS)) {
                    let said = format!(
                        "lost {} s before the examiner loses it, abnormal from {LAG_SECONDS} s on,",
                        seconds.normalize()
                    );
                    let said = words.at_site(side, Test::Vibration128Hz, site, &said);
                    heard.near.push(evidence(said, vec![reading.source]));
                }
            }
            heard.normal.push(evidence(
                words.at_site(side, Test::Vibration128Hz, site, "felt"),
                sources(entry, |_| true),
            ));
        }
    }
}

fn vibration_threshold(exam: &FootExam, words: &Words<'_>, side: Laterality, heard: &mut Heard) {
    let Some(entry) = exam.entry(Test::VibrationThreshold, Some(side), Part::Whole) else { return };
    let reaches = |reading: &crate::exam::Reading| match reading.outcome {
        Outcome::Measured(volts) => volts.reaches(THRESHOLD_VOLTS),
        Outcome::Code(_) => None,
    };
    let test = words.test(Test::VibrationThreshold);
    if entry.readings.iter().any(|reading| reaches(reading) == Some(true)) {
        let sources = sources(entry, |reading| reaches(reading) == Some(true));
        heard.abnormal.push(evidence(words.on_foot(side, &test, "of 25 V or more"), sources));
    } else if !entry.readings.is_empty()
        && entry.readings.iter().all(|reading| reaches(reading) == Some(false))
    {
        heard.normal.push(evidence(words.on_foot(side, &test, "below 25 V"), sources(entry, |_| true)));
        for reading in &entry.readings {
            let Outcome::Measured(measured) = reading.outcome else { continue };
            if let Some(volts) = measured.exact().filter(|volts| just_below(*volts, THRESHOLD_VOLTS)) {
                let said = format!("of {} V, abnormal from {THRESHOLD_VOLTS} V on", volts.normalize());
                let said = words.on_foot(side, &lower_first(&test), &said);
                heard.near.push(evidence(said, vec![reading.source]));
            }
        }
    }
}

fn toe_touch(exam: &FootExam, words: &Words<'_>, side: Laterality, heard: &mut Heard) {
    let tips = |side: Laterality| {
        Site::TOE_TIPS
            .iter()
            .map(move |&site| (site, exam.entry(Test::ToeTouch, Some(side), Part::Site(site))))
    };
    let all = || Laterality::BOTH.into_iter().flat_map(tips);
    let not_felt_on = |side: Laterality| {
        tips(side).filter(|(_, entry)| entry.is_some_and(|entry| entry.has(ResultCode::NotFelt))).count()
    };
    let not_felt: usize = Laterality::BOTH.into_iter().map(not_felt_on).sum();
    let felt = all().filter(|(_, entry)| entry.is_some_and(|entry| entry.is(ResultCode::Felt))).count();
    let recorded: Vec<usize> =
        all().filter_map(|(_, entry)| entry).flat_map(|entry| sources(entry, |_| true)).collect();
    let test = words.test(Test::ToeTouch);
    if not_felt > 0 && not_felt + 1 == TOE_TIPS_NOT_FELT && not_felt_on(side) > 0 {
        let said = format!(
            "not felt at {not_felt} of the six toe tips of both feet, abnormal from {TOE_TIPS_NOT_FELT} on"
        );
        let said = words.on_foot(side, &lower_first(&test), &said);
        heard.near.push(evidence(said, recorded.clone()));
    }
    if not_felt >= TOE_TIPS_NOT_FELT && not_felt_on(side) > 0 {
        let said = words.on_foot(
            side,
            &test,
            &format!("not felt; {not_felt} of the six toe tips of both feet are not felt"),
        );
        heard.abnormal.push(evidence(said, recorded));
    } else if felt + TOE_TIPS_NOT_FELT > 6 {
        // Even if every other tip were not felt, there would be fewer than two.
        let said =
            words.on_foot(side, &test, &format!("felt; {felt} of the six toe tips of both feet are felt"));
        heard.normal.push(evidence(said, recorded));
    } else if not_felt_on(side) > 0 {
        // One tip is not felt and another is not known: two could be (missing toes are an open case of the source).
        let untested: Vec<String> = Laterality::BOTH
            .into_iter()
            .flat_map(|side| tips(side).map(move |(site, entry)| (side, site, entry)))
            .filter(|(_, _, entry)| {
                !entry.is_some_and(|entry| entry.has(ResultCode::NotFelt) || entry.is(ResultCode::Felt))
            })
            .map(|(side, site, _)| format!("{}-{}", side.word(), site.code()))
            .collect();
        heard.missing.push(format!("{test} (toe-touch) at {}", untested.join(", ")));
        let said =
            words.on_foot(side, &test, "not felt at one of the six toe tips of both feet, others not tested");
        heard.doubtful.push(evidence(said, recorded));
    }
}

/// Tests that support but do not decide: pinprick, temperature, position, reflex. Position sense is used by no risk
/// scheme, so a normal one does not help; an abnormal one still raises doubt.
fn supporting_tests(exam: &FootExam, words: &Words<'_>, side: Laterality, heard: &mut Heard) {
    for test in [Test::Pinprick, Test::TemperatureSense, Test::PositionSense] {
        for (part, entry) in exam.of_test(test, Some(side)) {
            let Part::Site(site) = part else { continue };
            if entry.has(ResultCode::NotFelt) {
                let said = words.at_site(side, test, site, "not felt");
                heard.doubtful.push(evidence(said, sources(entry, |_| true)));
            } else if entry.is(ResultCode::Felt) && test != Test::PositionSense {
                heard
                    .normal
                    .push(evidence(words.at_site(side, test, site, "felt"), sources(entry, |_| true)));
            }
        }
    }
    if let Some(entry) = exam.entry(Test::AnkleReflex, Some(side), Part::Whole) {
        let test = words.test(Test::AnkleReflex);
        if entry.has(ResultCode::Absent) {
            heard.doubtful.push(evidence(words.on_foot(side, &test, "absent"), sources(entry, |_| true)));
        } else if entry.is(ResultCode::Present) {
            heard.normal.push(evidence(words.on_foot(side, &test, "present"), sources(entry, |_| true)));
        }
    }
}

/// Whether the monofilament was not felt at any site tested, in whatever protocol (operational definition from memory).
pub(super) fn insensate(exam: &FootExam, words: &Words<'_>, side: Laterality) -> Finding {
    let mut finding = Finding::new(State::Unknown);
    let mut felt = Vec::new();
    for (part, entry) in exam.of_test(Test::Monofilament10g, Some(side)) {
        let Part::Site(site) = part else { continue };
        if entry.has(ResultCode::NotFelt) {
            finding.state = State::Present;
            finding.evidence.push(not_felt(words, side, site, entry));
        } else if entry.is(ResultCode::Felt) {
            felt.push(site);
        }
    }
    if finding.state == State::Present {
        return finding;
    }
    let missing: Vec<&str> =
        Site::THREE_SITE.iter().filter(|site| !felt.contains(site)).map(|site| site.code()).collect();
    if missing.is_empty() {
        finding.state = State::Absent;
    } else {
        finding.missing.push(format!(
            "{} (monofilament-10g) of the {} foot at {}",
            words.test(Test::Monofilament10g),
            side.word(),
            missing.join(", ")
        ));
    }
    finding
}
