//! Whether a resource that is in the record system says what was sent.

use std::collections::HashMap;

use jiff::Timestamp;
use serde_json::{Map, Value};

/// How far what is there agrees with what was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Agreement {
    /// In everything.
    Whole,
    /// It is about the same person and has the same status, and says something else.
    PersonAndStatus,
    /// It is about the same person.
    Person,
    /// It is about another person.
    Nothing,
}

/// Compares. `person` is where the person named by a condition is; `addresses` where the other resources are.
pub(super) fn agreement(
    ours: &Value,
    theirs: &Value,
    person: Option<&str>,
    addresses: &HashMap<String, String>,
) -> Agreement {
    if !same_person(ours, theirs, person) {
        return Agreement::Nothing;
    }
    if ours.get("status") != theirs.get("status") {
        return Agreement::Person;
    }
    match (ours, theirs) {
        (Value::Object(ours), Value::Object(theirs)) if same_members(ours, theirs, true, addresses) => {
            Agreement::Whole
        }
        _ => Agreement::PersonAndStatus,
    }
}

/// Both name the same person. A resource without a subject is about nobody.
fn same_person(ours: &Value, theirs: &Value, person: Option<&str>) -> bool {
    let (Some(ours), theirs) = (ours.get("subject"), theirs.get("subject")) else { return true };
    let Some(theirs) = theirs else { return false };
    let text =
        |subject: &Value, pointer: &str| subject.pointer(pointer).and_then(Value::as_str).map(str::to_owned);
    let named = text(ours, "/reference").filter(|reference| !reference.contains('?'));
    let place = person.map(str::to_owned).or(named);
    if let (Some(place), Some(reference)) = (&place, text(theirs, "/reference")) {
        return tail(place) == tail(&reference);
    }
    let identifier =
        |subject: &Value| (text(subject, "/identifier/system"), text(subject, "/identifier/value"));
    identifier(ours) == identifier(theirs) && identifier(ours).1.is_some()
}

/// What a server may add to a resource by itself.
const ADDED: [&str; 3] = ["id", "meta", "text"];
/// What a server may add to a reference once it knows where that leads.
const ADDED_TO_REFERENCE: [&str; 3] = ["reference", "type", "display"];

fn same_members(
    ours: &Map<String, Value>,
    theirs: &Map<String, Value>,
    top: bool,
    addresses: &HashMap<String, String>,
) -> bool {
    let is_reference = ours.contains_key("reference") || ours.contains_key("identifier");
    let may_be_added = |name: &str| {
        (top && ADDED.contains(&name)) || (!top && is_reference && ADDED_TO_REFERENCE.contains(&name))
    };
    let all_there =
        ours.iter().filter(|(name, _)| !(top && ADDED.contains(&name.as_str()))).all(|(name, value)| {
            theirs.get(name).is_some_and(|other| match (name.as_str(), value, other) {
                ("reference", Value::String(ours), Value::String(theirs)) => {
                    same_reference(ours, theirs, addresses)
                }
                _ => same(value, other, addresses),
            })
        });
    all_there && theirs.keys().all(|name| ours.contains_key(name) || may_be_added(name))
}

fn same(ours: &Value, theirs: &Value, addresses: &HashMap<String, String>) -> bool {
    match (ours, theirs) {
        (Value::Object(ours), Value::Object(theirs)) => same_members(ours, theirs, false, addresses),
        (Value::Array(ours), Value::Array(theirs)) => {
            ours.len() == theirs.len()
                && ours.iter().zip(theirs).all(|(ours, theirs)| same(ours, theirs, addresses))
        }
        (Value::String(ours), Value::String(theirs)) => {
            ours == theirs
                || same_instant(ours, theirs)
                || (ours.starts_with("urn:")
                    && addresses.contains_key(ours)
                    && same_reference(ours, theirs, addresses))
        }
        // A server may write 1.50 as 1.5.
        (Value::Number(ours), Value::Number(theirs)) => ours == theirs || ours.as_f64() == theirs.as_f64(),
        _ => ours == theirs,
    }
}

/// The same point in time, whatever offset it is written with.
fn same_instant(ours: &str, theirs: &str) -> bool {
    let instant = |text: &str| text.parse::<Timestamp>().ok();
    instant(ours).is_some_and(|ours| instant(theirs) == Some(ours))
}

/// A person is compared apart, and what was sent along may be anywhere unless it is known.
fn same_reference(ours: &str, theirs: &str, addresses: &HashMap<String, String>) -> bool {
    if ours.contains('?') {
        return true;
    }
    match (addresses.get(ours), ours.starts_with("urn:")) {
        (Some(place), _) => tail(place) == tail(theirs),
        (None, true) => true,
        (None, false) => tail(ours) == tail(theirs),
    }
}

/// `Type/id` at the end of an address, without a version.
fn tail(reference: &str) -> &str {
    let plain = reference.split("/_history/").next().unwrap_or(reference);
    let mut slashes = plain.rmatch_indices('/').map(|(at, _)| at);
    match slashes.nth(1) {
        Some(at) => plain.get(at + 1..).unwrap_or(plain),
        None => plain,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn ours() -> Value {
        json!({
            "resourceType": "Observation", "status": "final",
            "identifier": [{ "system": "s", "value": "1" }],
            "subject": { "reference": "Patient?identifier=p|7", "identifier": { "system": "p", "value": "7" } },
            "effectiveDateTime": "2026-11-20T09:00:00Z",
            "hasMember": [{ "reference": "urn:uuid:a" }],
            "valueQuantity": { "value": 1.5, "code": "V" }
        })
    }

    fn theirs() -> Value {
        json!({
            "resourceType": "Observation", "id": "12", "meta": { "versionId": "1" }, "status": "final",
            "identifier": [{ "system": "s", "value": "1" }],
            "subject": { "reference": "Patient/55", "identifier": { "system": "p", "value": "7" }, "type": "Patient" },
            "effectiveDateTime": "2026-11-20T10:00:00+01:00",
            "hasMember": [{ "reference": "https://records.harbourlane.example/fhir/Observation/11" }],
            "valueQuantity": { "value": 1.50, "code": "V" }
        })
    }

    fn compared(theirs: &Value) -> Agreement {
        let addresses = HashMap::from([("urn:uuid:a".to_owned(), "Observation/11".to_owned())]);
        agreement(&ours(), theirs, Some("Patient/55"), &addresses)
    }

    #[test]
    fn what_a_server_may_change_by_itself_changes_nothing() {
        assert_eq!(compared(&theirs()), Agreement::Whole);
    }

    #[test]
    fn everything_else_is_a_difference() {
        for (pointer, value, expected) in [
            ("/subject/reference", json!("Patient/56"), Agreement::Nothing),
            ("/status", json!("amended"), Agreement::Person),
            ("/effectiveDateTime", json!("2026-11-20T09:00:01Z"), Agreement::PersonAndStatus),
            ("/hasMember/0/reference", json!("Observation/13"), Agreement::PersonAndStatus),
            ("/valueQuantity/value", json!(1.6), Agreement::PersonAndStatus),
            ("/valueQuantity/unit", json!("volt"), Agreement::PersonAndStatus),
            ("/note", json!([{ "text": "seen again" }]), Agreement::PersonAndStatus),
        ] {
            let mut theirs = theirs();
            let (parent, name) = pointer.rsplit_once('/').unwrap();
            let parent = theirs.pointer_mut(parent).unwrap();
            match parent {
                Value::Array(items) => items[name.parse::<usize>().unwrap()] = value,
                other => other[name] = value,
            }
            assert_eq!(compared(&theirs), expected, "{pointer}");
        }
        let mut without = theirs();
        without.as_object_mut().unwrap().shift_remove("valueQuantity");
        assert_eq!(compared(&without), Agreement::PersonAndStatus);
    }

    #[test]
    fn a_person_named_by_identifier_alone_is_compared_by_it() {
        let subject = |value: &str| json!({ "subject": { "identifier": { "system": "p", "value": value } } });
        assert_eq!(agreement(&subject("7"), &subject("7"), None, &HashMap::new()), Agreement::Whole);
        assert_eq!(agreement(&subject("7"), &subject("8"), None, &HashMap::new()), Agreement::Nothing);
        assert_eq!(agreement(&subject("7"), &json!({}), None, &HashMap::new()), Agreement::Nothing);
    }
}
