//! What this server can do, as a CapabilityStatement.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::{Value, json};

use super::definitions::{OPERATIONS, canonical};
use super::error::ApiError;
use super::negotiate::accept_json;
use super::parameters::{PARAMETERS, SEARCHED_TYPES};
use super::{STORED_TYPES, State, answer, base};

/// When the statement last changed; it changes with this file and with the parameters.
pub(super) const DATE: &str = "2026-11-26";

/// `GET /fhir/metadata`: open to all, as R4 asks.
pub(super) async fn metadata(
    state: web::Data<State>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    accept_json(&request)?;
    let statement = statement(&base(&state, &request));
    Ok(answer::fhir(StatusCode::OK, statement.to_string()))
}

fn statement(base: &str) -> Value {
    let resources: Vec<Value> = STORED_TYPES.iter().map(|name| resource(name)).collect();
    json!({
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": DATE,
        "kind": "instance",
        "software": { "name": "Solewire", "version": env!("CARGO_PKG_VERSION") },
        "implementation": {
            "description": "Takes foot exams of people with diabetes, assesses and forwards them",
            "url": base
        },
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [{
            "mode": "server",
            "interaction": [{ "code": "transaction" }, { "code": "batch" }],
            "resource": resources,
            "operation": operations(true)
        }]
    })
}

fn operations(system: bool) -> Value {
    let meant = OPERATIONS.iter().filter(|operation| operation.system == system);
    let listed = meant.map(|operation| {
        let definition = canonical(operation.code);
        json!({ "name": operation.code, "definition": definition, "documentation": operation.description })
    });
    listed.collect()
}

fn resource(name: &str) -> Value {
    let mut interactions = vec!["read", "vread", "history-instance"];
    if name == "Observation" {
        interactions.extend(["create", "update"]);
    }
    if SEARCHED_TYPES.contains(&name) {
        interactions.push("search-type");
    }
    let interactions: Vec<Value> = interactions.into_iter().map(|code| json!({ "code": code })).collect();
    let parameters: Vec<Value> = PARAMETERS
        .iter()
        .filter(|parameter| parameter.types.contains(&name))
        .map(|parameter| json!({ "name": parameter.name, "type": parameter.kind.word() }))
        .collect();
    let mut resource = json!({
        "type": name,
        "interaction": interactions,
        "versioning": if name == "Observation" { "versioned-update" } else { "versioned" },
        "readHistory": true,
        "updateCreate": false,
        "conditionalCreate": name == "Observation",
        "operation": operations(false)
    });
    if let Some(object) = resource.as_object_mut()
        && !parameters.is_empty()
    {
        object.insert("searchParam".to_owned(), Value::Array(parameters));
    }
    resource
}
