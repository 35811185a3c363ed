//! What is forwarded of an exam: one transaction that can be sent twice without making anything twice.
//!
//! Every entry names its resource by a business identifier: the first version creates it unless it is there
//! (`ifNoneExist`), later versions update it (HL7 FHIR R4, RESTful API: conditional create, conditional update). No
//! entry ever creates a Patient.

use std::collections::HashSet;

use serde_json::{Map, Value, json};

/// System of the identifier given to a finding that came without one; its value is the id here.
pub(super) const FINDING_SYSTEM: &str = "https://solewire.example/fhir/identifier/finding";
/// System of the tag by which a Provenance is found again: R4 gives Provenance no identifier.
pub(super) const PROVENANCE_TAG: &str = "https://solewire.example/fhir/identifier/provenance";

/// A resource to forward.
#[derive(Debug, Clone, Copy)]
pub(super) struct Outgoing<'a> {
    pub(super) resource_type: &'a str,
    pub(super) id: &'a str,
    pub(super) body: &'a Value,
}

/// What a version of an exam is to the record system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Occasion {
    /// The exam comes for the first time.
    First,
    /// It changed.
    Change,
    /// It is withdrawn: nothing clinical is said any more.
    Withdrawal,
}

/// The transaction of one version of an exam.
pub(super) fn payload(resources: &[Outgoing<'_>], occasion: Occasion) -> Value {
    let sent: HashSet<String> =
        resources.iter().map(|resource| format!("{}/{}", resource.resource_type, resource.id)).collect();
    let entries: Vec<Value> = resources.iter().map(|resource| entry(*resource, &sent, occasion)).collect();
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

fn entry(resource: Outgoing<'_>, sent: &HashSet<String>, occasion: Occasion) -> Value {
    let mut body = match occasion {
        Occasion::First | Occasion::Change => resource.body.clone(),
        Occasion::Withdrawal => voided(resource),
    };
    let mut criterion = String::new();
    if let Value::Object(object) = &mut body {
        // The id is ours; the record system gives its own, and refuses an update that names another.
        object.shift_remove("id");
        criterion = if resource.resource_type == "Provenance" {
            tagged(object, resource.id)
        } else {
            identified(object, resource.id)
        };
    }
    rewrite(&mut body, "", sent);
    let request = if occasion == Occasion::First {
        json!({ "method": "POST", "url": resource.resource_type, "ifNoneExist": criterion })
    } else {
        json!({ "method": "PUT", "url": format!("{}?{criterion}", resource.resource_type) })
    };
    json!({ "fullUrl": format!("urn:uuid:{}", resource.id), "resource": body, "request": request })
}

/// Elements that a withdrawn resource keeps: what it is found by, what it was, about whom and when.
const KEPT_WHEN_WITHDRAWN: [&str; 12] = [
    "resourceType",
    "id",
    "identifier",
    "status",
    "intent",
    "method",
    "code",
    "subject",
    "encounter",
    "effectiveDateTime",
    "effectiveInstant",
    "occurrenceDateTime",
];

/// A resource of a withdrawn exam. Each one is voided, and not only the panel: whoever reads a single result must not
/// take it for valid. Who withdrew it is told by the Provenance as it stands.
fn voided(resource: Outgoing<'_>) -> Value {
    let mut body = resource.body.clone();
    let Value::Object(object) = &mut body else { return body };
    if resource.resource_type == "Provenance" {
        return body;
    }
    object.retain(|name, _| KEPT_WHEN_WITHDRAWN.contains(&name.as_str()));
    let status = object.get("status").and_then(Value::as_str);
    match resource.resource_type {
        "Condition" => {
            let system = "http://terminology.hl7.org/CodeSystem/condition-ver-status";
            let code = json!({ "coding": [{ "system": system, "code": VOID }] });
            object.insert("verificationStatus".to_owned(), code);
        }
        "ServiceRequest" if status == Some("revoked") => {}
        _ => {
            object.insert("status".to_owned(), json!(VOID));
        }
    }
    body
}

/// The status of what should never have been said (HL7 FHIR R4, observation-status and condition-ver-status).
const VOID: &str = "entered-in-error";

/// The criterion of the first full identifier; one of ours is added when there is none.
fn identified(object: &mut Map<String, Value>, id: &str) -> String {
    let identifiers = object.get("identifier").and_then(Value::as_array);
    let found = identifiers.into_iter().flatten().find_map(system_and_value);
    if let Some((system, value)) = found {
        return token("identifier", &system, &value);
    }
    let own = json!({ "system": FINDING_SYSTEM, "value": id });
    match object.get_mut("identifier") {
        Some(Value::Array(identifiers)) => identifiers.push(own),
        _ => {
            object.insert("identifier".to_owned(), json!([own]));
        }
    }
    token("identifier", FINDING_SYSTEM, id)
}

fn tagged(object: &mut Map<String, Value>, id: &str) -> String {
    let tag = json!({ "system": PROVENANCE_TAG, "code": id });
    let meta = object.entry("meta").or_insert_with(|| json!({}));
    if let Value::Object(meta) = meta {
        match meta.get_mut("tag") {
            Some(Value::Array(tags)) if tags.contains(&tag) => {}
            Some(Value::Array(tags)) => tags.push(tag),
            _ => {
                meta.insert("tag".to_owned(), json!([tag]));
            }
        }
    }
    token("_tag", PROVENANCE_TAG, id)
}

fn system_and_value(identifier: &Value) -> Option<(String, String)> {
    let text = |name| identifier.get(name).and_then(Value::as_str).filter(|text| !text.is_empty());
    Some((text("system")?.to_owned(), text("value")?.to_owned()))
}

/// `name=system|value`, escaped as a search value and as part of a query.
fn token(name: &str, system: &str, value: &str) -> String {
    format!("{name}={}|{}", escaped(system), escaped(value))
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b':' | b'/' => {
                out.push(char::from(byte));
            }
            // In a search value these separate; a backslash takes that meaning from them.
            b'|' | b',' | b'$' | b'\\' => out.push_str(&format!("%5C%{byte:02X}")),
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    out
}

/// References to what is sent along become `urn:uuid`; a person named by identifier becomes a conditional reference,
/// which the record system resolves to exactly one Patient or refuses.
fn rewrite(value: &mut Value, name: &str, sent: &HashSet<String>) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(|item| rewrite(item, name, sent)),
        Value::Object(object) => {
            if let Some(Value::String(reference)) = object.get_mut("reference")
                && sent.contains(reference.as_str())
                && let Some((_, id)) = reference.split_once('/')
            {
                *reference = format!("urn:uuid:{id}");
            }
            // The record system numbers versions by itself; there the identifier has to do.
            let versioned = object.get("reference").and_then(Value::as_str);
            if object.contains_key("identifier")
                && versioned.is_some_and(|reference| reference.contains("/_history/"))
            {
                object.shift_remove("reference");
            }
            if !object.contains_key("reference") && names_person(object, name) {
                let criterion = object.get("identifier").and_then(system_and_value);
                if let Some((system, value)) = criterion {
                    let reference = format!("Patient?{}", token("identifier", &system, &value));
                    object.shift_insert(0, "reference".to_owned(), Value::String(reference));
                }
            }
            for (name, inner) in object.iter_mut() {
                rewrite(inner, name, sent);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// Whether an object is a Reference to a person: it says so, or it is the subject and says nothing else.
fn names_person(object: &Map<String, Value>, name: &str) -> bool {
    match object.get("type") {
        Some(Value::String(kind)) => kind == "Patient",
        Some(_) => false,
        None => name == "subject",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn resources() -> [Value; 3] {
        [
            json!({
                "resourceType": "Observation", "id": "1",
                "identifier": [{ "system": "https://harbourlane.example/exams", "value": "a b|c" }],
                "subject": { "identifier": { "system": "https://harbourlane.example/mrn", "value": "77" } },
                "hasMember": [{ "reference": "Observation/2" }]
            }),
            json!({ "resourceType": "Observation", "id": "2", "subject": { "reference": "Patient/9" } }),
            json!({ "resourceType": "Provenance", "id": "3", "target": [{ "reference": "Observation/1" }] }),
        ]
    }

    fn made(occasion: Occasion) -> Value {
        let bodies = resources();
        let outgoing: Vec<Outgoing<'_>> = bodies
            .iter()
            .map(|body| Outgoing {
                resource_type: body["resourceType"].as_str().unwrap(),
                id: body["id"].as_str().unwrap(),
                body,
            })
            .collect();
        payload(&outgoing, occasion)
    }

    #[test]
    fn the_first_version_creates_what_is_not_there() {
        let payload = made(Occasion::First);
        let request = |entry: usize| payload["entry"][entry]["request"].clone();
        assert_eq!(
            request(0),
            json!({ "method": "POST", "url": "Observation",
                    "ifNoneExist": "identifier=https://harbourlane.example/exams|a%20b%5C%7Cc" })
        );
        assert_eq!(request(1)["ifNoneExist"], format!("identifier={FINDING_SYSTEM}|2"));
        assert_eq!(request(2)["ifNoneExist"], format!("_tag={PROVENANCE_TAG}|3"));
        let second = &payload["entry"][1]["resource"];
        assert_eq!(second["identifier"], json!([{ "system": FINDING_SYSTEM, "value": "2" }]));
        assert!(second.get("id").is_none());
    }

    #[test]
    fn later_versions_update_by_the_same_identifiers() {
        let payload = made(Occasion::Change);
        assert_eq!(
            payload["entry"][1]["request"],
            json!({ "method": "PUT", "url": format!("Observation?identifier={FINDING_SYSTEM}|2") })
        );
    }

    #[test]
    fn references_follow_and_persons_are_looked_up_never_made() {
        let payload = made(Occasion::First);
        let first = &payload["entry"][0]["resource"];
        assert_eq!(first["hasMember"][0]["reference"], "urn:uuid:2");
        assert_eq!(first["subject"]["reference"], "Patient?identifier=https://harbourlane.example/mrn|77");
        assert_eq!(payload["entry"][1]["resource"]["subject"], json!({ "reference": "Patient/9" }));
        assert_eq!(payload["entry"][2]["resource"]["target"][0]["reference"], "urn:uuid:1");
        assert!(
            payload["entry"]
                .as_array()
                .unwrap()
                .iter()
                .all(|entry| entry["fullUrl"].as_str().unwrap().starts_with("urn:uuid:"))
        );
    }

    #[test]
    fn a_withdrawal_says_nothing_clinical_of_any_resource() {
        let result = json!({
            "resourceType": "Observation", "id": "1", "status": "final",
            "identifier": [{ "system": "https://harbourlane.example/results", "value": "R-1" }],
            "subject": { "reference": "Patient/9" }, "code": { "coding": [{ "code": "pulse" }] },
            "effectiveDateTime": "2026-11-20T09:00:00Z", "valueCodeableConcept": { "text": "absent" },
            "note": [{ "text": "cold foot" }], "hasMember": [{ "reference": "Observation/2" }]
        });
        let condition = json!({
            "resourceType": "Condition", "id": "2", "subject": { "reference": "Patient/9" },
            "clinicalStatus": { "coding": [{ "code": "active" }] }
        });
        let request =
            json!({ "resourceType": "ServiceRequest", "id": "3", "status": "revoked", "intent": "proposal" });
        let bodies = [result, condition, request];
        let outgoing: Vec<Outgoing<'_>> = bodies
            .iter()
            .zip(["1", "2", "3"])
            .map(|(body, id)| Outgoing { resource_type: body["resourceType"].as_str().unwrap(), id, body })
            .collect();
        let payload = payload(&outgoing, Occasion::Withdrawal);
        let sent = |entry: usize| payload["entry"][entry]["resource"].clone();
        assert_eq!(
            sent(0),
            json!({
                "resourceType": "Observation", "status": "entered-in-error",
                "identifier": [{ "system": "https://harbourlane.example/results", "value": "R-1" }],
                "subject": { "reference": "Patient/9" }, "code": { "coding": [{ "code": "pulse" }] },
                "effectiveDateTime": "2026-11-20T09:00:00Z"
            })
        );
        assert_eq!(sent(1)["verificationStatus"]["coding"][0]["code"], "entered-in-error");
        assert!(sent(1).get("clinicalStatus").is_none() && sent(1).get("status").is_none());
        assert_eq!(sent(2)["status"], "revoked");
        assert_eq!(payload["entry"][0]["request"]["method"], "PUT");
    }
}
