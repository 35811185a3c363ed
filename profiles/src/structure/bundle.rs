//! Rules across the entries of a Bundle: the fullUrls that references depend on.

use std::collections::HashMap;

use serde_json::{Map, Value};

use super::{is_full, reference, rules};
use crate::definitions::BaseTables;
use crate::issue::Issue;
use crate::json::push_pointer;

/// The fullUrls of a Bundle, each with the resource type of its entry, where that is known.
pub(super) type FullUrls<'b> = HashMap<&'b str, Option<&'b str>>;

fn entries(bundle: &Map<String, Value>) -> &[Value] {
    bundle.get("entry").and_then(Value::as_array).map_or(&[], Vec::as_slice)
}

/// What references inside a Bundle may resolve to.
pub(super) fn full_urls(bundle: &Map<String, Value>) -> FullUrls<'_> {
    entries(bundle).iter().filter_map(full_url).collect()
}

fn full_url(entry: &Value) -> Option<(&str, Option<&str>)> {
    let resource_type = entry.get("resource").and_then(|resource| resource.get("resourceType")?.as_str());
    Some((entry.get("fullUrl")?.as_str()?, resource_type))
}

/// Checks the fullUrls of one Bundle that stands at `pointer`.
pub(super) fn check(
    tables: &BaseTables,
    bundle: &Map<String, Value>,
    pointer: &str,
    issues: &mut Vec<Issue>,
) {
    let is_history = bundle.get("type").and_then(Value::as_str) == Some("history");
    let array = push_pointer(pointer, "entry");
    let mut seen: HashMap<(&str, Option<&str>), usize> = HashMap::new();
    for (number, entry) in entries(bundle).iter().enumerate() {
        if is_full(issues) {
            return;
        }
        let Some(full_url) = entry.get("fullUrl").and_then(Value::as_str) else { continue };
        let place = push_pointer(&push_pointer(&array, &number.to_string()), "fullUrl");
        if !is_absolute(full_url) {
            let message = "Bundle.entry.fullUrl is not absolute.";
            let issue = Issue::new(&rules::PRIMITIVE, place.as_str(), message)
                .mend("Put the base of the server in front of it, or use a `urn:uuid:`.");
            issues.push(issue.value(&Value::from(full_url)));
        }
        let resource = entry.get("resource");
        let version = resource.and_then(|resource| resource.get("meta")?.get("versionId")?.as_str());
        let first = *seen.entry((full_url, version)).or_insert(number);
        if first != number && !is_history {
            let message = format!("Entry {first} (counted from 0) has the same fullUrl and version.");
            let issue = Issue::new(&rules::FULL_URL_DUPLICATE, place.as_str(), message);
            issues.push(issue.value(&Value::from(full_url)));
        }
        if let Some(resource) = resource.and_then(Value::as_object)
            && let Some(message) = mismatch(tables, full_url, resource)
        {
            let issue = Issue::new(&rules::FULL_URL_MISMATCH, place, message);
            issues.push(issue.value(&Value::from(full_url)));
        }
    }
}

/// Whether a URI begins with a scheme (RFC 3986, section 3.1).
fn is_absolute(uri: &str) -> bool {
    uri.split_once(':').is_some_and(|(scheme, _)| {
        scheme.starts_with(|first: char| first.is_ascii_alphabetic())
            && scheme.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"+-.".contains(&byte))
    })
}

fn mismatch(tables: &BaseTables, full_url: &str, resource: &Map<String, Value>) -> Option<&'static str> {
    let (kind, id, _) = reference::restful(full_url)?;
    if !tables.is_resource_type(kind) {
        // Some other address that happens to have a path; R4 does not say what it would have to agree with.
        return None;
    }
    let text = |name: &str| resource.get(name).and_then(Value::as_str);
    let other = |known: Option<&str>, named: &str| known.is_some_and(|known| known != named);
    match (other(text("resourceType"), kind), other(text("id"), id)) {
        (true, true) => Some("The fullUrl ends in another type and id than its resource has."),
        (true, false) => Some("The fullUrl ends in another type than its resource has."),
        (false, true) => Some("The fullUrl ends in another id than its resource has."),
        (false, false) => None,
    }
}
