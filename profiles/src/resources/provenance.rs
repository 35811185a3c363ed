//! Who derived what from what, by which rules.

use serde_json::{Map, Value, json};

use super::BASE;
use super::derive::{Derivation, Verdict};

/// The Provenance of all derived resources of an exam.
pub(super) fn provenance(derivation: &Derivation<'_>, verdicts: &[Verdict<'_>], derived: &[Value]) -> Value {
    let id = derivation.id("provenance");
    let targets: Vec<Value> = derived
        .iter()
        .map(|resource| {
            let text = |name: &str| resource.get(name).and_then(Value::as_str).unwrap_or_default();
            json!({ "reference": format!("{}/{}", text("resourceType"), text("id")) })
        })
        .collect();
    let policies: Vec<String> = verdicts
        .iter()
        .map(|verdict| {
            format!("{BASE}/guideline/{}?version={}", verdict.guideline.id, verdict.guideline.version)
        })
        .collect();
    let mut out = Map::new();
    let mut put = |name: &str, value: Value| {
        out.insert(name.to_owned(), value);
    };
    put("resourceType", json!("Provenance"));
    put("id", json!(id));
    // Provenance has no identifier in R4. The tag is what a record system can find it again by.
    put("meta", json!({ "tag": [{ "system": format!("{BASE}/identifier/provenance"), "code": id }] }));
    put("target", Value::Array(targets));
    if let Some(time) = &derivation.exam.time_text {
        put("occurredDateTime", json!(time));
    }
    put("recorded", json!(derivation.options.at.to_string()));
    put("policy", json!(policies));
    let superseded = superseded(derivation, derived);
    let (activity, text) = if superseded.is_empty() {
        (("CREATE", "create"), "Risk derived from a foot examination")
    } else {
        (
            ("UPDATE", "revise"),
            "Risk derived again: this foot examination or an earlier one of the person changed",
        )
    };
    let operation = json!({ "system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": activity.0,
                            "display": activity.1 });
    put("activity", json!({ "coding": [operation], "text": text }));
    let software = json!({ "identifier": { "system": format!("{BASE}/identifier/software"), "value": "solewire" },
                           "type": "Device", "display": concat!("Solewire ", env!("CARGO_PKG_VERSION")) });
    let assembler = json!({ "system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type",
                            "code": "assembler", "display": "Assembler" });
    put("agent", json!([{ "type": { "coding": [assembler] }, "who": software }]));
    let mut entities: Vec<Value> =
        derivation.basis().into_iter().map(|what| json!({ "role": "source", "what": what })).collect();
    entities.extend(superseded.into_iter().map(|what| json!({ "role": "revision", "what": what })));
    if !entities.is_empty() {
        put("entity", Value::Array(entities));
    }
    Value::Object(out)
}

/// The versions of assessments that the derived ones take the place of. R4 gives RiskAssessment no element for it; the
/// identifier is the same for all versions, the reference names the one.
fn superseded(derivation: &Derivation<'_>, derived: &[Value]) -> Vec<Value> {
    let replaced = |old: &Value| {
        derived.iter().any(|new| {
            new.get("resourceType") == old.get("resourceType") && new.get("id") == old.get("id") && new != old
        })
    };
    derivation
        .so_far
        .iter()
        .filter(|(_, old)| replaced(old))
        .filter_map(|(version, old)| {
            let id = old.get("id")?.as_str()?;
            let mut what = json!({ "reference": format!("RiskAssessment/{id}/_history/{version}"), "type": "RiskAssessment" });
            if let (Some(what), Some(identifier)) = (what.as_object_mut(), old.pointer("/identifier/0")) {
                what.insert("identifier".to_owned(), identifier.clone());
                what.insert("display".to_owned(), json!(format!("Version {version} of the assessment")));
            }
            Some(what)
        })
        .collect()
}
