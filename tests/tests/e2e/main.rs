//! End to end: the built programs, a real record system, real HTTP, real signals.
//!
//! `cargo test -p solewire-tests --test e2e`, or one of them: `... --test e2e restart`.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout
)]

mod alerts;
mod batch;
mod capabilities;
mod clock;
mod configuration;
mod contract;
mod corpus;
mod corrections;
mod demo;
mod device;
mod exam;
mod faults;
mod kills;
mod packaging;
mod parallel;
mod repost;
mod restart;
mod simulation;
mod store;
mod traces;
mod upgrade;

use std::time::Duration;

use serde_json::Value;
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::corpus::Case;
use solewire_tests::service::{Service, Setup};

/// How long anything may take that takes no time on an idle machine.
const LIMIT: Duration = Duration::from_secs(60);

/// A record system that knows the person of this document, and the service in front of it.
async fn both(document: &Value) -> (LoopbackRecordSystem, Service) {
    let records = records_for(document);
    let service = Service::start(Setup::with(records.base_url())).await;
    (records, service)
}

/// A record system that knows the person of this document.
fn records_for(document: &Value) -> LoopbackRecordSystem {
    LoopbackRecordSystem::start(&[person(document)]).unwrap()
}

/// The Patient of a document: the entry it brings, or one with the identifier of its subject.
fn person(document: &Value) -> Value {
    let resources: Vec<&Value> = match document["entry"].as_array() {
        Some(entries) => entries.iter().map(|entry| &entry["resource"]).collect(),
        None => vec![document],
    };
    if let Some(patient) = resources.iter().find(|resource| resource["resourceType"] == "Patient") {
        return (*patient).clone();
    }
    let identifier = resources.iter().find_map(|resource| resource.pointer("/subject/identifier"));
    let identifier = identifier.expect("a document that says who it is about");
    serde_json::json!({ "resourceType": "Patient", "identifier": [identifier] })
}

/// Puts a document into the service and expects it to be taken.
async fn submit(service: &Service, case: &Case) -> Value {
    let answer = service.client.post(&service.fhir_url, case.input.clone()).await;
    assert!((200..300).contains(&answer.status), "{}: {} {}", case.name, answer.status, answer.text);
    answer.json()
}

/// The one resource of a type that the service holds.
async fn only(service: &Service, resource_type: &str) -> Value {
    let found = service.client.get(&service.url(resource_type)).await.expect(200).resources();
    assert_eq!(found.len(), 1, "{resource_type}");
    found.into_iter().next().unwrap()
}

/// The categories of an assessment, lowest first.
fn categories(assessment: &Value) -> Vec<&str> {
    let predictions = assessment["prediction"].as_array().expect("predictions");
    predictions
        .iter()
        .map(|prediction| prediction["qualitativeRisk"]["coding"][0]["code"].as_str().expect("a category"))
        .collect()
}

/// `system` and `value` of the first identifier.
fn identifier(resource: &Value) -> Option<(&str, &str)> {
    let identifier = resource.pointer("/identifier/0")?;
    Some((identifier.get("system")?.as_str()?, identifier.get("value")?.as_str()?))
}

/// Every identified resource, all types alike, is in the record system exactly once.
fn assert_once(records: &LoopbackRecordSystem, resource_type: &str, at_least: usize) {
    let stored = records.resources_of(resource_type);
    assert!(stored.len() >= at_least, "{} of at least {at_least} {resource_type}", stored.len());
    for resource in &stored {
        let (system, value) = identifier(resource).expect("an identifier");
        assert_eq!(records.count_by_identifier(resource_type, system, value), 1, "{resource_type} {value}");
    }
}

/// The resource without what a server adds to it.
fn without_server_meta(resource: &Value) -> Value {
    let mut resource = resource.clone();
    if let Some(meta) = resource.get_mut("meta").and_then(Value::as_object_mut) {
        meta.shift_remove("versionId");
        meta.shift_remove("lastUpdated");
        if meta.is_empty() {
            resource.as_object_mut().unwrap().shift_remove("meta");
        }
    }
    resource
}
