//! What this record system says about itself.

use serde_json::{Value, json};

use super::shape;

/// The CapabilityStatement.
pub(super) fn statement(base: &str) -> Value {
    let resources: Vec<Value> = shape::types()
        .map(|name| {
            json!({
                "type": name,
                "interaction": [
                    { "code": "read" }, { "code": "vread" }, { "code": "create" }, { "code": "update" },
                    { "code": "search-type" }
                ],
                "versioning": "versioned-update",
                "readHistory": true,
                "updateCreate": true,
                "conditionalCreate": true,
                "conditionalUpdate": true,
                "referencePolicy": ["literal", "logical", "resolves", "enforced"],
                "searchParam": [
                    { "name": "_id", "type": "token" },
                    { "name": "_tag", "type": "token" },
                    { "name": "identifier", "type": "token" },
                    { "name": "subject", "type": "reference" }
                ]
            })
        })
        .collect();
    json!({
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-11-25",
        "kind": "instance",
        "implementation": { "description": "Loopback record system, in memory only", "url": base },
        "fhirVersion": "4.0.1",
        "format": ["json", "application/fhir+json"],
        "rest": [{ "mode": "server", "interaction": [{ "code": "transaction" }], "resource": resources }]
    })
}
