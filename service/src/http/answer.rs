//! Stored resources and accepted submissions as answers.

use actix_web::http::StatusCode;
use actix_web::http::header::{ETAG, LAST_MODIFIED, LINK, LOCATION};
use actix_web::{HttpResponse, HttpResponseBuilder};
use serde_json::{Map, Value, json};
use solewire_profiles::issue::Issue;
use solewire_profiles::resources::operation_outcome;

use super::elements::Elements;
use super::error::ApiError;
use super::negotiate::{FHIR_JSON, Handling, PREFERENCE_APPLIED, Return};
use crate::clinic::Reach;
use crate::clock::instant;
use crate::intake::{Accepted, Done, EntryAnswer, Placed};
use crate::store::{Store, StoreError, Version};

/// Most issues of one answer. The offline check lists more.
const MOST_LISTED: usize = 1000;

/// The OperationOutcome of a document. Of a long list, what refuses comes first, and the rest is counted.
pub(super) fn outcome(issues: &[Issue], root: &str) -> Value {
    if issues.len() <= MOST_LISTED {
        return operation_outcome(issues, root);
    }
    let refusing = issues.iter().filter(|issue| issue.severity.refuses());
    let others = issues.iter().filter(|issue| !issue.severity.refuses());
    let listed: Vec<Issue> = refusing.chain(others).take(MOST_LISTED).cloned().collect();
    let mut outcome = operation_outcome(&listed, root);
    if let Some(Value::Array(listed)) = outcome.get_mut("issue") {
        listed.push(json!({
            "severity": "information",
            "code": "incomplete",
            "details": { "text": format!("{MOST_LISTED} of {} issues are listed.", issues.len()) },
            "diagnostics": "How to mend it: Mend what is listed and check again; solewire-check lists more at once."
        }));
    }
    outcome
}

/// An answer with a FHIR body.
pub(super) fn fhir(status: StatusCode, body: String) -> HttpResponse {
    HttpResponseBuilder::new(status).content_type(FHIR_JSON).body(body)
}

/// The answer to a search.
pub(super) fn searched(bundle: &Value, handling: Handling) -> HttpResponse {
    let mut response = HttpResponseBuilder::new(StatusCode::OK);
    if let Some(granted) = handling.granted() {
        response.insert_header((PREFERENCE_APPLIED, granted));
    }
    response.content_type(FHIR_JSON).body(bundle.to_string())
}

/// The body of a stored version as it is read: what was derived here byte for byte, what was submitted with the
/// version and the time of storing in `meta`.
pub(super) fn body_as_read(version: &Version) -> Result<String, ApiError> {
    if version.derived {
        return Ok(version.text.clone());
    }
    let mut body: Value = serde_json::from_str(&version.text)
        .map_err(|_| ApiError::Store(StoreError::Row("a body is not JSON")))?;
    if let Some(object) = body.as_object_mut() {
        let meta = object.entry("meta").or_insert_with(|| Value::Object(Map::new()));
        if let Some(meta) = meta.as_object_mut() {
            meta.insert("versionId".to_owned(), json!(version.version.to_string()));
            meta.insert("lastUpdated".to_owned(), json!(instant(version.updated).to_string()));
        }
    }
    Ok(body.to_string())
}

/// The same as JSON, with the elements that were asked for.
pub(super) fn value_as_read(version: &Version, elements: &Elements) -> Result<Value, ApiError> {
    let mut body: Value = serde_json::from_str(&body_as_read(version)?)
        .map_err(|_| ApiError::Store(StoreError::Row("a body is not JSON")))?;
    elements.keep(&mut body);
    Ok(body)
}

/// One version of a resource with its headers.
pub(super) fn resource(
    status: StatusCode,
    version: &Version,
    elements: &Elements,
) -> Result<HttpResponse, ApiError> {
    let body =
        if elements.all() { body_as_read(version)? } else { value_as_read(version, elements)?.to_string() };
    let mut response = HttpResponseBuilder::new(status);
    version_headers(&mut response, version.version, version.updated);
    Ok(response.content_type(FHIR_JSON).body(body))
}

pub(super) fn etag(version: i64) -> String {
    format!("W/\"{version}\"")
}

/// The version that one entity tag names, weak or not.
pub(super) fn version_of(tag: &str) -> Option<i64> {
    let tag = tag.strip_prefix("W/").unwrap_or(tag);
    tag.strip_prefix('"')?.strip_suffix('"')?.parse().ok().filter(|version| *version > 0)
}

fn version_headers(response: &mut HttpResponseBuilder, version: i64, updated: i64) {
    response.insert_header((ETAG, etag(version)));
    if let Ok(date) =
        jiff::fmt::rfc2822::DateTimePrinter::new().timestamp_to_rfc9110_string(&instant(updated))
    {
        response.insert_header((LAST_MODIFIED, date));
    }
}

fn location(base: &str, placed: &Placed) -> String {
    format!("{base}/{}/{}/_history/{}", placed.resource_type, placed.id, placed.version)
}

fn related(response: &mut HttpResponseBuilder, base: &str, accepted: &Accepted) {
    for id in &accepted.assessments {
        response.append_header((LINK, format!("<{base}/RiskAssessment/{id}>; rel=\"related\"")));
    }
}

/// The answer to a transaction: one entry for each, in the same order.
pub(super) async fn transaction(
    accepted: &Accepted,
    base: &str,
    wish: Return,
    store: &Store,
    reach: &Reach,
) -> Result<HttpResponse, ApiError> {
    let mut entries = Vec::with_capacity(accepted.entries.len());
    for entry in &accepted.entries {
        entries.push(transaction_entry(entry, base, wish, store, reach).await?);
    }
    let mut bundle = json!({ "resourceType": "Bundle", "type": "transaction-response" });
    if let Some(object) = bundle.as_object_mut()
        && !entries.is_empty()
    {
        object.insert("entry".to_owned(), Value::Array(entries));
    }
    let mut response = HttpResponseBuilder::new(StatusCode::OK);
    if let Some(granted) = wish.granted() {
        response.insert_header((PREFERENCE_APPLIED, granted));
    }
    related(&mut response, base, accepted);
    Ok(response.content_type(FHIR_JSON).body(bundle.to_string()))
}

async fn transaction_entry(
    entry: &EntryAnswer,
    base: &str,
    wish: Return,
    store: &Store,
    reach: &Reach,
) -> Result<Value, ApiError> {
    let mut response = Map::new();
    let status = match entry.done {
        Done::Created => "201 Created",
        Done::Updated | Done::Unchanged => "200 OK",
        // Taken note of and not kept: RFC 9110 has no better word for it.
        Done::Context => "202 Accepted",
    };
    response.insert("status".to_owned(), json!(status));
    let mut out = Map::new();
    if let Some(placed) = &entry.resource {
        response.insert("location".to_owned(), json!(location(base, placed)));
        response.insert("etag".to_owned(), json!(etag(placed.version)));
        response.insert("lastModified".to_owned(), json!(instant(placed.updated).to_string()));
        if wish == Return::Representation
            && let Some(version) = stored(store, placed, reach).await?
        {
            let body: Value = serde_json::from_str(&body_as_read(&version)?)
                .map_err(|_| ApiError::Store(StoreError::Row("a body is not JSON")))?;
            out.insert("resource".to_owned(), body);
        }
    }
    if let Some(outcome) = &entry.outcome {
        response.insert("outcome".to_owned(), outcome.clone());
    }
    out.insert("response".to_owned(), Value::Object(response));
    Ok(Value::Object(out))
}

/// The answer to a create.
pub(super) async fn create(
    accepted: &Accepted,
    base: &str,
    wish: Return,
    store: &Store,
    reach: &Reach,
) -> Result<HttpResponse, ApiError> {
    let entry = accepted.entries.first().ok_or(ApiError::Store(StoreError::Row("an answer has no entry")))?;
    let placed =
        entry.resource.as_ref().ok_or(ApiError::Store(StoreError::Row("an answer has no resource")))?;
    let status = match entry.done {
        Done::Created => StatusCode::CREATED,
        Done::Updated | Done::Unchanged | Done::Context => StatusCode::OK,
    };
    let mut response = HttpResponseBuilder::new(status);
    response.insert_header((LOCATION, location(base, placed)));
    if let Some(granted) = wish.granted() {
        response.insert_header((PREFERENCE_APPLIED, granted));
    }
    version_headers(&mut response, placed.version, placed.updated);
    related(&mut response, base, accepted);
    match wish {
        Return::Minimal => Ok(response.finish()),
        Return::OperationOutcome => {
            let outcome = entry.outcome.clone();
            let body = outcome.unwrap_or_else(|| operation_outcome(&[], "Observation"));
            Ok(response.content_type(FHIR_JSON).body(body.to_string()))
        }
        Return::Representation | Return::Unsaid => match stored(store, placed, reach).await? {
            Some(version) => Ok(response.content_type(FHIR_JSON).body(body_as_read(&version)?)),
            None => Ok(response.finish()),
        },
    }
}

async fn stored(store: &Store, placed: &Placed, reach: &Reach) -> Result<Option<Version>, ApiError> {
    let version = store.version(&placed.resource_type, &placed.id, placed.version, reach).await?;
    Ok(version.filter(|version| !version.is_purged()))
}
