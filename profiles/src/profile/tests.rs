//! Every expectation names the rule and the place; `check` gives them in one order.

mod load;
mod mutation;
mod shipped;
mod sources;

use serde_json::{Value, json};

use super::*;

pub(super) const TEST: &str = "https://solewire.example/fhir/CodeSystem/foot-test";
pub(super) const SITE: &str = "https://solewire.example/fhir/CodeSystem/foot-site";
pub(super) const RESULT: &str = "https://solewire.example/fhir/CodeSystem/foot-result";
pub(super) const RISK: &str = "https://solewire.example/fhir/CodeSystem/foot-risk";
pub(super) const SCT: &str = "http://snomed.info/sct";
pub(super) const FMA: &str = "urn:oid:2.16.840.1.113883.6.119";

pub(super) fn profiles() -> &'static Profiles {
    static PROFILES: OnceLock<Profiles> = OnceLock::new();
    PROFILES.get_or_init(|| Profiles::builtin(terminology()))
}

pub(super) fn terminology() -> Arc<Terminology> {
    static TERMINOLOGY: OnceLock<Arc<Terminology>> = OnceLock::new();
    Arc::clone(TERMINOLOGY.get_or_init(|| Arc::new(Terminology::builtin())))
}

pub(super) fn concept(system: &str, code: &str) -> Value {
    json!({ "coding": [{ "system": system, "code": code }] })
}

pub(super) fn quantity(value: f64, code: &str) -> Value {
    json!({ "value": value, "system": "http://unitsofmeasure.org", "code": code })
}

/// A finding without body site, value or components.
pub(super) fn bare(test: &str) -> Value {
    json!({
        "resourceType": "Observation",
        "status": "final",
        "category": [concept("http://terminology.hl7.org/CodeSystem/observation-category", "exam")],
        "code": concept(TEST, test),
        "subject": { "reference": "Patient/harbourlane-1" }
    })
}

/// `resource` with properties added or replaced; `null` removes one.
pub(super) fn with(mut resource: Value, changes: Value) -> Value {
    let object = resource.as_object_mut().unwrap();
    for (name, value) in changes.as_object().unwrap() {
        match value {
            Value::Null => drop(object.remove(name)),
            _ => drop(object.insert(name.clone(), value.clone())),
        }
    }
    resource
}

/// A finding of the left foot with components.
pub(super) fn grouped(test: &str, components: Value) -> Value {
    with(bare(test), json!({ "bodySite": concept(SITE, "left-foot"), "component": components }))
}

pub(super) fn component(system: &str, code: &str, value: Value) -> Value {
    with(json!({ "code": concept(system, code) }), value)
}

pub(super) fn coded(code: &str) -> Value {
    json!({ "valueCodeableConcept": concept(RESULT, code) })
}

/// Rule and pointer of every issue, sorted.
pub(super) fn found(profiles: &Profiles, resource: &Value) -> Vec<(String, String)> {
    let mut issues = Vec::new();
    profiles.check(resource, "", &mut issues);
    pairs(issues)
}

pub(super) fn pairs(issues: Vec<Issue>) -> Vec<(String, String)> {
    let mut found: Vec<_> =
        issues.into_iter().map(|issue| (issue.rule.into_owned(), issue.pointer)).collect();
    found.sort();
    found.dedup();
    found
}

pub(super) fn issues(resource: &Value) -> Vec<Issue> {
    let mut issues = Vec::new();
    profiles().check(resource, "", &mut issues);
    issues
}

#[track_caller]
pub(super) fn assert_found(resource: &Value, expected: &[(&str, &str)]) {
    let mut expected: Vec<_> =
        expected.iter().map(|(rule, pointer)| ((*rule).to_owned(), (*pointer).to_owned())).collect();
    expected.sort();
    assert_eq!(found(profiles(), resource), expected, "{:#?}", issues(resource));
}
