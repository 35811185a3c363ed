//! `_elements`: the part of a resource that a caller asks for.

use serde_json::{Map, Value, json};
use url::form_urlencoded;

/// What R4 requires of each stored type (HL7 FHIR R4, cardinality of the elements); it is never left out.
const REQUIRED: [(&str, &[&str]); 6] = [
    ("Observation", &["status", "code"]),
    ("RiskAssessment", &["status", "subject"]),
    ("ServiceRequest", &["status", "intent", "subject"]),
    ("Provenance", &["target", "recorded", "agent"]),
    ("Condition", &["subject"]),
    ("Procedure", &["status", "subject"]),
];
/// What says which resource it is, or changes the meaning of the rest.
const ALWAYS: [&str; 4] = ["resourceType", "id", "meta", "modifierExtension"];

/// The elements asked for; none for all of them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Elements(Vec<String>);

impl Elements {
    /// Of a list as `_elements` has it. A name may carry its type in front, as in `Observation.status`.
    pub(super) fn of(list: &str) -> Elements {
        let name = |name: &str| name.rsplit('.').next().unwrap_or_default().trim().to_owned();
        Elements(list.split(',').map(name).filter(|name| !name.is_empty()).collect())
    }

    /// Of the query of an address.
    pub(super) fn of_query(query: &str) -> Elements {
        let mut pairs = form_urlencoded::parse(query.as_bytes());
        pairs
            .find(|(name, _)| name == "_elements")
            .map_or_else(Elements::default, |(_, list)| Elements::of(&list))
    }

    /// Whether all of them are wanted.
    pub(super) fn all(&self) -> bool {
        self.0.is_empty()
    }

    /// Leaves out what is not wanted, and says so in a tag, as R4 asks.
    pub(super) fn keep(&self, resource: &mut Value) {
        let Some(object) = resource.as_object_mut().filter(|_| !self.all()) else { return };
        let required = object.get("resourceType").and_then(Value::as_str).and_then(|name| {
            REQUIRED.iter().find(|(known, _)| *known == name).map(|(_, required)| *required)
        });
        let required = required.unwrap_or_default();
        object.retain(|name, _| {
            let plain = name.trim_start_matches('_');
            ALWAYS.contains(&plain)
                || required.contains(&plain)
                || self.0.iter().any(|asked| is_of(plain, asked))
        });
        let meta = object.entry("meta").or_insert_with(|| Value::Object(Map::new()));
        let tags = meta.as_object_mut().map(|meta| meta.entry("tag").or_insert_with(|| json!([])));
        if let Some(Value::Array(tags)) = tags {
            let system = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue";
            tags.push(json!({ "system": system, "code": "SUBSETTED" }));
        }
    }
}

/// Whether a member is an element, or one of the forms of an element with a choice of types: `valueQuantity` of `value`.
fn is_of(member: &str, element: &str) -> bool {
    let choice =
        ["value", "effective", "onset", "abatement", "performed", "occurrence", "asNeeded", "quantity"];
    member.strip_prefix(element).is_some_and(|rest| {
        rest.is_empty()
            || (choice.contains(&element) && rest.starts_with(|first: char| first.is_ascii_uppercase()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_asked_for_stays_with_what_r4_requires() {
        let mut resource = json!({
            "resourceType": "Observation", "id": "1", "status": "final", "code": {}, "subject": {}, "note": [],
            "valueQuantity": { "value": 1 }, "_status": {}, "component": []
        });
        Elements::of("Observation.value,note").keep(&mut resource);
        let names: Vec<&str> = resource.as_object().unwrap().keys().map(String::as_str).collect();
        assert_eq!(
            names,
            ["resourceType", "id", "status", "code", "note", "valueQuantity", "_status", "meta"]
        );
        assert_eq!(resource["meta"]["tag"][0]["code"], "SUBSETTED");
        let whole = resource.clone();
        Elements::default().keep(&mut resource);
        assert_eq!(resource, whole);
    }
}
