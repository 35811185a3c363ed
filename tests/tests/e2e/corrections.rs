//! Corrections and withdrawals of stored results, one by one and of a whole exam, to the record system.

use reqwest::Method;
use serde_json::{Value, json};
use solewire_tests::client::Answer;
use solewire_tests::corpus::case;
use solewire_tests::service::Service;

use super::{LIMIT, both, categories, identifier, only, submit};

/// The current Observations of a test (`foot-test`) as they are read.
async fn results(service: &Service, test: &str) -> Vec<Value> {
    let url =
        service.url(&format!("Observation?code=https://solewire.example/fhir/CodeSystem/foot-test|{test}"));
    service.client.get(&url).await.expect(200).resources()
}

async fn put(service: &Service, body: &Value, if_match: Option<&str>) -> Answer {
    let url = service.url(&format!("Observation/{}", body["id"].as_str().unwrap()));
    let headers: Vec<(&str, &str)> = if_match.iter().map(|tag| ("if-match", *tag)).collect();
    service.client.send(Method::PUT, &url, &headers, body.to_string()).await
}

fn rule(answer: &Answer) -> String {
    answer.json()["issue"][0]["details"]["coding"][0]["code"].as_str().unwrap_or_default().to_owned()
}

async fn versions(service: &Service, reference: &str) -> Vec<Value> {
    service.client.get(&service.url(&format!("{reference}/_history"))).await.expect(200).resources()
}

/// An exam with pulses, one of which is set to absent with a new status.
fn with_absent_pulse(mut pulse: Value, status: &str) -> Value {
    pulse["status"] = json!(status);
    pulse["component"][0]["valueCodeableConcept"] = json!({ "coding": [
        { "system": "https://solewire.example/fhir/CodeSystem/foot-result", "code": "absent" }] });
    pulse
}

#[tokio::test]
async fn n3_one_finding_is_amended_corrected_and_withdrawn_and_the_record_system_holds_what_stands() {
    let case = case("complete-normal");
    let (records, service) = both(&case.json()).await;
    submit(&service, &case).await;
    assert_eq!(categories(&only(&service, "RiskAssessment").await), ["iwgdf-2023.0"]);
    let normal = results(&service, "pulse").await[0].clone();
    let id = normal["id"].as_str().unwrap().to_owned();

    let amended =
        put(&service, &with_absent_pulse(normal.clone(), "amended"), Some("W/\"1\"")).await.expect(200);
    assert_eq!(amended.header("etag"), Some("W/\"2\""));
    assert_eq!(amended.json()["status"], "amended");
    let assessment = only(&service, "RiskAssessment").await;
    assert_eq!((categories(&assessment), &assessment["status"]), (vec!["iwgdf-2023.1"], &json!("amended")));

    let mut corrected = normal.clone();
    corrected["status"] = json!("corrected");
    drop(put(&service, &corrected, Some("W/\"2\"")).await.expect(200));
    assert_eq!(categories(&only(&service, "RiskAssessment").await), ["iwgdf-2023.0"]);

    let mut withdrawn = normal.clone();
    withdrawn["status"] = json!("entered-in-error");
    drop(put(&service, &withdrawn, Some("\"3\"")).await.expect(200));
    let assessment = only(&service, "RiskAssessment").await;
    assert_eq!(assessment["status"], "preliminary", "what was withdrawn is unknown, and not normal");
    assert!(categories(&assessment).len() > 1);
    let basis = assessment["basis"].to_string();
    assert!(!basis.contains(&id), "a withdrawn result is the basis of nothing");

    // Each version can be read, the newest first, and each assessment names the one it replaces.
    let statuses: Vec<Value> = versions(&service, &format!("Observation/{id}"))
        .await
        .into_iter()
        .map(|version| version["status"].clone())
        .collect();
    assert_eq!(statuses, ["entered-in-error", "corrected", "amended", "final"]);
    let provenance = only(&service, "Provenance").await;
    let mut chain = versions(&service, &format!("Provenance/{}", provenance["id"].as_str().unwrap())).await;
    chain.reverse();
    for (number, version) in chain.iter().enumerate().skip(1) {
        let revised =
            version["entity"].as_array().unwrap().iter().find(|entity| entity["role"] == "revision");
        let reference = revised.unwrap()["what"]["reference"].as_str().unwrap();
        assert!(reference.ends_with(&format!("/_history/{number}")), "{reference}");
    }

    service.delivered(4, LIMIT).await;
    let there: Vec<Value> = records
        .resources_of("Observation")
        .into_iter()
        .filter(|one| identifier(one) == identifier(&service_view(&normal)))
        .collect();
    assert_eq!(there.len(), 1);
    assert_eq!(there[0]["status"], "entered-in-error");
    assert_eq!(records.resources_of("RiskAssessment").len(), 1);
    assert_eq!(records.resources_of("RiskAssessment")[0]["prediction"], assessment["prediction"]);
}

/// A result with the identifier that it has in the record system.
fn service_view(result: &Value) -> Value {
    let mut result = result.clone();
    if identifier(&result).is_none() {
        let system = "https://solewire.example/fhir/identifier/finding";
        result["identifier"] = json!([{ "system": system, "value": result["id"] }]);
    }
    result
}

#[tokio::test]
async fn n3_a_withdrawn_panel_voids_every_result_in_the_record_system_and_says_nothing_clinical() {
    let case = case("category-2");
    let (records, service) = both(&case.json()).await;
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    let mut panel = results(&service, "foot-exam").await[0].clone();
    panel["status"] = json!("entered-in-error");
    drop(put(&service, &panel, Some("W/\"1\"")).await.expect(200));
    assert_eq!(only(&service, "RiskAssessment").await["status"], "entered-in-error");
    service.delivered(2, LIMIT).await;
    for kind in ["Observation", "RiskAssessment", "ServiceRequest"] {
        let there = records.resources_of(kind);
        assert!(!there.is_empty());
        for resource in there {
            assert_eq!(resource["status"], "entered-in-error", "{kind}");
            let told = ["component", "valueCodeableConcept", "valueQuantity", "prediction", "note", "text"];
            assert!(told.iter().all(|name| resource.get(name).is_none()), "{resource:#}");
        }
    }
    // The same exam once more: the original comes late and changes nothing.
    let answer = submit(&service, &case).await;
    let warned = answer["entry"][0]["response"]["outcome"].to_string();
    assert!(warned.contains("submit-late-original"), "{warned}");
    assert_eq!(only(&service, "RiskAssessment").await["status"], "entered-in-error");
    assert_eq!(service.delivery_states().await.len(), 2);
}

#[tokio::test]
async fn n21_an_update_needs_the_version_it_replaces_and_the_resource_it_names() {
    let case = case("complete-normal");
    let (_records, service) = both(&case.json()).await;
    submit(&service, &case).await;
    let normal = results(&service, "pulse").await[0].clone();
    let amended = with_absent_pulse(normal.clone(), "amended");

    assert_eq!(rule(&put(&service, &amended, None).await.expect(428)), "http-if-match-missing");
    for tag in ["*", "1", "W/\"1\", W/\"2\"", "\"x\"", "\"0\""] {
        assert_eq!(rule(&put(&service, &amended, Some(tag)).await.expect(400)), "http-request", "{tag}");
    }
    assert_eq!(rule(&put(&service, &amended, Some("W/\"2\"")).await.expect(412)), "http-if-match");

    let url = service.url(&format!("Observation/{}", normal["id"].as_str().unwrap()));
    let first = [("if-match", "W/\"1\"")];
    let mut other = amended.clone();
    other["id"] = json!("0b9d5c4e-7a55-4f3a-9f0e-2f6a1f9a7c11");
    let answer = service.client.send(Method::PUT, &url, &first, other.to_string()).await.expect(400);
    assert_eq!(rule(&answer), "submit-resource-id");
    // An id of a caller's own making is not taken, whether or not it is a UUID.
    drop(put(&service, &other, Some("W/\"1\"")).await.expect(404));
    other["id"] = json!("pulse-1");
    drop(put(&service, &other, Some("W/\"1\"")).await.expect(404));
    // What is derived is nobody's to change.
    let assessment = only(&service, "RiskAssessment").await;
    let url = service.url(&format!("RiskAssessment/{}", assessment["id"].as_str().unwrap()));
    drop(service.client.send(Method::PUT, &url, &first, assessment.to_string()).await.expect(405));

    for (element, value) in [
        (
            "subject",
            json!({ "type": "Patient", "identifier": { "system": "https://harbourlane.example/person", "value": "HL-PERSON-9999" } }),
        ),
        (
            "encounter",
            json!({ "type": "Encounter", "identifier": { "system": "https://harbourlane.example/visit", "value": "HL-VISIT-9999" } }),
        ),
        (
            "identifier",
            json!([{ "system": "https://harbourlane.example/results", "value": "HL-RESULT-9999" }]),
        ),
    ] {
        let mut moved = amended.clone();
        moved[element] = value;
        let answer = put(&service, &moved, Some("W/\"1\"")).await.expect(422);
        assert_eq!(rule(&answer), "submit-update-identity", "{element}");
    }
    assert_eq!(versions(&service, &format!("Observation/{}", normal["id"].as_str().unwrap())).await.len(), 1);

    // Twenty at once: one replaces the version, and the others learn that they have not seen the newest.
    let mut under_way = tokio::task::JoinSet::new();
    for number in 0..20 {
        let mut body = amended.clone();
        body["note"] = json!([{ "text": format!("by examiner {number}") }]);
        let (client, url) =
            (service.client.clone(), service.url(&format!("Observation/{}", body["id"].as_str().unwrap())));
        under_way.spawn(async move {
            client.send(Method::PUT, &url, &[("if-match", "W/\"1\"")], body.to_string()).await.status
        });
    }
    let mut statuses = under_way.join_all().await;
    statuses.sort_unstable();
    assert_eq!((statuses[0], &statuses[1..]), (200, [412; 19].as_slice()));
}

#[tokio::test]
async fn an_update_that_is_sent_twice_is_answered_as_made() {
    let case = case("complete-normal");
    let (_records, service) = both(&case.json()).await;
    submit(&service, &case).await;
    let amended = with_absent_pulse(results(&service, "pulse").await[0].clone(), "amended");
    for _ in 0..2 {
        let answer = put(&service, &amended, Some("W/\"1\"")).await.expect(200);
        assert_eq!(answer.header("etag"), Some("W/\"2\""));
    }
    service.delivered(2, LIMIT).await;
    assert_eq!(service.delivery_states().await.len(), 2);
}
