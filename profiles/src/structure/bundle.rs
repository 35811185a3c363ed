//! Rules across the entries of a Bundle: fullUrls and the references that depend on them.

use std::collections::{HashMap, HashSet};

use serde_json::{Map, Value};

use super::{is_full, reference, rules};
use crate::definitions::BaseTables;
use crate::issue::Issue;
use crate::json::push_pointer;

/// Checks one Bundle that stands at `pointer`. Bundles inside it are asked for themselves.
pub(super) fn check(
    tables: &BaseTables,
    bundle: &Map<String, Value>,
    pointer: &str,
    issues: &mut Vec<Issue>,
) {
    let Some(entries) = bundle.get("entry").and_then(Value::as_array) else { return };
    let is_history = bundle.get("type").and_then(Value::as_str) == Some("history");
    let entries_pointer = push_pointer(pointer, "entry");
    let mut seen: HashMap<(&str, Option<&str>), usize> = HashMap::new();
    let mut full_urls: HashSet<&str> = HashSet::new();
    for (number, entry) in entries.iter().enumerate() {
        if is_full(issues) {
            return;
        }
        let Some(full_url) = entry.get("fullUrl").and_then(Value::as_str) else { continue };
        let entry_pointer = push_pointer(&entries_pointer, &number.to_string());
        let full_url_pointer = push_pointer(&entry_pointer, "fullUrl");
        full_urls.insert(full_url);
        let resource = entry.get("resource");
        let version = resource.and_then(|resource| resource.get("meta")?.get("versionId")?.as_str());
        match seen.get(&(full_url, version)) {
            Some(first) if !is_history => {
                let message = format!("Entry {first} (counted from 0) has the same fullUrl and version.");
                issues.push(
                    Issue::new(&rules::FULL_URL_DUPLICATE, full_url_pointer.as_str(), message)
                        .value(&Value::from(full_url)),
                );
            }
            Some(_) => {}
            None => {
                seen.insert((full_url, version), number);
            }
        }
        if let Some(resource) = resource.and_then(Value::as_object)
            && let Some(message) = mismatch(tables, full_url, resource)
        {
            let issue = Issue::new(&rules::FULL_URL_MISMATCH, full_url_pointer, message);
            issues.push(issue.value(&Value::from(full_url)));
        }
    }
    for (number, entry) in entries.iter().enumerate() {
        if let Some(resource) = entry.get("resource") {
            let entry_pointer = push_pointer(&entries_pointer, &number.to_string());
            let mut place = push_pointer(&entry_pointer, "resource");
            unresolved(resource, &full_urls, &mut place, issues);
        }
    }
}

fn mismatch(tables: &BaseTables, full_url: &str, resource: &Map<String, Value>) -> Option<String> {
    let (kind, id, _) = reference::restful(full_url)?;
    if !tables.is_resource_type(kind) {
        // Some other address that happens to have a path; R4 does not say what it would have to agree with.
        return None;
    }
    let text = |name: &str| resource.get(name).and_then(Value::as_str);
    let other = |known: Option<&str>, named: &str| known.is_some_and(|known| known != named);
    match (other(text("resourceType"), kind), other(text("id"), id)) {
        (true, true) => Some("The fullUrl ends in another type and id than its resource has.".to_owned()),
        (true, false) => Some("The fullUrl ends in another type than its resource has.".to_owned()),
        (false, true) => Some("The fullUrl ends in another id than its resource has.".to_owned()),
        (false, false) => None,
    }
}

/// Walks a resource for References by URN that no entry has. `place` is lent: it is as it was at the end.
fn unresolved(value: &Value, full_urls: &HashSet<&str>, place: &mut String, issues: &mut Vec<Issue>) {
    match value {
        _ if is_full(issues) => {}
        Value::Object(object) => {
            // A Bundle resolves its own references.
            if object.get("resourceType").and_then(Value::as_str) == Some("Bundle") {
                return;
            }
            for (name, inner) in object {
                let length = place.len();
                place.push('/');
                place.push_str(&name.replace('~', "~0").replace('/', "~1"));
                match inner.as_str() {
                    Some(text) if name == "reference" && !resolves(text, full_urls) => {
                        let message = "No entry of the Bundle has this fullUrl.";
                        let issue = Issue::new(&rules::REFERENCE_UNRESOLVED, place.as_str(), message);
                        issues.push(issue.value(inner));
                    }
                    _ => unresolved(inner, full_urls, place, issues),
                }
                place.truncate(length);
            }
        }
        Value::Array(items) => {
            for (number, inner) in items.iter().enumerate() {
                let length = place.len();
                place.push('/');
                place.push_str(&number.to_string());
                unresolved(inner, full_urls, place, issues);
                place.truncate(length);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

fn resolves(reference: &str, full_urls: &HashSet<&str>) -> bool {
    let by_urn = reference.starts_with("urn:uuid:") || reference.starts_with("urn:oid:");
    let whole = reference.split_once('#').map_or(reference, |(whole, _)| whole);
    !by_urn || full_urls.contains(whole)
}
