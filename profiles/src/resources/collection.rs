//! Derived resources as one document.

use serde_json::{Value, json};

use super::BASE;

/// A `collection` Bundle of resources that have a type and an id. References between them resolve inside it.
#[must_use]
pub fn collection(resources: &[Value]) -> Value {
    let entries: Vec<Value> = resources
        .iter()
        .map(|resource| {
            let text = |name: &str| resource.get(name).and_then(Value::as_str).unwrap_or_default();
            json!({ "fullUrl": format!("{BASE}/{}/{}", text("resourceType"), text("id")), "resource": resource })
        })
        .collect();
    let mut bundle = json!({ "resourceType": "Bundle", "type": "collection" });
    if let Some(map) = bundle.as_object_mut().filter(|_| !entries.is_empty()) {
        map.insert("entry".to_owned(), Value::Array(entries));
    }
    bundle
}
