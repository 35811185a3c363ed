//! Exams that no panel closes, over a restart of the service.

use std::time::{Duration, Instant};

use serde_json::{Value, json};
use solewire_service::clock::Clock;
use solewire_tests::corpus::case;
use solewire_tests::process::POLL;

use super::bench::{Bench, LIMIT, quick, records_of};

const MORE: &str = "[exam]\nquiet_minutes = 30";

/// The first note of the one assessment.
async fn first_note(bench: &Bench) -> String {
    let found =
        bench.client.get(&format!("{}/RiskAssessment", bench.fhir_url())).await.expect(200).resources();
    assert_eq!(found.len(), 1);
    found[0]["note"][0]["text"].as_str().unwrap().to_owned()
}

async fn until_closed(bench: &Bench) {
    let deadline = Instant::now() + LIMIT;
    while !first_note(bench).await.starts_with("The exam was closed without a panel") {
        assert!(Instant::now() < deadline, "still {}", first_note(bench).await);
        tokio::time::sleep(POLL).await;
    }
}

fn result(visit: &str) -> String {
    let mut result: Value = case("device-result").json();
    result["subject"]["identifier"]["value"] = json!("HL-PERSON-0001");
    result["encounter"]["identifier"]["value"] = json!(visit);
    result["identifier"][0]["value"] = json!(visit);
    result.to_string()
}

#[tokio::test]
async fn an_exam_that_went_quiet_while_the_service_was_down_is_closed_once_after_the_start() {
    let mut bench = Bench::start(records_of(1), "", quick()).await;
    bench.stop().await;
    let clock = Clock::held_at("2026-11-25T12:00:00Z".parse().unwrap());
    bench.clock = clock.clone();
    bench.run(MORE, quick()).await;
    let url = format!("{}/Observation", bench.fhir_url());
    drop(bench.client.post(&url, result("HL-VISIT-1")).await.expect(201));
    bench.until(1, "delivered").await;
    clock.advance(Duration::from_secs(1799));
    bench.stop().await;
    bench.run(MORE, quick()).await;
    // One round at the least has gone by.
    tokio::time::sleep(Duration::from_millis(200)).await;
    assert!(first_note(&bench).await.starts_with("The exam is open"));
    bench.stop().await;
    clock.advance(Duration::from_secs(1));
    bench.run(MORE, quick()).await;
    until_closed(&bench).await;
    bench.until(2, "delivered").await;
    let there = &bench.records.resources_of("RiskAssessment")[0];
    assert_eq!(there["status"], "preliminary", "one site is no exam");
    assert!(there["note"][0]["text"].as_str().unwrap().starts_with("The exam was closed"));
    bench.stop().await;
    bench.run(MORE, quick()).await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    let list = bench.client.get(&bench.operations("/operations/deliveries")).await.expect(200).json();
    assert_eq!(list["deliveries"].as_array().unwrap().len(), 2, "once");
}
