//! Reading a resource and its history.

use actix_web::http::StatusCode;
use actix_web::http::header::{ETAG, IF_NONE_MATCH};
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::{Value, json};
use url::form_urlencoded;

use super::elements::Elements;
use super::error::ApiError;
use super::negotiate::{accept_json, header};
use super::search::{LARGEST_COUNT, USUAL_COUNT};
use super::{STORED_TYPES, State, access, answer, audit, base};
use crate::access::Caller;
use crate::clock::instant;
use crate::store::StoreError;

const ABSENT: ApiError = ApiError::NotFound("No resource of this type has this id.");

/// Who asks, when the resource may be asked for at all.
async fn allowed(
    state: &State,
    request: &HttpRequest,
    resource_type: &str,
    id: &str,
) -> Result<Caller, ApiError> {
    let caller = access::require_reading(&state.access, request, resource_type).await?;
    accept_json(request)?;
    if !STORED_TYPES.contains(&resource_type) {
        return Err(ApiError::NotFound("Resources of this type are not kept."));
    }
    // What is no id (HL7 FHIR R4, datatype id) is nobody's; the store is not asked.
    let allowed = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.');
    if id.bytes().all(allowed) { Ok(caller) } else { Err(ABSENT) }
}

/// `GET /fhir/{type}/{id}`
pub(super) async fn read(
    state: web::Data<State>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, ApiError> {
    let elements = Elements::of_query(request.query_string());
    current(&state, &request, &path, header(&request, IF_NONE_MATCH), &elements).await
}

/// The current version of a resource, unless the caller has it already.
pub(super) async fn current(
    state: &State,
    request: &HttpRequest,
    (resource_type, id): &(String, String),
    had: Option<&str>,
    elements: &Elements,
) -> Result<HttpResponse, ApiError> {
    let caller = allowed(state, request, resource_type, id).await?;
    let version = state.intake.store.read(resource_type, id, &caller.reach()).await?.ok_or(ABSENT)?;
    audit::note_read(state, &caller, vec![format!("{resource_type}/{id}")]).await?;
    // Tags are compared weakly (RFC 9110, section 13.1.2).
    let known = |tag: &str| tag == "*" || answer::version_of(tag) == Some(version.version);
    if had.is_some_and(|tags| tags.split(',').any(|tag| known(tag.trim()))) {
        let etag = answer::etag(version.version);
        return Ok(HttpResponse::NotModified().insert_header((ETAG, etag)).finish());
    }
    answer::resource(StatusCode::OK, &version, elements)
}

/// `GET /fhir/{type}/{id}/_history/{version}`
pub(super) async fn version(
    state: web::Data<State>,
    request: HttpRequest,
    path: web::Path<(String, String, String)>,
) -> Result<HttpResponse, ApiError> {
    let elements = Elements::of_query(request.query_string());
    one_version(&state, &request, &path, &elements).await
}

/// One version of a resource.
pub(super) async fn one_version(
    state: &State,
    request: &HttpRequest,
    (resource_type, id, number): &(String, String, String),
    elements: &Elements,
) -> Result<HttpResponse, ApiError> {
    let caller = allowed(state, request, resource_type, id).await?;
    // What is no number of ours names nothing.
    let number = number.parse().map_err(|_| ABSENT)?;
    let version = state.intake.store.version(resource_type, id, number, &caller.reach()).await?;
    let version = version.ok_or(ABSENT)?;
    if version.is_purged() {
        return Err(ApiError::NotFound(
            "This version was superseded and is purged; the current one can be read.",
        ));
    }
    audit::note_read(state, &caller, vec![format!("{resource_type}/{id}")]).await?;
    answer::resource(StatusCode::OK, &version, elements)
}

/// `GET /fhir/{type}/{id}/_history`
pub(super) async fn history(
    state: web::Data<State>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, ApiError> {
    all_versions(&state, &request, &path, request.query_string()).await
}

/// Where a page of a history begins. Of our making: callers follow links.
const BEFORE: &str = "_before";

/// The number of versions on a page, and the version before which it begins.
fn page(query: &str) -> Result<(u32, i64), ApiError> {
    let (mut count, mut before) = (USUAL_COUNT, i64::MAX);
    for (name, value) in form_urlencoded::parse(query.as_bytes()) {
        let wrong =
            |_| ApiError::Parameter { name: name.clone().into_owned(), text: "it takes a whole number." };
        match name.as_ref() {
            "_count" => count = value.parse::<u32>().map_err(wrong)?.min(LARGEST_COUNT),
            BEFORE => before = value.parse().map_err(wrong)?,
            _ => {}
        }
    }
    Ok((count, before))
}

/// The versions of a resource, a page of them.
pub(super) async fn all_versions(
    state: &State,
    request: &HttpRequest,
    (resource_type, id): &(String, String),
    query: &str,
) -> Result<HttpResponse, ApiError> {
    let caller = allowed(state, request, resource_type, id).await?;
    let (count, before) = page(query)?;
    let (total, history) =
        state.intake.store.history(resource_type, id, &caller.reach(), before, count).await?;
    if total == 0 {
        return Err(ABSENT);
    }
    audit::note_read(state, &caller, vec![format!("{resource_type}/{id}")]).await?;
    let base = base(state, request);
    let mut entries = Vec::with_capacity(history.len());
    for version in &history {
        let (method, url, status) = if version.version == 1 {
            ("POST", resource_type.clone(), "201 Created")
        } else {
            ("PUT", format!("{resource_type}/{id}"), "200 OK")
        };
        let mut entry = json!({
            "fullUrl": format!("{base}/{resource_type}/{id}"),
            "request": { "method": method, "url": url },
            "response": {
                "status": status,
                "etag": answer::etag(version.version),
                "lastModified": instant(version.updated).to_string()
            }
        });
        // An entry without its resource (HL7 FHIR R4, Bundle, bdl-5): there was this version, and it is purged.
        if let Some(object) = entry.as_object_mut().filter(|_| !version.is_purged()) {
            let body: Value = serde_json::from_str(&answer::body_as_read(version)?)
                .map_err(|_| ApiError::Store(StoreError::Row("a body is not JSON")))?;
            object.insert("resource".to_owned(), body);
        }
        entries.push(entry);
    }
    let address = |before: Option<i64>| {
        let mut pairs = Vec::new();
        if count != USUAL_COUNT {
            pairs.push(format!("_count={count}"));
        }
        pairs.extend(before.map(|before| format!("{BEFORE}={before}")));
        let mark = if pairs.is_empty() { "" } else { "?" };
        format!("{base}/{resource_type}/{id}/_history{mark}{}", pairs.join("&"))
    };
    let here = (before < i64::MAX).then_some(before);
    let mut links = vec![json!({ "relation": "self", "url": address(here) })];
    // Versions are numbered from 1.
    if let Some(last) = history.last().map(|version| version.version).filter(|last| *last > 1) {
        links.push(json!({ "relation": "next", "url": address(Some(last)) }));
    }
    let mut bundle = json!({ "resourceType": "Bundle", "type": "history", "total": total, "link": links });
    if let Some(object) = bundle.as_object_mut().filter(|_| !entries.is_empty()) {
        object.insert("entry".to_owned(), Value::Array(entries));
    }
    Ok(answer::fhir(StatusCode::OK, bundle.to_string()))
}
