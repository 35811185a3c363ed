//! The six items by which an ulcer is told on to others: site, ischaemia, neuropathy, bacterial infection, area, depth.
//!
//! Each is a point; three or more heal more slowly. IWGDF 2023 asks for the items rather than for the total alone. An
//! item that was not recorded leaves a range. Source: Ince 2008, Diabetes Care 31:964; the items were read in a
//! restatement (World J Diabetes 2022;13:1049, Table 4).

use rust_decimal::Decimal;

use super::words::Words;
use super::{Finding, State};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{
    BodySite, Entry, FootExam, Item, Laterality, Outcome, Part, ResultCode, Site, Test, Ulcer,
};

const LARGE_CM2: Decimal = Decimal::ONE;
const SLOW_FROM: usize = 3;

pub(super) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "ulcer-area-point",
        number: Some(LARGE_CM2),
        unit: "cm2",
        meaning: "an ulcer of this area or more has the point for area",
        source: "Ince 2008, Diabetes Care 31:964",
        certainty: Certainty::Secondary,
    },
    ClinicalValue {
        id: "ulcer-slow-healing",
        number: Some(Decimal::from_parts(SLOW_FROM as u32, 0, 0, false, 0)),
        unit: "",
        meaning: "an ulcer with so many of the six points, or more, heals more slowly",
        source: "Ince 2008, Diabetes Care 31:964",
        certainty: Certainty::Primary,
    },
];

/// Every ulcer described, a line each. `sensation` gives the loss of protective sensation of a foot.
pub(super) fn described<'f>(
    exam: &FootExam,
    words: &Words<'_>,
    sensation: impl Fn(Laterality) -> Option<&'f Finding>,
) -> Vec<String> {
    exam.ulcers.iter().map(|ulcer| line(exam, words, ulcer, &sensation)).collect()
}

fn line<'f>(
    exam: &FootExam,
    words: &Words<'_>,
    ulcer: &Ulcer,
    sensation: &impl Fn(Laterality) -> Option<&'f Finding>,
) -> String {
    let side = ulcer.site.and_then(BodySite::side);
    let site = match ulcer.site {
        Some(BodySite::Sided(_, site) | BodySite::Unsided(site)) => Some(site),
        Some(BodySite::Foot(_)) | None => None,
    };
    let part = |item| site.map_or(Part::Item(item), |site| Part::ItemAt(item, site));
    let entry = |item| exam.entry(Test::Ulcer, side, part(item));
    let coded = |item, points: fn(ResultCode) -> Option<bool>| {
        decided(entry(item), ulcer.source, |outcome| match outcome {
            Outcome::Code(code) => points(code),
            Outcome::Measured(_) => None,
        })
    };
    let infected = match coded(Item::UlcerInfection, infection) {
        None if spreading(exam, side) => Some(true),
        other => other,
    };
    let items = [
        ("site", site.and_then(behind_the_forefoot)),
        ("ischaemia", side.and_then(|side| reduced_flow(exam, side))),
        ("neuropathy", side.and_then(sensation).and_then(|finding| known(finding.state))),
        ("infection", infected),
        (
            "area",
            decided(entry(Item::UlcerArea), ulcer.source, |outcome| match outcome {
                Outcome::Measured(area) => area.reaches(LARGE_CM2),
                Outcome::Code(_) => None,
            }),
        ),
        ("depth", coded(Item::UlcerDepth, deep)),
    ];
    let points = items.iter().filter(|(_, point)| *point == Some(true)).count();
    let open = items.iter().filter(|(_, point)| point.is_none()).count();
    let total = if open == 0 { points.to_string() } else { format!("{points} to {}", points + open) };
    let told: Vec<String> = items
        .iter()
        .map(|(name, point)| {
            let said = match point {
                Some(true) => "1",
                Some(false) => "0",
                None => "not known",
            };
            format!("{name} {said}")
        })
        .collect();
    let place = match (side, site) {
        (Some(side), Some(site)) => format!("{} foot, {}", side.word(), words.site(site)),
        (Some(side), None) => format!("{} foot", side.word()),
        (None, Some(site)) => words.site(site),
        (None, None) => "place not stated".to_owned(),
    };
    let slow = if points >= SLOW_FROM { "; heals more slowly from 3 on" } else { "" };
    format!("{place}: open ulcer, SINBAD {total} of 6 ({}){slow}", told.join(", "))
}

/// What the readings of one ulcer say: yes if one does, no if all do.
fn decided(entry: Option<&Entry>, source: usize, point: impl Fn(Outcome) -> Option<bool>) -> Option<bool> {
    let readings = entry.into_iter().flat_map(|entry| &entry.readings);
    let said: Vec<Option<bool>> =
        readings.filter(|reading| reading.source == source).map(|reading| point(reading.outcome)).collect();
    if said.contains(&Some(true)) {
        Some(true)
    } else if !said.is_empty() && said.iter().all(|said| *said == Some(false)) {
        Some(false)
    } else {
        None
    }
}

fn infection(code: ResultCode) -> Option<bool> {
    match code {
        ResultCode::Grade1 => Some(false),
        ResultCode::Grade2
        | ResultCode::Grade3
        | ResultCode::Grade3Bone
        | ResultCode::Grade4
        | ResultCode::Grade4Bone => Some(true),
        _ => None,
    }
}

fn deep(code: ResultCode) -> Option<bool> {
    match code {
        ResultCode::SkinOnly => Some(false),
        ResultCode::MuscleTendonOrDeeper | ResultCode::BoneOrJoint => Some(true),
        _ => None,
    }
}

/// Midfoot and hindfoot have the point. A border or the top of the foot can be any of them.
fn behind_the_forefoot(site: Site) -> Option<bool> {
    match site {
        Site::Toes
        | Site::WebSpaces
        | Site::ForefootSole
        | Site::HalluxPlantar
        | Site::HalluxDorsal
        | Site::Toe3Plantar
        | Site::Toe5Plantar
        | Site::ToeTip1
        | Site::ToeTip3
        | Site::ToeTip5
        | Site::MetatarsalHead1
        | Site::MetatarsalHead3
        | Site::MetatarsalHead5
        | Site::MetatarsalHead1Dorsal
        | Site::DorsumWeb1 => Some(false),
        Site::MidfootSole | Site::MidfootMedial | Site::MidfootLateral | Site::Heel | Site::Ankle => {
            Some(true)
        }
        _ => None,
    }
}

/// No point with a palpable pulse of the foot.
fn reduced_flow(exam: &FootExam, side: Laterality) -> Option<bool> {
    let pulse = |artery: &Site| exam.entry(Test::Pulse, Some(side), Part::Site(*artery));
    let palpable = |entry: &Entry| entry.is(ResultCode::Present) || entry.is(ResultCode::Reduced);
    if Site::FOOT_ARTERIES.iter().any(|artery| pulse(artery).is_some_and(palpable)) {
        return Some(false);
    }
    let none = |artery: &Site| pulse(artery).is_some_and(|entry| entry.is(ResultCode::Absent));
    Site::FOOT_ARTERIES.iter().all(none).then_some(true)
}

fn spreading(exam: &FootExam, side: Option<Laterality>) -> bool {
    let part = Part::Item(Item::SpreadingInfection);
    exam.entry(Test::ActiveProblem, side, part).is_some_and(|entry| entry.has(ResultCode::Present))
}

fn known(state: State) -> Option<bool> {
    match state {
        State::Present => Some(true),
        State::Absent => Some(false),
        State::Unknown => None,
    }
}
