//! Derived resources as one Bundle.

use serde_json::{Value, json};

/// Base of the addresses that resources have outside any server.
const BASE: &str = "https://solewire.example/fhir";

/// A `collection` Bundle of resources that have a type and an id, in the order given.
#[must_use]
pub fn collection(resources: &[Value]) -> Value {
    let name = |resource: &Value, key: &str| {
        resource.get(key).and_then(Value::as_str).unwrap_or_default().to_owned()
    };
    let entries: Vec<Value> = resources
        .iter()
        .map(|resource| {
            let url = format!("{BASE}/{}/{}", name(resource, "resourceType"), name(resource, "id"));
            json!({ "fullUrl": url, "resource": resource })
        })
        .collect();
    if entries.is_empty() {
        return json!({ "resourceType": "Bundle", "type": "collection" });
    }
    json!({ "resourceType": "Bundle", "type": "collection", "entry": entries })
}
