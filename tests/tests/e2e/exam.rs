//! An exam posted over HTTP: what follows from it, where it can be read, and that the command line says the same.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::{Value, json};
use solewire_tests::corpus::case;
use solewire_tests::service::{Service, Setup};
use solewire_tests::{binaries, process};

use super::{LIMIT, assert_once, both, categories, identifier, only, submit, without_server_meta};

/// The type and id of the first resource that a transaction answer names.
fn first_location(answer: &Value) -> String {
    let location = answer["entry"][0]["response"]["location"].as_str().expect("a location");
    let parts: Vec<&str> = location.split('/').collect();
    let at = parts.iter().position(|part| *part == "Observation").expect("an Observation");
    parts[at..at + 2].join("/")
}

/// The query that finds what is about the subject of a resource.
fn by_subject(resource: &Value) -> String {
    let subject = &resource["subject"];
    let mut query = url::form_urlencoded::Serializer::new(String::new());
    match subject["reference"].as_str() {
        Some(reference) => query.append_pair("subject", reference),
        None => {
            let of = |name: &str| subject["identifier"][name].as_str().expect("an identifier").to_owned();
            query.append_pair("subject:identifier", &format!("{}|{}", of("system"), of("value")))
        }
    };
    query.finish()
}

#[tokio::test]
async fn a_category_2_exam_is_assessed_and_reaches_the_record_system() {
    let case = case("category-2");
    let document = case.json();
    let (records, service) = both(&document).await;
    let answer = submit(&service, &case).await;
    assert_eq!(answer["type"], "transaction-response");
    let (sent, answered) = (document["entry"].as_array().unwrap(), answer["entry"].as_array().unwrap());
    assert_eq!(sent.len(), answered.len(), "one answer for each entry");

    let panel = service.client.get(&service.url(&first_location(&answer))).await.expect(200).json();
    assert_eq!(panel["code"]["coding"][0]["code"], "foot-exam");
    let url = service.url(&format!("RiskAssessment?{}", by_subject(&panel)));
    let found = service.client.get(&url).await.expect(200).resources();
    assert_eq!(found.len(), 1);
    let assessment = &found[0];
    assert_eq!(assessment["status"], "final");
    assert_eq!(categories(assessment), ["iwgdf-2023.2"]);
    let codes = assessment["code"]["coding"].as_array().unwrap();
    assert!(codes.iter().any(|coding| coding["code"] == "394683006"));
    let outcome = answer["entry"][0]["response"]["outcome"].to_string();
    assert!(
        outcome.contains(assessment["id"].as_str().unwrap()) && outcome.contains("iwgdf-2023.2"),
        "{outcome}"
    );

    // Every 3 to 6 months (IWGDF 2023), from the 16th of September.
    let recall = only(&service, "ServiceRequest").await;
    let date = |end: &str| recall["occurrencePeriod"][end].as_str().unwrap()[..7].to_owned();
    assert_eq!((date("start"), date("end")), ("2026-12".to_owned(), "2027-03".to_owned()));
    assert_eq!(recall["intent"], "proposal");

    service.delivered(1, LIMIT).await;
    let observations = sent.iter().filter(|entry| entry["resource"]["resourceType"] == "Observation").count();
    assert_once(&records, "Observation", observations);
    assert_once(&records, "RiskAssessment", 1);
    assert_once(&records, "ServiceRequest", 1);
    assert_eq!(records.resources_of("Observation").len(), observations);
    assert_eq!(records.resources_of("Provenance").len(), 1);
    assert_eq!(records.resources_of("Patient").len(), 1, "the service makes no Patient");
    let there = &records.resources_of("RiskAssessment")[0];
    assert_eq!(identifier(there), identifier(assessment));
    assert_eq!(there["prediction"], assessment["prediction"]);
    assert_eq!(there["note"], assessment["note"]);
    assert_eq!(there["basis"].as_array().unwrap().len(), assessment["basis"].as_array().unwrap().len());
}

/// Nothing about a person may stand in an address or a log, and an exam is full of it.
#[tokio::test]
async fn the_log_tells_nothing_of_the_exam() {
    let case = case("category-2");
    let (_records, service) = both(&case.json()).await;
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    let log = service.log();
    for value in ["HL-PERSON-0004", "HL-EXAM-2026-0004", "HL-VISIT-2026-0004", "Sandshoe", "1958-04-01"] {
        assert!(!log.contains(value), "{value} is in the log:\n{log}");
    }
}

#[tokio::test]
async fn the_command_line_derives_the_same_resources_byte_for_byte() {
    let case = case("category-2");
    let service = Service::start(Setup::default()).await;
    submit(&service, &case).await;
    let mut stored = BTreeMap::new();
    for resource_type in ["RiskAssessment", "ServiceRequest", "Provenance"] {
        let found = service.client.get(&service.url(resource_type)).await.expect(200).resources();
        for resource in found.iter().map(without_server_meta) {
            let id = resource["id"].as_str().unwrap().to_owned();
            stored.insert(format!("{resource_type}/{id}"), resource.to_string());
        }
    }
    let provenance = only(&service, "Provenance").await;
    let at = provenance["recorded"].as_str().unwrap();

    let path = case.path.to_str().unwrap();
    let arguments = ["assess", "--format", "json", "--at", at, path];
    let ran = process::run(&binaries::solewire_check(), &arguments, Path::new("."), LIMIT);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    let bundle: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(bundle["type"], "collection");
    let mut derived = BTreeMap::new();
    for entry in bundle["entry"].as_array().unwrap() {
        let resource = without_server_meta(&entry["resource"]);
        let of = |name: &str| resource[name].as_str().unwrap().to_owned();
        derived.insert(format!("{}/{}", of("resourceType"), of("id")), resource.to_string());
    }
    assert_eq!(stored, derived);
}

#[tokio::test]
async fn assess_derives_without_storing() {
    let case = case("category-2");
    let service = Service::start(Setup::default()).await;
    let answer = service.client.post(&service.url("$assess"), case.input.clone()).await.expect(200);
    let derived = answer.resources();
    let assessment = derived.iter().find(|resource| resource["resourceType"] == "RiskAssessment").unwrap();
    assert_eq!(categories(assessment), ["iwgdf-2023.2"]);
    for resource_type in ["Observation", "RiskAssessment", "ServiceRequest", "Provenance"] {
        let found = service.client.get(&service.url(resource_type)).await.expect(200).resources();
        assert_eq!(found, Vec::<Value>::new(), "{resource_type}");
    }
}

/// The document without the results of these tests.
fn without(document: &Value, tests: &[&str]) -> Value {
    let of_these = |entry: &Value| {
        let codings = entry["resource"]["code"]["coding"].as_array();
        let codes = codings.into_iter().flatten().filter_map(|coding| coding["code"].as_str());
        codes.into_iter().any(|code| tests.contains(&code))
    };
    let mut document = document.clone();
    let entries = document["entry"].as_array_mut().unwrap();
    let gone: Vec<Value> =
        entries.iter().filter(|entry| of_these(entry)).map(|entry| entry["fullUrl"].clone()).collect();
    assert!(gone.len() >= tests.len(), "each of them is in the document");
    entries.retain(|entry| !of_these(entry));
    for entry in entries.iter_mut() {
        if let Some(members) = entry.pointer_mut("/resource/hasMember").and_then(Value::as_array_mut) {
            members.retain(|member| !gone.contains(&member["reference"]));
        }
    }
    document
}

/// What is not recorded is unknown, and never normal.
#[tokio::test]
async fn without_the_monofilament_the_result_is_a_range() {
    let document = without(&case("category-2").json(), &["monofilament-10g"]);
    let service = Service::start(Setup::default()).await;
    let answer = service.client.post(&service.fhir_url, document.to_string()).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    let assessment = only(&service, "RiskAssessment").await;
    assert_eq!(assessment["status"], "preliminary");
    let range = categories(&assessment);
    assert_eq!(range.len(), 2, "lowest and highest: {range:?}");
    assert_ne!(range[0], range[1]);
    let rationale = |number: usize| assessment["prediction"][number]["rationale"].as_str().unwrap();
    assert!(rationale(0).starts_with("lowest:") && rationale(1).starts_with("highest:"));
    let notes = json!(assessment["note"]).to_string().to_lowercase();
    assert!(notes.contains("monofilament"), "the missing test is named: {notes}");
}
