//! Batch Bundles: entries that have nothing to do with each other, each with an answer of its own.
//!
//! An entry is a read, a search, or a single Observation that is created or updated. An exam goes as a transaction. Each
//! entry is let through, counted and audited like a request of its own.

use actix_web::body::to_bytes;
use actix_web::http::StatusCode;
use actix_web::http::header::{ETAG, HeaderName, LAST_MODIFIED, LINK, LOCATION};
use actix_web::{HttpRequest, HttpResponse, ResponseError};
use serde_json::{Map, Value, json};
use solewire_profiles::json::{Document, Limits};

use super::elements::Elements;
use super::error::ApiError;
use super::negotiate::{Return, accept_json, header, preferred_return};
use super::submit::{Conditions, hand_in, replaced, taken};
use super::{State, access, answer as answers, base, read, search};
use crate::intake::{Expected, Target};
use crate::store::StoreError;

/// Most entries of a batch.
const MOST_ENTRIES: usize = 100;
/// Longest key of a batch, so that the keys of its entries fit.
const LONGEST_KEY: usize = 240;

/// The entries of a body that is a batch Bundle; nothing when it is anything else.
pub(super) fn entries(bytes: &[u8]) -> Result<Option<Vec<Value>>, ApiError> {
    let word = b"\"batch\"";
    // Reading a body costs, and nearly none is a batch.
    if !bytes.windows(word.len()).any(|part| part == word) {
        return Ok(None);
    }
    let Ok(document) = Document::parse(bytes.to_vec(), Limits::default()) else { return Ok(None) };
    let body = document.value();
    let is = |name: &str, value: &str| body.get(name).and_then(Value::as_str) == Some(value);
    if !is("resourceType", "Bundle") || !is("type", "batch") {
        return Ok(None);
    }
    let entries = body.get("entry").and_then(Value::as_array).cloned().unwrap_or_default();
    if entries.len() > MOST_ENTRIES {
        return Err(ApiError::Request {
            text: "The batch has more than 100 entries.",
            mend: "Send it in several batches.",
        });
    }
    Ok(Some(entries))
}

/// Answers a batch entry by entry, in their order. What one comes to changes nothing for the others.
pub(super) async fn answer(
    state: &State,
    request: &HttpRequest,
    entries: Vec<Value>,
) -> Result<HttpResponse, ApiError> {
    accept_json(request)?;
    // Without a caller there is nothing to answer entry by entry.
    access::require_known(&state.access, request).await?;
    let key = header(request, "Idempotency-Key");
    if key.is_some_and(|key| key.is_empty() || key.len() > LONGEST_KEY) {
        return Err(ApiError::Request {
            text: "The Idempotency-Key of a batch is empty or longer than 240 characters.",
            mend: "Use a UUID.",
        });
    }
    let mut answered = Vec::with_capacity(entries.len());
    for (number, entry) in entries.iter().enumerate() {
        let key = key.map(|key| format!("{key}#{number}"));
        let response = match served(state, request, entry, key).await {
            Ok(response) => response,
            Err(error) => without_positions(error).error_response(),
        };
        answered.push(entry_of(response).await?);
    }
    let mut bundle = json!({ "resourceType": "Bundle", "type": "batch-response" });
    if let Some(object) = bundle.as_object_mut().filter(|_| !answered.is_empty()) {
        object.insert("entry".to_owned(), Value::Array(answered));
    }
    Ok(answers::fhir(StatusCode::OK, bundle.to_string()))
}

/// Lines and columns would be those of the entry alone, which was not sent as such.
fn without_positions(error: ApiError) -> ApiError {
    match error {
        ApiError::Document { status, mut issues, root } => {
            issues.iter_mut().for_each(|issue| issue.position = None);
            ApiError::Document { status, issues, root }
        }
        other => other,
    }
}

async fn served(
    state: &State,
    request: &HttpRequest,
    entry: &Value,
    key: Option<String>,
) -> Result<HttpResponse, ApiError> {
    let said = |name: &str| entry.pointer(&format!("/request/{name}")).and_then(Value::as_str);
    let (Some(method), Some(url)) = (said("method"), said("url")) else {
        return Err(ApiError::Request {
            text: "The entry does not say what is asked for.",
            mend: "Give entry.request a method and a url, such as GET and RiskAssessment?_count=10.",
        });
    };
    let (path, query) = url.split_once('?').unwrap_or((url, ""));
    let parts: Vec<&str> = path.trim_start_matches('/').split('/').collect();
    let owned = |text: &str| text.to_owned();
    match (method, parts.as_slice()) {
        ("GET", [kind]) => search::run(state, request, kind, &[query.as_bytes()]).await,
        ("GET", [kind, id]) => {
            let place = (owned(kind), owned(id));
            read::current(state, request, &place, said("ifNoneMatch"), &Elements::of_query(query)).await
        }
        ("GET", [kind, id, "_history"]) => {
            read::all_versions(state, request, &(owned(kind), owned(id))).await
        }
        ("GET", [kind, id, "_history", version]) => {
            let place = (owned(kind), owned(id), owned(version));
            read::one_version(state, request, &place, &Elements::of_query(query)).await
        }
        ("POST", [kind]) if !kind.is_empty() => {
            taken(kind)?;
            let conditions = Conditions { key, if_none_exist: said("ifNoneExist").map(str::to_owned) };
            written(state, request, entry, None, conditions).await
        }
        ("PUT", [kind, id]) => {
            taken(kind)?;
            let target = Target { id: owned(id), version: replaced(said("ifMatch"))? };
            written(state, request, entry, Some(target), Conditions { key, ..Conditions::default() }).await
        }
        _ => Err(ApiError::Request {
            text: "A batch does not take this.",
            mend: "Read, search, or create or update single Observations; send an exam as a transaction of its own.",
        }),
    }
}

async fn written(
    state: &State,
    request: &HttpRequest,
    entry: &Value,
    target: Option<Target>,
    conditions: Conditions,
) -> Result<HttpResponse, ApiError> {
    let resource = entry.get("resource").ok_or(ApiError::Request {
        text: "The entry has no resource.",
        mend: "Put the Observation into entry.resource.",
    })?;
    let bytes = resource.to_string().into_bytes();
    let (accepted, reach) = hand_in(state, request, bytes, Expected::Observation, target, conditions).await?;
    // As in the answer to a transaction, the resource comes back where it is asked for.
    let wish = match preferred_return(request) {
        Return::Unsaid => Return::OperationOutcome,
        said => said,
    };
    answers::create(&accepted, &base(state, request), wish, &state.intake.store, &reach).await
}

/// An answer as an entry of a batch-response.
async fn entry_of(answer: HttpResponse) -> Result<Value, ApiError> {
    let status = answer.status();
    let text = |name: HeaderName| answer.headers().get(name).and_then(|value| value.to_str().ok());
    let mut response = Map::new();
    let reason = status.canonical_reason().unwrap_or_default();
    response.insert("status".to_owned(), json!(format!("{} {reason}", status.as_u16()).trim_end()));
    if let Some(location) = text(LOCATION) {
        response.insert("location".to_owned(), json!(location));
    }
    if let Some(etag) = text(ETAG) {
        response.insert("etag".to_owned(), json!(etag));
    }
    let changed = text(LAST_MODIFIED).and_then(|date| jiff::fmt::rfc2822::parse(date).ok());
    if let Some(changed) = changed {
        response.insert("lastModified".to_owned(), json!(changed.timestamp().to_string()));
    }
    let related: Vec<Value> = answer
        .headers()
        .get_all(LINK)
        .filter_map(|value| value.to_str().ok()?.strip_prefix('<')?.split_once('>'))
        .map(|(address, _)| json!({ "relation": "related", "url": address }))
        .collect();
    let bytes = to_bytes(answer.into_body()).await.map_err(|_| ApiError::Crashed)?;
    let mut entry = Map::new();
    if !related.is_empty() {
        entry.insert("link".to_owned(), Value::Array(related));
    }
    if !bytes.is_empty() {
        let body: Value = serde_json::from_slice(&bytes)
            .map_err(|_| ApiError::Store(StoreError::Row("an answer is not JSON")))?;
        if body.get("resourceType").and_then(Value::as_str) == Some("OperationOutcome") {
            response.insert("outcome".to_owned(), body);
        } else {
            entry.insert("resource".to_owned(), body);
        }
    }
    entry.insert("response".to_owned(), Value::Object(response));
    Ok(Value::Object(entry))
}
