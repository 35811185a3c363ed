//! Results that a device sends alone.

use serde_json::Value;
use solewire_tests::corpus::case;

use super::{LIMIT, assert_once, both, categories, only};

#[tokio::test]
async fn a_result_posted_alone_belongs_to_the_exam_of_its_encounter() {
    let case = case("device-result");
    let mut result = case.json();
    let (records, service) = both(&result).await;
    let first = service.client.post(&service.url("Observation"), case.input.clone()).await.expect(201);
    assert!(first.header("location").is_some_and(|location| location.contains("Observation/")));
    let before = only(&service, "RiskAssessment").await;
    assert_eq!(before["status"], "preliminary");
    assert_eq!(categories(&before)[1], "iwgdf-2023.active");

    let at = |result: &mut Value, pointer: &str, to: &str| *result.pointer_mut(pointer).unwrap() = to.into();
    at(&mut result, "/identifier/0/value", "HL-DEVICE-RESULT-0021");
    at(&mut result, "/bodySite/coding/0/code", "right-hallux-plantar");
    at(&mut result, "/valueCodeableConcept/coding/0/code", "not-felt");
    let second = service.client.post(&service.url("Observation"), result.to_string()).await;
    assert_eq!(second.status, 201, "{}", second.text);
    let after = only(&service, "RiskAssessment").await;
    assert_eq!(after["id"], before["id"], "the same exam, so the same assessment");
    assert_eq!(categories(&after)[0], "iwgdf-2023.1", "a site not felt is a loss of protective sensation");

    service.delivered(2, LIMIT).await;
    assert_once(&records, "Observation", 2);
    assert_once(&records, "RiskAssessment", 1);
    assert_eq!(records.resources_of("RiskAssessment").len(), 1);
}

#[tokio::test]
async fn a_result_without_an_encounter_is_refused_by_name() {
    let mut result = case("device-result").json();
    let (_records, service) = both(&result).await;
    result.as_object_mut().unwrap().shift_remove("encounter");
    let answer = service.client.post(&service.url("Observation"), result.to_string()).await.expect(422);
    assert_eq!(answer.json()["issue"][0]["details"]["coding"][0]["code"], "exam-encounter-missing");
    let stored = service.client.get(&service.url("Observation")).await.expect(200).resources();
    assert_eq!(stored, Vec::<Value>::new());
}
