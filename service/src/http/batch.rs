//! Batch Bundles: entries that have nothing to do with each other, each with an answer of its own.
//!
//! An entry is a read, a search, or a single Observation that is created or updated. An exam goes as a transaction. Each
//! entry is let through, counted and audited like a request of its own.

use actix_web::body::to_bytes;
use actix_web::http::StatusCode;
use actix_web::http::header::{ETAG, HeaderName, HeaderValue, LAST_MODIFIED, LINK, LOCATION};
use actix_web::{HttpRequest, HttpResponse, ResponseError};
use serde_json::{Map, Value, json};

use super::elements::Elements;
use super::error::ApiError;
use super::negotiate::{
    PREFERENCE_APPLIED, Return, accept_json, meant, preferred_handling, preferred_return,
};
use super::submit::{Conditions, hand_in, replaced, taken};
use super::{State, access, answer as answers, base, read, search};
use crate::intake::{Expected, Refusal, Target};
use crate::store::StoreError;

/// Most entries of a batch.
const MOST_ENTRIES: usize = 100;
/// Once the answers to its entries hold so much text, in bytes, nothing more is looked up for a batch. One answer more,
/// as long as that of any search, can be over it.
const MOST_ANSWERED: usize = 4 * 1024 * 1024;
/// Longest key of a batch, so that the keys of its entries fit.
const LONGEST_KEY: usize = 240;
/// Stands in the key of an entry between that of its batch and its place. No header can hold it (RFC 9110, section 5.5),
/// so no caller can give a key that is the key of an entry.
const KEY_SEPARATOR: char = '\u{1f}';

/// Whether a body may be a batch: reading it costs, and nearly none is.
pub(super) fn may_be(bytes: &[u8]) -> bool {
    let word = b"\"batch\"";
    bytes.windows(word.len()).any(|part| part == word)
}

/// The entries of a body that is a batch Bundle; nothing when it is anything else.
pub(super) async fn entries(
    state: &State,
    request: &HttpRequest,
    bytes: &[u8],
) -> Result<Option<Vec<Value>>, ApiError> {
    // Without a caller there is nothing to read, and nothing to answer entry by entry.
    access::require_known(&state.access, request).await?;
    let mut body = match state.intake.value(bytes.to_vec()).await {
        Ok(body) => body,
        // Whoever takes an exam in says why.
        Err(Refusal::Unreadable(_)) => return Ok(None),
        Err(refusal) => return Err(refusal.into()),
    };
    let is = |name: &str, value: &str| body.get(name).and_then(Value::as_str) == Some(value);
    if !is("resourceType", "Bundle") || !is("type", "batch") {
        return Ok(None);
    }
    let entries = match body.get_mut("entry").map(Value::take) {
        None => Vec::new(),
        Some(Value::Array(entries)) => entries,
        Some(_) => {
            return Err(ApiError::Request {
                text: "The entries of the batch are no array.",
                mend: "Put them into entry: [ ... ], even a single one.",
            });
        }
    };
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
    let key = meant(request, "Idempotency-Key")?;
    if key.is_some_and(|key| key.is_empty() || key.len() > LONGEST_KEY) {
        return Err(ApiError::Request {
            text: "The Idempotency-Key of a batch is empty or longer than 240 characters.",
            mend: "Use a UUID.",
        });
    }
    let wishes = [preferred_return(request).granted(), preferred_handling(request).granted()];
    let (mut granted, mut size) = (Vec::new(), 0);
    let mut answered = Vec::with_capacity(entries.len());
    for (number, entry) in entries.iter().enumerate() {
        let key = key.map(|key| format!("{key}{KEY_SEPARATOR}{number}"));
        let response = match served(state, request, entry, key, size < MOST_ANSWERED).await {
            Ok(response) => response,
            Err(error) => without_positions(error).error_response(),
        };
        let said = response.headers().get(PREFERENCE_APPLIED).and_then(|said| said.to_str().ok());
        granted.extend(wishes.iter().flatten().copied().filter(|wish| said == Some(*wish)));
        let (entry, length) = entry_of(response).await?;
        size += length;
        answered.push(entry);
    }
    let mut bundle = json!({ "resourceType": "Bundle", "type": "batch-response" });
    if let Some(object) = bundle.as_object_mut().filter(|_| !answered.is_empty()) {
        object.insert("entry".to_owned(), Value::Array(answered));
    }
    let mut response = answers::fhir(StatusCode::OK, bundle.to_string());
    let wishes: Vec<&str> = wishes.into_iter().flatten().filter(|wish| granted.contains(wish)).collect();
    if let Some(value) = HeaderValue::from_str(&wishes.join(", ")).ok().filter(|value| !value.is_empty()) {
        response.headers_mut().insert(PREFERENCE_APPLIED, value);
    }
    Ok(response)
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
    room: bool,
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
        ("GET", _) if !room => Err(ApiError::TooMuch),
        ("GET", [kind]) => search::run(state, request, kind, &[query.as_bytes()]).await,
        ("GET", [kind, id]) => {
            let place = (owned(kind), owned(id));
            read::current(state, request, &place, said("ifNoneMatch"), &Elements::of_query(query)).await
        }
        ("GET", [kind, id, "_history"]) => {
            read::all_versions(state, request, &(owned(kind), owned(id)), query).await
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

/// An answer as an entry of a batch-response, and how much text it holds, in bytes.
async fn entry_of(answer: HttpResponse) -> Result<(Value, usize), ApiError> {
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
    Ok((Value::Object(entry), bytes.len()))
}
