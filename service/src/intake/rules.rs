//! What a submission must be beside valid, by the rules of handing in.

use std::borrow::Cow;

use serde_json::Value;
use solewire_profiles::issue::Issue;
use solewire_profiles::submit::{
    SUBMIT_BUNDLE_TYPE, SUBMIT_CRITERION, SUBMIT_DERIVED, SUBMIT_NAME_TOO_LONG, SUBMIT_REQUEST,
    SUBMIT_RESOURCE_TYPE,
};

/// In bytes. An index of PostgreSQL takes rows of up to 2,704, and one of them holds two names with their systems.
const LONGEST_NAME: usize = 512;

/// The types of what follows from an exam and of what is kept about it.
const MADE_HERE: [&str; 4] = ["RiskAssessment", "ServiceRequest", "Provenance", "AuditEvent"];

/// The issues of a document handed in as a transaction.
pub(super) fn check_transaction(bundle: &Value) -> Vec<Issue> {
    let text = |name| bundle.get(name).and_then(Value::as_str);
    if text("resourceType") != Some("Bundle") {
        let message = "The document is not a Bundle; this address takes transaction Bundles.";
        return vec![Issue::new(&SUBMIT_BUNDLE_TYPE, "/resourceType", message)];
    }
    if text("type") != Some("transaction") {
        let message = match text("type") {
            Some("collection") => "A collection Bundle is a file format; it does not ask to store anything.",
            _ => "The Bundle is not of type transaction.",
        };
        return vec![Issue::new(&SUBMIT_BUNDLE_TYPE, "/type", message)];
    }
    let entries = bundle.get("entry").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    let entries = entries.iter().enumerate();
    entries
        .flat_map(|(number, entry)| check_request(number, entry).into_iter().chain(derived(number, entry)))
        .collect()
}

/// What the service alone makes, in an entry of the document.
fn derived(number: usize, entry: &Value) -> Option<Issue> {
    let resource_type = entry.pointer("/resource/resourceType").and_then(Value::as_str)?;
    MADE_HERE.contains(&resource_type).then(|| {
        let message =
            format!("This {resource_type} is neither stored nor sent on: the service makes its own.");
        Issue::new(&SUBMIT_DERIVED, format!("/entry/{number}/resource"), message)
    })
}

fn check_request(number: usize, entry: &Value) -> Option<Issue> {
    let resource_type = entry.pointer("/resource/resourceType").and_then(Value::as_str)?;
    let request = |name: &str| entry.get("request")?.get(name)?.as_str();
    let issue = |name: &str, message: &'static str| {
        Some(Issue::new(&SUBMIT_REQUEST, format!("/entry/{number}/request/{name}"), message))
    };
    let url = request("url").unwrap_or_default();
    match request("method") {
        Some("POST") if url == resource_type => None,
        Some("POST") => {
            issue("url", "The url of a POST is the type of the entry's resource and nothing else.")
        }
        Some("PUT") => {
            let rest = url.strip_prefix(resource_type);
            match rest {
                Some(rest) if rest.starts_with(['/', '?']) => None,
                _ => issue("url", "The url of a PUT begins with the type of the entry's resource."),
            }
        }
        _ => issue("method", "The method is neither POST nor PUT."),
    }
}

/// The issues of names that no index takes: of the resource alone, or of each in a Bundle.
pub(super) fn check_names(document: &Value) -> Vec<Issue> {
    let mut issues = Vec::new();
    match document.get("entry").and_then(Value::as_array) {
        Some(entries) => {
            for (number, entry) in entries.iter().enumerate() {
                if let Some(resource) = entry.get("resource") {
                    check_names_of(resource, &format!("/entry/{number}/resource"), &mut issues);
                }
            }
        }
        None => check_names_of(document, "", &mut issues),
    }
    issues
}

fn check_names_of(resource: &Value, pointer: &str, issues: &mut Vec<Issue>) {
    for element in ["identifier", "subject", "encounter", "code", "target"] {
        if let Some(value) = resource.get(element) {
            check_texts(value, &format!("{pointer}/{element}"), issues);
        }
    }
}

fn check_texts(value: &Value, pointer: &str, issues: &mut Vec<Issue>) {
    match value {
        Value::Array(items) => {
            for (number, item) in items.iter().enumerate() {
                check_texts(item, &format!("{pointer}/{number}"), issues);
            }
        }
        Value::Object(members) => {
            for (name, member) in members {
                let pointer = format!("{pointer}/{name}");
                match member {
                    Value::String(text) if names(name) && text.len() > LONGEST_NAME => {
                        let message =
                            format!("It is {} bytes long; the most are {LONGEST_NAME}.", text.len());
                        issues.push(Issue::new(&SUBMIT_NAME_TOO_LONG, pointer, message));
                    }
                    Value::Array(_) | Value::Object(_) => check_texts(member, &pointer, issues),
                    _ => {}
                }
            }
        }
        _ => {}
    }
}

/// Whether things are found by the text of this member.
fn names(member: &str) -> bool {
    matches!(member, "system" | "value" | "code" | "reference" | "type")
}

/// An issue of an entry's criterion.
pub(super) fn criterion_issue(pointer: String) -> Issue {
    Issue::new(&SUBMIT_CRITERION, pointer, "The criterion is not one identifier with its system.")
}

/// The issue of a resource sent to the address of another type.
pub(super) fn type_issue(expected: &str) -> Issue {
    let mut issue = Issue::new(&SUBMIT_RESOURCE_TYPE, "/resourceType", "The resource is not of this type.");
    issue.message = format!("This address takes a resource of type {expected}.");
    issue.mend = Cow::Borrowed(SUBMIT_RESOURCE_TYPE.mend);
    issue
}
