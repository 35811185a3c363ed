//! Results that devices send one by one: who may send what, clocks, repeats, and exams that no panel closes.

use std::time::Duration;

use serde_json::json;

use super::*;

const REGISTERED: &str = "[[devices.known]]\nid = \"filament-7\"\n\
     identifier = \"https://harbourlane.example/device|HL-DEVICE-07\"\ntests = [\"monofilament-10g\"]\n\
     clock_tolerance_seconds = 300\nper_day = 3";
const QUIET: Duration = Duration::from_secs(1800);

/// One result of the registered device, made when the clock of the bench stands.
fn result(site: &str, code: &str) -> Value {
    let text = include_str!("../../../../tests/corpus/device-result/input.json");
    let mut result: Value = serde_json::from_str(text).unwrap();
    result.as_object_mut().unwrap().shift_remove("identifier");
    result["effectiveDateTime"] = json!("2026-11-25T12:00:00Z");
    result["bodySite"]["coding"][0]["code"] = json!(site);
    result["valueCodeableConcept"]["coding"][0]["code"] = json!(code);
    result
}

/// The results of the exam of the demonstration, each alone: what only gives context is named by identifier.
fn results_alone() -> (Value, Vec<Value>) {
    let bundle: Value = serde_json::from_str(include_str!("../../demo/exam.json")).unwrap();
    let entries = bundle["entry"].as_array().unwrap();
    let logical = |urn: &Value| {
        let target = entries.iter().find(|entry| entry["fullUrl"] == *urn).unwrap();
        json!({ "type": target["resource"]["resourceType"], "identifier": target["resource"]["identifier"][0] })
    };
    let mut alone: Vec<Value> = entries
        .iter()
        .map(|entry| entry["resource"].clone())
        .filter(|resource| resource["resourceType"] == "Observation")
        .collect();
    for resource in &mut alone {
        resource.as_object_mut().unwrap().shift_remove("hasMember");
        for name in ["subject", "encounter"] {
            resource[name] = logical(&resource[name]["reference"]);
        }
        if let Some(performer) = resource.pointer("/performer/0/reference").cloned() {
            resource["performer"] = json!([logical(&performer)]);
        }
    }
    let panel = alone.remove(0);
    (panel, alone)
}

impl Bench {
    async fn post(&self, result: &Value) -> Result<Accepted, Refusal> {
        let bytes = result.to_string().into_bytes();
        self.intake.submit(Handed { bytes, expected: Expected::Observation, ..handed(None) }).await
    }

    async fn only(&self, resource_type: &str) -> Value {
        let search = Search {
            resource_type: resource_type.into(),
            reach: Reach::All,
            filters: vec![],
            sort: vec![(SortKey::Id, false)],
            count: 10,
            offset: 0,
            total: Total::OfFew,
        };
        let found = self.intake.store.search(&search).await.unwrap();
        assert_eq!(found.total, Some(1), "{resource_type}");
        serde_json::from_str(&found.page[0].text).unwrap()
    }
}

fn refused_by(result: Result<Accepted, Refusal>) -> String {
    match result {
        Err(Refusal::Invalid { issues, .. }) => {
            format!("{} {}", issues.last().unwrap().rule, issues.last().unwrap().pointer)
        }
        other => panic!("{other:?}"),
    }
}

fn told(accepted: &Accepted) -> String {
    accepted.entries[0].outcome.clone().unwrap_or_default().to_string()
}

#[tokio::test]
async fn a_device_sends_what_it_is_registered_for() {
    let bench = bench_with(REGISTERED).await;
    bench.post(&result("left-hallux-plantar", "felt")).await.unwrap();
    let mut pulse = result("left-dorsalis-pedis", "present");
    pulse["code"]["coding"][0] =
        json!({ "system": "https://solewire.example/fhir/CodeSystem/foot-test", "code": "pulse" });
    assert_eq!(refused_by(bench.post(&pulse).await), "submit-device-test /code");
    // Another device is not spoken of in the settings, and nobody asked to keep it out.
    pulse["device"]["identifier"]["value"] = json!("HL-DEVICE-08");
    bench.post(&pulse).await.unwrap();
}

#[tokio::test]
async fn where_only_registered_devices_are_let_in_others_are_refused_and_people_are_not() {
    let bench = bench_with(&format!("[devices]\nonly_registered = true\n{REGISTERED}")).await;
    let mut other = result("left-hallux-plantar", "felt");
    other["device"] = json!({ "reference": "Device/8" });
    assert_eq!(refused_by(bench.post(&other).await), "submit-device-unknown /device");
    other.as_object_mut().unwrap().shift_remove("device");
    bench.post(&other).await.unwrap();
    bench.post(&result("left-mth-1", "felt")).await.unwrap();
}

#[tokio::test]
async fn the_quota_of_a_device_counts_what_is_new_and_begins_anew_each_day() {
    let bench = bench_with(REGISTERED).await;
    for site in ["left-hallux-plantar", "left-mth-1", "left-mth-5"] {
        for _ in 0..3 {
            bench.post(&result(site, "felt")).await.unwrap();
        }
    }
    let over = bench.post(&result("right-mth-1", "felt")).await;
    let Err(Refusal::Quota { seconds }) = over else { panic!("{over:?}") };
    assert!((43_200..=43_201).contains(&seconds), "noon to midnight: {seconds}");
    bench.post(&result("left-mth-5", "felt")).await.unwrap();
    bench.intake.clock.advance(Duration::from_secs(43_201));
    bench.post(&result("right-mth-1", "felt")).await.unwrap();
}

#[tokio::test]
async fn many_at_once_do_not_slip_past_the_quota() {
    let bench = bench_with(REGISTERED).await;
    let sites = ["hallux-plantar", "mth-1", "mth-3", "mth-5", "heel", "midfoot-medial"];
    let results: Vec<Value> = ["left", "right"]
        .iter()
        .flat_map(|side| sites.map(|site| result(&format!("{side}-{site}"), "felt")))
        .collect();
    let taken = futures_join(results.iter().map(|result| async { bench.post(result).await.is_ok() })).await;
    assert_eq!(taken.iter().filter(|taken| **taken).count(), 3);
}

#[tokio::test]
async fn f28_a_wrong_clock_is_told_and_both_times_are_kept() {
    let bench = bench_with(&REGISTERED.replace("per_day = 3", "")).await;
    // In the year that a dead battery leaves, half a day ahead, and in the hour that an autumn night has twice.
    let times = ["1970-01-01T00:04:00Z", "2026-11-26T00:00:00Z", "2026-10-25T01:30:00+00:00"];
    for (site, time) in ["left-hallux-plantar", "left-mth-1", "left-mth-5"].iter().zip(times) {
        let mut off = result(site, "felt");
        off["effectiveDateTime"] = json!(time);
        let accepted = bench.post(&off).await.unwrap();
        assert!(told(&accepted).contains("submit-device-clock"), "{time}: {}", told(&accepted));
        let placed = accepted.entries[0].resource.clone().unwrap();
        let stored = bench.intake.store.read("Observation", &placed.id, &Reach::All).await.unwrap().unwrap();
        assert!(stored.text.contains(time), "as stated");
        assert_eq!(stored.updated, bench.intake.clock.now_ms(), "as received");
        let again = bench.post(&off).await.unwrap();
        assert!(!told(&again).contains("submit-device-clock"), "a repeat is not late by itself");
    }
    let mut near = result("right-mth-1", "felt");
    near["effectiveDateTime"] = json!("2026-11-25T11:55:00Z");
    assert!(!told(&bench.post(&near).await.unwrap()).contains("submit-device-clock"));
}

#[tokio::test]
async fn n2_a_resend_with_a_corrected_value_is_the_same_result_and_another_reading_is_a_second_voice() {
    let bench = bench().await;
    let first = bench.post(&result("left-hallux-plantar", "felt")).await.unwrap();
    let resent = bench.post(&result("left-hallux-plantar", "not-felt")).await.unwrap();
    let of = |accepted: &Accepted| accepted.entries[0].resource.clone().unwrap();
    assert_eq!((of(&first).id, of(&resent).version), (of(&resent).id, 2));
    assert_eq!(bench.only("Observation").await["valueCodeableConcept"]["coding"][0]["code"], "not-felt");

    let mut later = result("left-hallux-plantar", "felt");
    later["effectiveDateTime"] = json!("2026-11-25T12:00:05Z");
    assert_ne!(of(&bench.post(&later).await.unwrap()).id, of(&first).id);
    let assessment = bench.only("RiskAssessment").await;
    let codes = assessment["prediction"].to_string();
    assert!(!codes.contains("iwgdf-2023.0"), "one reading not felt is not taken for normal: {codes}");
    assert!(assessment["note"].to_string().contains("Contradiction: "), "{}", assessment["note"]);
}

#[tokio::test]
async fn an_exam_without_a_panel_is_open_until_it_is_quiet_and_a_late_result_amends_it() {
    let bench = bench().await;
    let (_, results) = results_alone();
    let (late, in_time) = results.split_last().unwrap();
    for result in in_time {
        bench.post(result).await.unwrap();
    }
    let open = bench.only("RiskAssessment").await;
    assert_eq!(open["status"], "preliminary");
    assert!(open["note"][0]["text"].as_str().unwrap().starts_with("The exam is open"), "{}", open["note"]);

    bench.intake.clock.advance(QUIET - Duration::from_secs(1));
    assert_eq!(bench.intake.close_due(QUIET).await.unwrap(), 0);
    assert_eq!(bench.only("RiskAssessment").await, open);
    bench.intake.clock.advance(Duration::from_secs(1));
    assert_eq!(bench.intake.close_due(QUIET).await.unwrap(), 1);
    assert_eq!(bench.intake.close_due(QUIET).await.unwrap(), 0, "once");
    let closed = bench.only("RiskAssessment").await;
    assert_eq!(closed["status"], "final");
    assert_eq!(closed["prediction"].as_array().unwrap().len(), 1);
    assert!(closed["note"][0]["text"].as_str().unwrap().starts_with("The exam was closed without a panel"));
    let sent = bench.deliveries().await.pop().unwrap().to_string();
    assert!(sent.contains("The exam was closed without a panel"), "the record system is told");

    bench.post(late).await.unwrap();
    let amended = bench.only("RiskAssessment").await;
    assert_eq!((&amended["status"], &amended["id"]), (&json!("amended"), &closed["id"]));
}

#[tokio::test]
async fn an_unfinished_exam_stays_a_range_when_it_is_closed() {
    let bench = bench().await;
    bench.post(&result("left-hallux-plantar", "felt")).await.unwrap();
    let open = bench.only("RiskAssessment").await;
    bench.intake.clock.advance(QUIET);
    assert_eq!(bench.intake.close_due(QUIET).await.unwrap(), 1);
    let closed = bench.only("RiskAssessment").await;
    assert_eq!((&closed["status"], &closed["prediction"]), (&json!("preliminary"), &open["prediction"]));
    assert!(closed["prediction"].as_array().unwrap().len() > 1);
}

#[tokio::test]
async fn a_panel_closes_its_exam_at_once_and_the_quiet_period_says_nothing_of_it() {
    let bench = bench().await;
    let (mut panel, results) = results_alone();
    for result in &results {
        bench.post(result).await.unwrap();
    }
    panel["status"] = json!("preliminary");
    bench.post(&panel).await.unwrap();
    let open = bench.only("RiskAssessment").await;
    assert_eq!(open["status"], "preliminary");
    bench.intake.clock.advance(QUIET);
    assert_eq!(bench.intake.close_due(QUIET).await.unwrap(), 0);
    panel["status"] = json!("final");
    bench.post(&panel).await.unwrap();
    assert_eq!(bench.only("RiskAssessment").await["status"], "final");
}

#[tokio::test]
async fn several_processes_close_an_exam_once_and_none_that_has_a_new_result() {
    let bench = bench().await;
    bench.post(&result("left-hallux-plantar", "felt")).await.unwrap();
    bench.intake.clock.advance(QUIET);
    let others: Vec<Intake> = (0..8).map(|_| bench.intake.clone_for_test()).collect();
    let closed =
        futures_join(others.iter().map(|intake| async { intake.close_due(QUIET).await.unwrap() == 1 })).await;
    assert_eq!(closed.iter().filter(|closed| **closed).count(), 1);
    assert_eq!(bench.deliveries().await.len(), 2);

    let mut elsewhere = result("left-hallux-plantar", "felt");
    elsewhere["encounter"]["identifier"]["value"] = json!("HL-VISIT-2026-0021");
    bench.post(&elsewhere).await.unwrap();
    bench.intake.clock.advance(QUIET - Duration::from_secs(5));
    elsewhere["bodySite"]["coding"][0]["code"] = json!("left-mth-1");
    bench.post(&elsewhere).await.unwrap();
    bench.intake.clock.advance(Duration::from_secs(10));
    assert_eq!(bench.intake.close_due(QUIET).await.unwrap(), 0);
}

#[tokio::test]
async fn a_result_older_than_its_correction_is_answered_with_what_stands() {
    let bench = bench().await;
    let corrected = |status: &str, code: &str| {
        let mut one = result("left-hallux-plantar", code);
        one["status"] = json!(status);
        one
    };
    bench.post(&corrected("corrected", "not-felt")).await.unwrap();
    let late = bench.post(&corrected("final", "felt")).await.unwrap();
    assert!(told(&late).contains("submit-late-original"), "{}", told(&late));
    assert_eq!((late.changed, late.entries[0].done), (false, Done::Unchanged));
    assert_eq!(bench.only("Observation").await["status"], "corrected");
    bench.post(&corrected("entered-in-error", "not-felt")).await.unwrap();
    bench.post(&corrected("final", "felt")).await.unwrap();
    assert_eq!(bench.only("Observation").await["status"], "entered-in-error");
}

#[tokio::test]
async fn progress_names_what_is_recorded_and_what_is_left() {
    let bench = bench().await;
    let asked = AskedExam::Encounter {
        subject: "https://harbourlane.example/person|HL-PERSON-0020".into(),
        encounter: "https://harbourlane.example/visit|HL-VISIT-2026-0020".into(),
    };
    assert_eq!(bench.intake.progress(&asked, None).await.unwrap(), None);
    bench.post(&result("left-hallux-plantar", "felt")).await.unwrap();
    bench.post(&result("left-mth-5", "felt")).await.unwrap();
    let progress = bench.intake.progress(&asked, None).await.unwrap().unwrap();
    assert!(progress.open && !progress.withdrawn);
    let codes = |places: &[solewire_profiles::progress::Places]| -> Vec<String> {
        let side = |side: Option<solewire_profiles::exam::Laterality>| side.map_or("", |side| side.word());
        places
            .iter()
            .map(|one| format!("{} {} {}", one.test.code(), side(one.side), one.codes.join(" ")))
            .collect()
    };
    assert_eq!(codes(&progress.recorded), ["monofilament-10g left hallux-plantar mth-5"]);
    assert_eq!(
        codes(&progress.left),
        [
            "monofilament-10g left mth-1",
            "pulse left dorsalis-pedis posterior-tibial",
            "monofilament-10g right hallux-plantar mth-1 mth-5",
            "pulse right dorsalis-pedis posterior-tibial",
        ]
    );
    let missing =
        progress.missing.iter().find(|missing| missing.fact.words() == "active foot problem").unwrap();
    assert!(!missing.what.is_empty() && !missing.settles);
    bench.intake.clock.advance(QUIET);
    bench.intake.close_due(QUIET).await.unwrap();
    assert!(!bench.intake.progress(&asked, None).await.unwrap().unwrap().open);
}

#[tokio::test]
async fn f25_versions_of_an_exam_that_the_sender_numbers_end_in_the_last_one_in_any_order() {
    let version = |number: usize, status: &str, pulse: &str| {
        let mut bundle: Value = serde_json::from_str(include_str!("../../demo/exam.json")).unwrap();
        for entry in bundle["entry"].as_array_mut().unwrap() {
            let resource = &mut entry["resource"];
            let code = resource["code"]["coding"][0]["code"].clone();
            if code == "foot-exam" {
                resource["status"] = json!(status);
                resource["meta"] = json!({ "versionId": number.to_string() });
            } else if code == "pulse" {
                resource["component"][0]["valueCodeableConcept"] = json!({ "coding": [{
                    "system": "https://solewire.example/fhir/CodeSystem/foot-result", "code": pulse }] });
            }
        }
        bundle.to_string().into_bytes()
    };
    let versions =
        [version(1, "final", "present"), version(2, "amended", "absent"), version(3, "corrected", "reduced")];
    let mut ends: Vec<(Value, Value)> = Vec::new();
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        let bench = bench().await;
        for number in order {
            bench.intake.submit(Handed { bytes: versions[number].clone(), ..handed(None) }).await.unwrap();
        }
        let assessment = bench.only("RiskAssessment").await;
        assert_eq!(assessment["status"], "corrected", "{order:?}");
        ends.push((assessment["prediction"].clone(), assessment["note"].clone()));
    }
    assert!(ends.iter().all(|end| *end == ends[0]));
}
