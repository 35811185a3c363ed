//! Record systems that do not take an exam in one piece.

use serde_json::{Value, json};
use solewire_service::loopback::{Answer, Behaviour, When};

use super::bench::{Bench, corrected, exam, quick, records, with_status};

const CREATE: &str = "write = \"create\"";

#[tokio::test]
async fn resources_go_one_by_one_each_after_what_it_refers_to() {
    let bench = Bench::start(records(), CREATE, quick()).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.assert_once(1);
    let writes: Vec<_> = bench.records.requests().into_iter().filter(|request| request.is_write()).collect();
    assert_eq!(writes.len(), 32);
    assert!(writes.iter().all(|request| request.header("if-none-exist").is_some()));
    let kinds: Vec<&str> = writes.iter().map(|request| request.target.trim_start_matches("/fhir/")).collect();
    let place = |kind: &str| kinds.iter().position(|other| *other == kind).unwrap();
    assert!(place("RiskAssessment") < place("ServiceRequest") || place("RiskAssessment") > 0);
    let last: Value = serde_json::from_slice(&writes[31].body).unwrap();
    assert_eq!(last["resourceType"], "Provenance", "it refers to all the others");
    let panel = bench
        .records
        .resources_of("Observation")
        .into_iter()
        .find(|resource| resource.get("hasMember").is_some());
    let panel = panel.unwrap();
    assert_eq!(panel["subject"]["reference"], "Patient/person-1");
    assert!(panel["hasMember"][0]["reference"].as_str().unwrap().starts_with("Observation/"));
}

#[tokio::test]
async fn a_break_at_any_point_is_taken_up_where_it_was() {
    let bench = Bench::start(records(), CREATE, quick()).await;
    for number in 0..32 {
        bench.records.script(
            When::Writes,
            if number % 2 == 0 { Behaviour::CloseAfterCommit } else { Behaviour::Close },
        );
    }
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.assert_once(1);
    // 16 breaks lost the answer of what is there, 16 the resource; only these are sent again.
    assert_eq!(bench.records.write_count(), 32 + 16);
}

#[tokio::test]
async fn a_process_that_stops_in_the_middle_goes_on_where_it_was() {
    let mut bench = Bench::start(records(), CREATE, super::bench::once()).await;
    for _ in 0..9 {
        bench.records.script(When::Writes, Behaviour::Delay(std::time::Duration::ZERO));
    }
    bench.records.script(When::Writes, Behaviour::CloseAfterCommit);
    bench.submit(&exam(1)).await;
    bench.until(1, "unknown-outcome").await;
    assert_eq!(bench.records.resources_of("Observation").len(), 10);
    bench.stop().await;
    bench.run(CREATE, quick()).await;
    // Its own wait is long here; an operator cuts it short.
    drop(bench.replay(1, "").await.expect(200));
    bench.until(1, "delivered").await;
    assert_eq!(bench.records.write_count(), 32);
    bench.assert_once(1);
}

#[tokio::test]
async fn corrections_and_withdrawals_replace_one_by_one() {
    let bench = Bench::start(records(), CREATE, quick()).await;
    bench.submit(&exam(1)).await;
    bench.submit(&corrected(1)).await;
    bench.submit(&with_status(exam(1), "entered-in-error")).await;
    bench.until(3, "delivered").await;
    bench.assert_once(1);
    assert_eq!(bench.records.resources_of("RiskAssessment")[0]["status"], "entered-in-error");
}

#[tokio::test]
async fn one_that_is_refused_is_named_and_what_builds_on_it_is_not_sent() {
    let bench = Bench::start(records(), CREATE, quick()).await;
    for _ in 0..3 {
        bench.records.script(When::Writes, Behaviour::Delay(std::time::Duration::ZERO));
    }
    let refusal = Answer::status(422).outcome("business-rule", "No.", Some("Observation.status"));
    bench.records.script(When::Writes, Behaviour::Answer(refusal));
    bench.submit(&exam(1)).await;
    let parked = bench.until(1, "parked").await;
    let text = parked["remoteOutcome"]["issue"][0]["details"]["text"].as_str().unwrap();
    assert!(text.starts_with("Observation/") && text.ends_with(", status"), "{text}");
    assert_eq!(bench.records.resources_of("RiskAssessment").len(), 0);
    assert_eq!(bench.records.resources_of("Observation").len(), 3);
}

#[tokio::test]
async fn a_person_whom_the_record_system_does_not_know_parks_the_exam_before_anything_is_sent() {
    let bench = Bench::start(records(), CREATE, quick()).await;
    bench.submit(&exam(99)).await;
    assert_eq!(bench.until(1, "parked").await["failure"], "person-unknown");
    assert_eq!(bench.records.write_count(), 0);
}

#[tokio::test]
async fn an_exam_over_the_limit_goes_in_pieces_with_its_conclusions_last() {
    let bench = Bench::start(records(), "max_entries = 10", quick()).await;
    bench.records.limit_entries(Some(10));
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.assert_once(1);
    let bundles: Vec<Value> = bench
        .records
        .requests()
        .iter()
        .filter(|request| request.is_write())
        .map(|request| serde_json::from_slice(&request.body).unwrap())
        .collect();
    let (last, before) = bundles.split_last().unwrap();
    let kinds = |bundle: &Value| -> Vec<String> {
        let entries = bundle["entry"].as_array().unwrap();
        entries.iter().map(|entry| entry["resource"]["resourceType"].as_str().unwrap().to_owned()).collect()
    };
    assert!(before.len() >= 2);
    assert!(before.iter().flat_map(kinds).all(|kind| kind == "Observation"));
    assert!(
        before.iter().all(|bundle| !bundle.to_string().contains("hasMember")),
        "no panel before its results"
    );
    assert_eq!(kinds(last).len(), 4);
    bench.submit(&corrected(1)).await;
    bench.until(2, "delivered").await;
    bench.assert_once(1);
}

#[tokio::test]
async fn a_break_between_the_pieces_makes_nothing_twice() {
    let bench = Bench::start(records(), "max_entries = 10", quick()).await;
    bench.records.script(When::Writes, Behaviour::CloseAfterCommit);
    bench.records.script(When::Writes, Behaviour::Close);
    bench.records.script(When::Writes, Behaviour::TruncateAfterCommit);
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.assert_once(1);
}

#[tokio::test]
async fn an_exam_that_turns_out_too_large_for_the_record_system_is_parked() {
    let bench = Bench::usual().await;
    bench.records.limit_entries(Some(10));
    bench.submit(&exam(1)).await;
    let parked = bench.until(1, "parked").await;
    assert_eq!((&parked["failure"], &parked["remoteStatus"]), (&json!("too-large"), &json!(413)));
}
