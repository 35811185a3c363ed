//! The operations of this service as OperationDefinitions of R4.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::{Value, json};

use super::error::ApiError;
use super::negotiate::accept_json;
use super::{answer, metadata};

/// Canonical address of the definition with this id.
pub(super) fn canonical(id: &str) -> String {
    format!("https://solewire.example/fhir/OperationDefinition/{id}")
}

/// An operation.
#[derive(Debug)]
pub(super) struct Operation {
    /// Its id and its code: it is called as `$code`.
    pub(super) code: &'static str,
    /// Whether it is asked of the whole server; else of a type.
    pub(super) system: bool,
    title: &'static str,
    pub(super) description: &'static str,
    parameters: &'static [Parameter],
}

#[derive(Debug)]
struct Parameter {
    name: &'static str,
    out: bool,
    min: u8,
    max: &'static str,
    kind: Option<&'static str>,
    documentation: &'static str,
    parts: &'static [Parameter],
}

const fn given(name: &'static str, min: u8, kind: &'static str, documentation: &'static str) -> Parameter {
    Parameter { name, out: false, min, max: "1", kind: Some(kind), documentation, parts: &[] }
}

const fn made(
    name: &'static str,
    min: u8,
    max: &'static str,
    kind: &'static str,
    documentation: &'static str,
) -> Parameter {
    Parameter { name, out: true, min, max, kind: Some(kind), documentation, parts: &[] }
}

const PLACES: &[Parameter] = &[
    made("test", 1, "1", "code", "The test, of the code system foot-test"),
    made("side", 0, "1", "code", "left or right; none where the test is about the person"),
    made("place", 0, "*", "code", "The sites, arteries or findings"),
];
const MISSING: &[Parameter] = &[
    made("fact", 1, "1", "string", "The fact that is not known"),
    made("what", 0, "*", "string", "What would have to be recorded"),
    made("settles", 1, "1", "boolean", "Whether that alone would settle the category"),
];

/// All of them.
pub(super) static OPERATIONS: &[Operation] = &[
    Operation {
        code: "assess",
        system: true,
        title: "What follows from an exam",
        description: "Takes a Bundle with an exam and gives back what follows from it, without storing anything.",
        parameters: &[
            given(
                "exam",
                1,
                "Bundle",
                "The exam, a transaction or collection; it is the whole body of the request",
            ),
            given("at", 0, "dateTime", "The instant of the derivation, in the address; now, if not given"),
            made("return", 1, "1", "Bundle", "A collection of RiskAssessment, ServiceRequest and Provenance"),
        ],
    },
    Operation {
        code: "validate",
        system: false,
        title: "Check a resource",
        description: "Holds a resource against R4 and all profiles that apply to it, without storing anything.",
        parameters: &[
            given("resource", 1, "Resource", "The resource, as the whole body or as this parameter"),
            made("return", 1, "1", "OperationOutcome", "Everything found; valid without error and fatal"),
        ],
    },
    Operation {
        code: "progress",
        system: true,
        title: "How far an exam has come",
        description: "Tells whoever is still examining what is recorded and what is missing. It gives no result.",
        parameters: &[
            given("subject", 0, "Identifier", "The person; needed without exam. A Reference does as well"),
            given("encounter", 0, "Identifier", "The visit; needed without exam. A Reference does as well"),
            given("exam", 0, "Identifier", "The identifier of the panel"),
            made("status", 1, "1", "code", "open, closed or withdrawn"),
            made("possible", 0, "*", "code", "Each category that is still possible"),
            Parameter {
                name: "recorded",
                out: true,
                min: 0,
                max: "*",
                kind: None,
                documentation: "The places that are recorded, by test and side",
                parts: PLACES,
            },
            Parameter {
                name: "left",
                out: true,
                min: 0,
                max: "*",
                kind: None,
                documentation: "The places of the usual protocol that are not",
                parts: PLACES,
            },
            Parameter {
                name: "missing",
                out: true,
                min: 0,
                max: "*",
                kind: None,
                documentation: "Each fact that is not known and matters",
                parts: MISSING,
            },
        ],
    },
];

/// `GET /fhir/OperationDefinition/{id}`: open to all, as what the CapabilityStatement names.
pub(super) async fn read(request: HttpRequest, id: web::Path<String>) -> Result<HttpResponse, ApiError> {
    accept_json(&request)?;
    let operation = OPERATIONS.iter().find(|operation| operation.code == *id);
    let operation = operation.ok_or(ApiError::NotFound("No operation has this name."))?;
    Ok(answer::fhir(StatusCode::OK, definition(operation).to_string()))
}

fn definition(operation: &Operation) -> Value {
    let name: String = operation.code.split('-').map(capital).collect();
    let mut definition = json!({
        "resourceType": "OperationDefinition",
        "id": operation.code,
        "url": canonical(operation.code),
        "version": env!("CARGO_PKG_VERSION"),
        "name": name,
        "title": operation.title,
        "status": "active",
        "kind": "operation",
        "date": metadata::DATE,
        "publisher": "Solewire",
        "description": operation.description,
        "affectsState": false,
        "code": operation.code
    });
    let Some(object) = definition.as_object_mut() else { return definition };
    if operation.code == "validate" {
        object.insert("base".to_owned(), json!("http://hl7.org/fhir/OperationDefinition/Resource-validate"));
        object.insert("resource".to_owned(), json!(["Resource"]));
    }
    object.insert("system".to_owned(), json!(operation.system));
    object.insert("type".to_owned(), json!(!operation.system));
    object.insert("instance".to_owned(), json!(false));
    object.insert("parameter".to_owned(), operation.parameters.iter().map(parameter).collect());
    definition
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn parameter(parameter: &Parameter) -> Value {
    let mut out = json!({
        "name": parameter.name,
        "use": if parameter.out { "out" } else { "in" },
        "min": parameter.min,
        "max": parameter.max,
        "documentation": parameter.documentation
    });
    if let Some(object) = out.as_object_mut() {
        if let Some(kind) = parameter.kind {
            object.insert("type".to_owned(), json!(kind));
        }
        if !parameter.parts.is_empty() {
            object.insert("part".to_owned(), parameter.parts.iter().map(self::parameter).collect());
        }
    }
    out
}
