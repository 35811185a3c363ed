//! What a submission must be beside valid, by the rules of handing in.

use std::borrow::Cow;

use serde_json::Value;
use solewire_profiles::issue::Issue;
use solewire_profiles::submit::{SUBMIT_BUNDLE_TYPE, SUBMIT_CRITERION, SUBMIT_REQUEST, SUBMIT_RESOURCE_TYPE};

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
    entries.iter().enumerate().filter_map(|(number, entry)| check_request(number, entry)).collect()
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
