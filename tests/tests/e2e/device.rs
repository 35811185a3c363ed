//! Results that a device sends alone.

use serde_json::{Value, json};
use solewire_tests::corpus::case;
use solewire_tests::service::{Service, Setup};

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

fn rule(answer: &solewire_tests::client::Answer) -> String {
    answer.json()["issue"][0]["details"]["coding"][0]["code"].as_str().unwrap_or_default().to_owned()
}

/// The result of the corpus at another site.
fn at_site(site: &str) -> String {
    let mut result = case("device-result").json();
    result["identifier"][0]["value"] = json!(format!("HL-DEVICE-RESULT-{site}"));
    result["bodySite"]["coding"][0]["code"] = json!(site);
    result.to_string()
}

#[tokio::test]
async fn s06_a_registered_device_is_held_to_its_tests_and_its_quota() {
    let more = "[devices]\nonly_registered = true\n[[devices.known]]\nid = \"filament-7\"\n\
                identifier = \"https://harbourlane.example/device|HL-DEVICE-07\"\ntests = [\"monofilament-10g\"]\nper_day = 2\n";
    let service = Service::start(Setup { more: more.to_owned(), ..Setup::default() }).await;
    let url = service.url("Observation");
    for site in ["left-hallux-plantar", "left-mth-1"] {
        let answer = service.client.post(&url, at_site(site)).await.expect(201);
        assert_eq!(answer.json()["effectiveDateTime"], "2026-09-30T09:12:30+01:00", "as stated");
        let headers = [("prefer", "return=OperationOutcome")];
        let again =
            service.client.send(reqwest::Method::POST, &url, &headers, at_site(site)).await.expect(200);
        assert!(!again.text.contains("submit-device-clock"), "{}", again.text);
    }
    let over = service.client.post(&url, at_site("left-mth-5")).await.expect(429);
    assert_eq!(rule(&over), "http-device-quota");
    let wait: i64 = over.header("retry-after").unwrap().parse().unwrap();
    assert!((1..=86_401).contains(&wait), "{wait}");
    let mut pulse: Value = serde_json::from_str(&at_site("left-dorsalis-pedis")).unwrap();
    pulse["code"] = json!({ "coding": [{ "system": "https://solewire.example/fhir/CodeSystem/foot-test", "code": "pulse" }] });
    pulse["valueCodeableConcept"]["coding"][0]["code"] = json!("present");
    assert_eq!(rule(&service.client.post(&url, pulse.to_string()).await.expect(422)), "submit-device-test");
    pulse["device"]["identifier"]["value"] = json!("HL-DEVICE-08");
    assert_eq!(
        rule(&service.client.post(&url, pulse.to_string()).await.expect(422)),
        "submit-device-unknown"
    );
    let log = service.log();
    assert!(log.contains("filament-7"), "who runs the service sees which device:\n{log}");
    assert!(!log.contains("HL-PERSON-0020") && !log.contains("HL-VISIT-2026-0020"), "{log}");
}

#[tokio::test]
async fn the_display_of_a_device_asks_how_far_the_exam_has_come() {
    let case = case("device-result");
    let service = Service::start(Setup::default()).await;
    let url = service.url("$progress");
    let named =
        |name: &str, of: &str| json!({ "name": name, "valueIdentifier": case.json()[of]["identifier"] });
    let body = json!({ "resourceType": "Parameters",
                       "parameter": [named("subject", "subject"), named("encounter", "encounter")] });
    drop(service.client.post(&url, body.to_string()).await.expect(404));
    drop(service.client.post(&service.url("Observation"), case.input.clone()).await.expect(201));
    let progress = service.client.post(&url, body.to_string()).await.expect(200);
    assert!(progress.text.len() < 8192, "a small answer: {} bytes", progress.text.len());
    assert!(
        !progress.text.contains("HL-PERSON-0020") && !progress.text.contains("\"felt\""),
        "{}",
        progress.text
    );
    let progress = progress.json();
    let of = |name: &str| -> Vec<Value> {
        let all = progress["parameter"].as_array().unwrap().iter();
        all.filter(|one| one["name"] == name).cloned().collect()
    };
    assert_eq!(of("status")[0]["valueCode"], "open");
    assert_eq!(of("recorded")[0]["part"][2], json!({ "name": "place", "valueCode": "hallux-plantar" }));
    assert_eq!(of("left").len(), 4);
    assert!(of("possible").len() > 1 && !of("missing").is_empty());
    for wrong in [json!({ "resourceType": "Parameters" }), json!({ "resourceType": "Patient" }), json!([])] {
        assert_eq!(rule(&service.client.post(&url, wrong.to_string()).await.expect(400)), "http-request");
    }
    // What it says of itself is a resource of R4.
    let checked =
        service.client.post(&service.url("Parameters/$validate"), progress.to_string()).await.expect(200);
    assert!(!checked.text.contains("\"error\""), "{}", checked.text);
}
