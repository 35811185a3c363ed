//! Derived resources as one Bundle.

use serde_json::{Value, json};

/// A Bundle of type `collection` with the resources, in their order. Each entry's `fullUrl` is the address that the
/// relative references between them resolve against (R4: `Bundle.entry.fullUrl`).
#[must_use]
pub fn collection(resources: &[Value]) -> Value {
    let entries: Vec<Value> = resources
        .iter()
        .map(|resource| {
            let text = |member: &str| resource.get(member).and_then(Value::as_str).unwrap_or_default();
            let full_url = format!("https://solewire.example/fhir/{}/{}", text("resourceType"), text("id"));
            json!({ "fullUrl": full_url, "resource": resource })
        })
        .collect();
    let mut bundle = json!({ "resourceType": "Bundle", "type": "collection" });
    // R4 knows no empty arrays.
    if let (false, Some(members)) = (entries.is_empty(), bundle.as_object_mut()) {
        members.insert("entry".to_owned(), Value::Array(entries));
    }
    bundle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_carry_the_address_of_their_resource() {
        let resource = json!({ "resourceType": "RiskAssessment", "id": "1f" });
        let bundle = collection(std::slice::from_ref(&resource));
        assert_eq!(bundle["type"], "collection");
        assert_eq!(bundle["entry"][0]["fullUrl"], "https://solewire.example/fhir/RiskAssessment/1f");
        assert_eq!(bundle["entry"][0]["resource"], resource);
        assert!(collection(&[]).get("entry").is_none());
    }
}
