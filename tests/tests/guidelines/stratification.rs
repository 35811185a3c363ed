//! The rows of the published stratifications.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use solewire_profiles::findings::{Fact, FactTable, State};
use solewire_profiles::risk::{Category, Guideline, builtin_guidelines, stratify};

use crate::exam::{Answer, Exam};
use crate::oracle::{Row, list_unconfirmed, rows};

const FILE: &str = "stratification.csv";

fn guideline_of<'g>(guidelines: &'g [Guideline], row: &Row) -> &'g Guideline {
    let id = match row.guideline.as_str() {
        "IWGDF-2023" => "iwgdf-2023",
        "NICE-NG19" => "nice-ng19",
        "ADA-2008" => "ada-2008",
        "SCOTLAND-2016" => "scotland-2016",
        "PODUS-2020" => "podus-2021",
        other => panic!("{other}"),
    };
    guidelines.iter().find(|guideline| guideline.id == id).unwrap()
}

/// The facts that a key of a row speaks of. `history` says which of two facts a combined key is read as.
fn facts_of(key: &str, history: Fact) -> &'static [Fact] {
    match key.split('.').next().unwrap() {
        "lops" | "neuropathy" => &[Fact::LossOfProtectiveSensation],
        "pad" | "limb_ischaemia" => &[Fact::PeripheralArteryDisease],
        "deformity" | "significant_deformity" => &[Fact::Deformity],
        "callus" | "significant_callus" => &[Fact::Callus],
        "ulcer_history" | "previous_ulcer" => &[Fact::PreviousUlcer],
        "amputation_history" | "previous_amputation" => &[Fact::PreviousAmputation],
        "ulcer_or_amputation_history" if history == Fact::PreviousUlcer => &[Fact::PreviousUlcer],
        "ulcer_or_amputation_history" => &[Fact::PreviousAmputation],
        // A person with a transplant, or in stage 5 before dialysis, is recorded with end-stage renal disease.
        "esrd" | "kidney_transplant" => &[Fact::EndStageRenalDisease],
        "rrt" => &[Fact::RenalReplacementTherapy],
        "limited_joint_mobility" => &[Fact::LimitedJointMobility],
        "charcot_history" | "consolidated_charcot" => &[Fact::CharcotHistory],
        "monofilament_insensate" => &[Fact::MonofilamentInsensate],
        "pulse_absent" => &[Fact::FootPulseAbsent],
        "current_ulcer"
        | "active_ulcer"
        | "ulceration"
        | "gangrene"
        | "spreading_infection"
        | "suspected_acute_charcot"
        | "hot_red_swollen_foot_unexplained"
        | "critical_limb_ischaemia"
        | "fever_or_sepsis"
        | "deep_soft_tissue_or_bone_infection_concern" => &[Fact::ActiveProblem],
        // No stratification asks for these.
        "pre_ulcerative_lesion" | "pain" | "age" | "dialysis" => &[],
        other => panic!("{other}"),
    }
}

/// The facts of a row: what it does not list is absent. What it says of either foot holds for the person.
fn facts(row: &Row, history: Fact) -> FactTable {
    let mut states: BTreeMap<Fact, State> = Fact::ALL.iter().map(|fact| (*fact, State::Absent)).collect();
    let mut put = |fact: Fact, state: State| match states.entry(fact) {
        Entry::Occupied(mut known) if *known.get() == State::Absent => {
            known.insert(state);
        }
        _ => {}
    };
    for (key, value) in row.inputs() {
        let state = match value {
            "true" => State::Present,
            "false" => State::Absent,
            "unknown" => State::Unknown,
            _ => match (key, value.parse::<u32>().unwrap()) {
                ("egfr", rate) => {
                    for (holds, fact) in [
                        (rate < 30, Fact::EgfrBelow30),
                        (rate == 30, Fact::EgfrExactly30),
                        (rate < 15, Fact::EgfrBelow15),
                    ] {
                        put(fact, if holds { State::Present } else { State::Absent });
                    }
                    continue;
                }
                ("age", _) => continue,
                _ => panic!("{}: {key}", row.id),
            },
        };
        if key == "self_care" {
            put(Fact::SelfCareImpaired, if state == State::Present { State::Absent } else { State::Present });
            continue;
        }
        facts_of(key, history).iter().for_each(|fact| put(*fact, state));
    }
    FactTable::of_states(&states.into_iter().collect::<Vec<_>>())
}

/// The categories of a row, and the policies of the rules that decide.
fn outcome(guideline: &Guideline, row: &Row, history: Fact) -> (Vec<Category>, Vec<String>) {
    let possible = stratify(guideline, &facts(row, history));
    let categories = possible.categories.keys().map(|number| guideline.categories[*number].clone()).collect();
    let mut policies = guideline.policies.clone();
    for witness in possible.categories.values() {
        policies.extend(guideline.rules[witness.rule].policy.clone());
    }
    (categories, policies)
}

fn expected_code(row: &Row) -> String {
    match row.category.as_str() {
        "in-remission" => "remission".to_owned(),
        "not-applicable" if row.guideline == "IWGDF-2023" => "active".to_owned(),
        other => other.replace('=', "-"),
    }
}

/// The interval or the probability of a category, as rows write them.
fn interval_of(category: &Category) -> String {
    if let Some(probability) = &category.probability {
        assert_eq!(probability.within_months, 24);
        return format!(
            "2-year ulcer risk {}% (95% CI {}-{})",
            probability.percent, probability.low, probability.high
        );
    }
    let interval = category.interval.as_ref().unwrap();
    assert_eq!(interval.unit, solewire_profiles::time::IntervalUnit::Month);
    match (&interval.what, interval.from == interval.to) {
        (Some(_), _) => format!("at least {}-monthly plan review; no further screening", interval.to),
        (None, true) => format!("{} months", interval.to),
        (None, false) => format!("{}-{} months", interval.from, interval.to),
    }
}

#[test]
fn every_decided_row_holds() {
    let guidelines = builtin_guidelines().unwrap();
    let rows = rows(FILE);
    let decided: Vec<&Row> = rows.iter().filter(|row| !row.open()).collect();
    assert_eq!((rows.len(), decided.len()), (99, 82));
    for row in &decided {
        let guideline = guideline_of(&guidelines, row);
        for history in [Fact::PreviousUlcer, Fact::PreviousAmputation] {
            let (categories, _) = outcome(guideline, row, history);
            let codes: Vec<&str> = categories.iter().map(|category| category.code.as_str()).collect();
            assert_eq!(codes, [expected_code(row)], "{}", row.id);
            if categories[0].active {
                continue;
            }
            let interval = interval_of(&categories[0]);
            let (first, rest) = row.interval.split_at(interval.len().min(row.interval.len()));
            assert!(
                first == interval && (rest.is_empty() || rest.starts_with(" (")),
                "{}: {interval}",
                row.id
            );
            if let Some((_, wanted)) = row.note.split_once("referral=") {
                let referral = categories[0].referral.as_ref().map_or_else(
                    || "none".to_owned(),
                    |referral| {
                        format!("foot protection service within {}-{} weeks", referral.from, referral.to)
                    },
                );
                assert_eq!(referral, wanted, "{}", row.id);
            }
        }
    }
    list_unconfirmed(FILE, decided.into_iter());
}

/// What the cases that the publications leave open come to: a range, or one category by local policy.
const OPEN: &[(&str, &[&str])] = &[
    ("iwgdf-019", &["3"]),
    ("iwgdf-020", &["3"]),
    ("iwgdf-021", &["3"]),
    ("iwgdf-022", &["3"]),
    ("iwgdf-023", &["0", "1"]),
    ("iwgdf-024", &["1", "2"]),
    ("iwgdf-028", &["2"]),
    ("iwgdf-029", &["2"]),
    ("iwgdf-032", &["2"]),
    ("ng19-028", &["active"]),
    ("ng19-030", &["high"]),
    ("ng19-031", &["high"]),
    ("ng19-032", &["low", "high"]),
    ("ada-010", &["1"]),
    ("scot-015", &["moderate"]),
    ("podus-009", &["score-0", "score-1"]),
    ("podus-010", &["score-0"]),
];

#[test]
fn every_open_row_is_a_range_or_names_its_policy() {
    let guidelines = builtin_guidelines().unwrap();
    let rows = rows(FILE);
    let open: Vec<&Row> = rows.iter().filter(|row| row.open()).collect();
    let ids: Vec<&str> = open.iter().map(|row| row.id.as_str()).collect();
    assert_eq!(ids, OPEN.iter().map(|(id, _)| *id).collect::<Vec<_>>());
    for (row, (_, expected)) in open.into_iter().zip(OPEN) {
        let (categories, mut policies) = outcome(guideline_of(&guidelines, row), row, Fact::PreviousUlcer);
        let codes: Vec<&str> = categories.iter().map(|category| category.code.as_str()).collect();
        assert_eq!(codes, *expected, "{}", row.id);
        // Two rows are open in what surrounds the table: whose foot it speaks of, and how urgent a problem is.
        match row.id.as_str() {
            "iwgdf-028" => policies = factors_on_different_feet(),
            "ng19-028" => policies = triage(row).1,
            _ => {}
        }
        assert!(codes.len() > 1 || !policies.is_empty(), "{} hides that it is open", row.id);
    }
}

fn factors_on_different_feet() -> Vec<String> {
    let mut exam = Exam::normal();
    exam.set("monofilament-10g", "left", "mth-1", Answer::Code("not-felt"));
    exam.set("deformity", "right", "significant-deformity", Answer::Code("present"));
    let summary = exam.summary("iwgdf-2023");
    assert_eq!(summary.categories, ["iwgdf-2023.2"]);
    summary.policies
}

/// Sends a row with an active problem through an exam: the priority of the referral and the policies.
fn triage(row: &Row) -> (String, Vec<String>) {
    let mut exam = Exam::normal();
    for (key, value) in row.inputs() {
        let problem = match key {
            "ulceration" => "active-ulcer",
            "fever_or_sepsis" => "systemic-signs",
            "deep_soft_tissue_or_bone_infection_concern" => "deep-or-bone-infection",
            "gangrene" => "gangrene",
            "suspected_acute_charcot" => "suspected-acute-charcot",
            "hot_red_swollen_foot_unexplained" => "hot-swollen-foot",
            "spreading_infection" => "spreading-infection",
            "critical_limb_ischaemia" => "limb-threatening-ischaemia",
            "limb_ischaemia" if value == "true" => {
                exam.set("pulse", "left", "dorsalis-pedis", Answer::Code("absent"));
                continue;
            }
            "callus" if value == "true" => {
                exam.set("skin", "left", "callus", Answer::Code("present"));
                continue;
            }
            "limb_ischaemia" | "callus" | "pain" | "previous_ulcer" | "neuropathy" => continue,
            other => panic!("{}: {other}", row.id),
        };
        exam.set(
            "active-problem",
            "left",
            problem,
            Answer::Code(if value == "true" { "present" } else { "absent" }),
        );
    }
    let derived = exam.derive(&["nice-ng19"]);
    assert_eq!(derived.assessments[0].categories, ["nice-ng19.active"], "{}", row.id);
    assert_eq!(derived.assessments[0].recall, None, "{}", row.id);
    let referral =
        derived.resources.iter().find(|resource| resource["resourceType"] == "ServiceRequest").unwrap();
    (referral["priority"].as_str().unwrap().to_owned(), derived.assessments[0].policies.clone())
}

#[test]
fn active_problems_are_referred_as_fast_as_published() {
    let rows = rows(FILE);
    let active: Vec<&Row> =
        rows.iter().filter(|row| row.guideline == "NICE-NG19" && row.category == "active").collect();
    assert_eq!(active.len(), 10);
    for row in active {
        let expected = match row.interval.as_str() {
            "refer within 1 working day; triage within 1 further working day" => "urgent",
            "immediate referral to acute services; inform multidisciplinary foot care service" => "stat",
            // Local policy: at once.
            "open" => "stat",
            other => panic!("{other}"),
        };
        assert_eq!(triage(row).0, expected, "{}", row.id);
    }
}
