//! The same exam again: nothing is made twice.

use reqwest::Method;
use solewire_tests::corpus::case;

use super::{LIMIT, assert_once, both, only, submit};

#[tokio::test]
async fn the_same_exam_again_changes_nothing_and_sends_nothing() {
    let case = case("category-2");
    let (records, service) = both(&case.json()).await;
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    let (writes, before) = (records.write_count(), only(&service, "RiskAssessment").await);
    submit(&service, &case).await;
    assert_eq!(only(&service, "RiskAssessment").await, before, "not even a new version");
    service.delivered(1, LIMIT).await;
    assert_eq!(records.write_count(), writes);
    assert_once(&records, "Observation", 1);
}

#[tokio::test]
async fn a_key_replays_its_answer_and_refuses_another_body() {
    let case = case("category-2");
    let (_records, service) = both(&case.json()).await;
    let key = [("idempotency-key", "\"harbour-lane-1\"")];
    let post = |body: Vec<u8>| service.client.send(Method::POST, &service.fhir_url, &key, body);
    let first = post(case.input.clone()).await.expect(200);
    let second = post(case.input.clone()).await.expect(200);
    assert_eq!(first.json(), second.json());
    let mut other = case.json();
    other["entry"][0]["resource"]["identifier"][0]["value"] = "HL-EXAM-2026-9999".into();
    let refused = post(other.to_string().into_bytes()).await.expect(422);
    assert_eq!(refused.json()["resourceType"], "OperationOutcome");
}
