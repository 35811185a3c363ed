//! The structure checks through their public door: which rule, at which pointer.

mod all_types;
mod bundles;
mod elements;
mod examples;
mod mutations;
mod nested;
mod values;

use std::sync::OnceLock;

use serde_json::{Value, json};

use super::Checker;
use crate::definitions::BaseTables;
use crate::issue::Issue;

/// One checker for all tests, so that each schema is compiled once.
fn checker() -> &'static Checker {
    static CHECKER: OnceLock<Checker> = OnceLock::new();
    CHECKER.get_or_init(|| Checker::new(BaseTables::builtin()))
}

/// All issues of a resource, by pointer.
fn issues(value: &Value) -> Vec<Issue> {
    let mut issues = Vec::new();
    checker().check(value, &mut issues);
    issues.sort_by(|a, b| (&a.pointer, &a.rule).cmp(&(&b.pointer, &b.rule)));
    issues
}

/// Rule and pointer of all issues of a resource, by pointer.
fn places(value: &Value) -> Vec<(String, String)> {
    issues(value).into_iter().map(|issue| (issue.rule.into_owned(), issue.pointer)).collect()
}

#[track_caller]
fn assert_places(value: &Value, expected: &[(&str, &str)]) {
    let found = places(value);
    let found: Vec<(&str, &str)> = found.iter().map(|(rule, at)| (rule.as_str(), at.as_str())).collect();
    assert_eq!(found, expected, "{value}");
}

/// An Observation without fault, with the properties of `extra` put over it.
fn observation(extra: Value) -> Value {
    let mut value = json!({
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "https://solewire.example/fhir/CodeSystem/foot-test", "code": "monofilament"}]},
        "subject": {"reference": "Patient/harbour-1"},
        "effectiveDateTime": "2026-03-02T09:30:00+00:00"
    });
    let Value::Object(extra) = extra else { panic!("properties only") };
    for (name, inner) in extra {
        value[name] = inner;
    }
    value
}
