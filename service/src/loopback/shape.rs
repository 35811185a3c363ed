//! What this record system asks of a resource before it stores it: the JSON rules of R4, the required elements of the
//! types it keeps and the codes of their status. Written from the standard, apart from the checks of the service, so
//! that a document both get wrong has to be got wrong twice.

use serde_json::Value;

use super::criteria::{each, text};
use super::refusal::Refusal;

const EVENT_STATUS: &[&str] = &[
    "registered",
    "preliminary",
    "final",
    "amended",
    "corrected",
    "cancelled",
    "entered-in-error",
    "unknown",
];
const REQUEST_STATUS: &[&str] =
    &["draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"];
const PROCEDURE_STATUS: &[&str] = &[
    "preparation",
    "in-progress",
    "not-done",
    "on-hold",
    "stopped",
    "completed",
    "entered-in-error",
    "unknown",
];

/// The types kept here, with their required elements.
const TYPES: &[(&str, &[&str])] = &[
    ("Condition", &["subject"]),
    ("Device", &[]),
    ("Encounter", &["status", "class"]),
    ("Observation", &["status", "code"]),
    ("Organization", &[]),
    ("Patient", &[]),
    ("Practitioner", &[]),
    ("PractitionerRole", &[]),
    ("Procedure", &["status", "subject"]),
    ("Provenance", &["target", "recorded", "agent"]),
    ("RiskAssessment", &["status", "subject"]),
    ("ServiceRequest", &["status", "intent", "subject"]),
];

/// The types kept here.
pub(super) fn types() -> impl Iterator<Item = &'static str> {
    TYPES.iter().map(|(name, _)| *name)
}

/// Whether a type is kept here.
pub(super) fn keeps(resource_type: &str) -> bool {
    types().any(|name| name == resource_type)
}

/// Whether a text can be the id of a resource (R4 `id`).
pub(super) fn is_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.')
}

/// Holds a resource against what is asked of it and gives its type.
pub(super) fn check(resource: &Value) -> Result<&str, Refusal> {
    let Some(resource_type) = text(resource, "resourceType") else {
        return Err(Refusal::structure("A resource is an object with a resourceType."));
    };
    let Some((_, required)) = TYPES.iter().find(|(name, _)| *name == resource_type) else {
        return Err(Refusal::new(
            404,
            "not-supported",
            "This record system does not keep that resource type.",
        ));
    };
    check_json(resource, resource_type)?;
    for element in *required {
        if resource.get(*element).is_none() {
            return Err(Refusal::new(400, "required", format!("{resource_type}.{element} is required.")));
        }
    }
    let statuses = match resource_type {
        "Observation" | "RiskAssessment" => EVENT_STATUS,
        "ServiceRequest" => REQUEST_STATUS,
        "Procedure" => PROCEDURE_STATUS,
        _ => &[],
    };
    if !statuses.is_empty() && !text(resource, "status").is_some_and(|status| statuses.contains(&status)) {
        return Err(Refusal::new(
            400,
            "code-invalid",
            format!("{resource_type}.status is not one of its codes."),
        ));
    }
    if let Some(narrative) = resource.get("text") {
        check_narrative(narrative, resource_type)?;
    }
    for identifier in each(resource.get("identifier")) {
        if identifier.as_object().is_none() {
            return Err(Refusal::structure(format!("{resource_type}.identifier holds objects.")));
        }
    }
    Ok(resource_type)
}

/// R4, JSON representation: no element is empty, and null stands only for a gap in an array of primitives.
fn check_json(value: &Value, path: &str) -> Result<(), Refusal> {
    match value {
        Value::Null => Err(Refusal::structure(format!("{path} is null; leave the element out."))),
        Value::String(text) if text.trim().is_empty() => {
            Err(Refusal::structure(format!("{path} is an empty text; leave the element out.")))
        }
        Value::Array(items) if items.iter().all(Value::is_null) => {
            Err(Refusal::structure(format!("{path} is an empty array; leave the element out.")))
        }
        Value::Array(items) => items
            .iter()
            .enumerate()
            .filter(|(_, item)| !item.is_null())
            .try_for_each(|(index, item)| check_json(item, &format!("{path}[{index}]"))),
        Value::Object(members) if members.is_empty() => {
            Err(Refusal::structure(format!("{path} is an empty object; leave the element out.")))
        }
        Value::Object(members) => {
            members.iter().try_for_each(|(name, member)| check_json(member, &format!("{path}.{name}")))
        }
        Value::Bool(_) | Value::Number(_) | Value::String(_) => Ok(()),
    }
}

fn check_narrative(narrative: &Value, resource_type: &str) -> Result<(), Refusal> {
    let div = text(narrative, "div").unwrap_or_default().trim();
    let framed = div.starts_with("<div") && div.ends_with("</div>");
    if text(narrative, "status").is_none() || !framed || !div.contains("http://www.w3.org/1999/xhtml") {
        return Err(Refusal::new(
            400,
            "invalid",
            format!("{resource_type}.text needs a status and one div in the XHTML namespace."),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_plain_observation_is_taken() {
        let resource = json!({ "resourceType": "Observation", "status": "final", "code": { "text": "x" } });
        assert_eq!(check(&resource), Ok("Observation"));
    }

    #[test]
    fn what_breaks_the_standard_is_refused() {
        let table = [
            (json!([]), "structure"),
            (json!({ "resourceType": "Basic" }), "not-supported"),
            (json!({ "resourceType": "Observation", "status": "final" }), "required"),
            (
                json!({ "resourceType": "Observation", "status": "done", "code": { "text": "x" } }),
                "code-invalid",
            ),
            (json!({ "resourceType": "Patient", "name": [] }), "structure"),
            (json!({ "resourceType": "Patient", "name": [{}] }), "structure"),
            (json!({ "resourceType": "Patient", "gender": null }), "structure"),
            (json!({ "resourceType": "Patient", "gender": "" }), "structure"),
            (
                json!({ "resourceType": "Patient", "text": { "status": "generated", "div": "hello" } }),
                "invalid",
            ),
        ];
        for (resource, code) in table {
            assert_eq!(check(&resource).unwrap_err().code, code, "{resource}");
        }
    }

    #[test]
    fn a_gap_in_an_array_of_primitives_is_legal() {
        let resource = json!({ "resourceType": "Patient", "name": [{ "given": ["Ann", null], "_given": [null, { "id": "a" }] }] });
        assert_eq!(check(&resource), Ok("Patient"));
    }
}
