//! The audit, for operators: search and read of AuditEvents, on the listener for operators alone.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::{Value, json};
use url::form_urlencoded;

use super::error::ApiError;
use super::negotiate::{FormBody, Handling, accept_json, preferred_handling};
use super::parameters::date;
use super::{State, access, answer, base};
use crate::access::Caller;
use crate::audit::{AuditAction, AuditEvent};
use crate::config::Right;
use crate::store::{AuditRow, AuditSearch, Prefix, StoreError, Version};

const USUAL_COUNT: u32 = 50;
const LARGEST_COUNT: u32 = 200;
/// Where a page begins. Of our making: callers follow links.
const BEFORE: &str = "_before";

/// Keeps in the audit that somebody reads resources. Without that they are not given out.
pub(super) async fn note_read(state: &State, caller: &Caller, about: Vec<String>) -> Result<(), ApiError> {
    let event = AuditEvent { about, ..AuditEvent::of(AuditAction::Read, Some(&caller.name)) };
    let now = state.intake.clock.now_ms();
    Ok(state.intake.store.note(vec![event], caller.clinic.as_ref(), now).await?)
}

/// Keeps in the audit that somebody has the record system look at a delivery. Without that nothing is sent there.
pub(super) async fn note_sent(state: &State, caller: &Caller, delivery: i64) -> Result<(), ApiError> {
    let event = AuditEvent {
        delivery: Some(delivery),
        detail: Some("validate".to_owned()),
        ..AuditEvent::of(AuditAction::Send, Some(&caller.name))
    };
    let now = state.intake.clock.now_ms();
    Ok(state.intake.store.note(vec![event], caller.clinic.as_ref(), now).await?)
}

/// The same, for resources as they were found.
pub(super) async fn note_versions(
    state: &State,
    caller: &Caller,
    versions: &[Version],
) -> Result<(), ApiError> {
    let about = versions.iter().map(|one| format!("{}/{}", one.resource_type, one.id)).collect();
    note_read(state, caller, about).await
}

/// `GET /fhir/AuditEvent`
pub(super) async fn by_query(
    state: web::Data<State>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    run(&state, &request, &[request.query_string().as_bytes()]).await
}

/// `POST /fhir/AuditEvent/_search`
pub(super) async fn by_form(
    state: web::Data<State>,
    request: HttpRequest,
    FormBody(form): FormBody,
) -> Result<HttpResponse, ApiError> {
    run(&state, &request, &[request.query_string().as_bytes(), &form]).await
}

/// `GET /fhir/AuditEvent/{id}`
pub(super) async fn read(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Operate).await?;
    accept_json(&request)?;
    let search = AuditSearch { ids: Some(vec![id.into_inner()]), count: 1, ..AuditSearch::default() };
    let (rows, _) = state.intake.store.audited(&search, &caller.reach()).await?;
    let row = rows.into_iter().next().ok_or(ApiError::NotFound("No resource of this type has this id."))?;
    note_read(&state, &caller, vec![format!("AuditEvent/{}", row.id)]).await?;
    Ok(answer::fhir(StatusCode::OK, row.body))
}

async fn run(state: &State, request: &HttpRequest, encoded: &[&[u8]]) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, request, Right::Operate).await?;
    accept_json(request)?;
    let handling = preferred_handling(request);
    let mut search = AuditSearch { count: USUAL_COUNT, ..AuditSearch::default() };
    let mut used: Vec<(String, String)> = Vec::new();
    for (name, value) in encoded.iter().flat_map(|part| form_urlencoded::parse(part)) {
        let wrong = |text| ApiError::Parameter { name: name.clone().into_owned(), text };
        if value.contains('\0') {
            return Err(wrong("it holds a character that no value has."));
        }
        match name.as_ref() {
            "_id" => search.ids = Some(value.split(',').take(100).map(str::to_owned).collect()),
            "date" | "_lastUpdated" => {
                search.within.push(within(&value).ok_or_else(|| wrong("its value is not a date."))?);
            }
            "entity" => {
                let about = value.rsplit_once("/fhir/").map_or(&*value, |(_, relative)| relative);
                if !is_reference(about) {
                    return Err(wrong("it is not a reference such as RiskAssessment/ID."));
                }
                search.about = Some(about.to_owned());
            }
            "_count" => {
                let number: u32 = value.parse().map_err(|_| wrong("it takes a whole number."))?;
                search.count = number.min(LARGEST_COUNT);
            }
            BEFORE => {
                search.before = Some(value.parse().map_err(|_| wrong("it takes a whole number."))?);
                continue;
            }
            _ if handling == Handling::Strict => {
                return Err(ApiError::Parameter {
                    name: "?".to_owned(),
                    text: "this type has no such parameter.",
                });
            }
            _ => continue,
        }
        used.push((name.into_owned(), value.into_owned()));
    }
    let (rows, total) = state.intake.store.audited(&search, &caller.reach()).await?;
    note_read(state, &caller, rows.iter().map(|row| format!("AuditEvent/{}", row.id)).collect()).await?;
    let bundle = bundle(&base(state, request), &search, &used, &rows, total)?;
    Ok(answer::searched(&bundle, handling))
}

/// The instants that a date parameter asks for: from the first on, before the second.
fn within(value: &str) -> Option<(Option<i64>, Option<i64>)> {
    let (prefix, span) = date(value)?;
    match prefix {
        Prefix::Equal => Some((Some(span.low), Some(span.high))),
        Prefix::GreaterOrEqual => Some((Some(span.low), None)),
        Prefix::Greater | Prefix::StartsAfter => Some((Some(span.high), None)),
        Prefix::Less | Prefix::EndsBefore => Some((None, Some(span.low))),
        Prefix::LessOrEqual => Some((None, Some(span.high))),
        Prefix::NotEqual => None,
    }
}

/// `Type/id`, as HL7 FHIR R4 writes both.
fn is_reference(text: &str) -> bool {
    let id = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.');
    text.split_once('/').is_some_and(|(resource_type, own)| {
        !resource_type.is_empty()
            && resource_type.bytes().all(|byte| byte.is_ascii_alphabetic())
            && (1..=64).contains(&own.len())
            && own.bytes().all(id)
    })
}

fn bundle(
    base: &str,
    search: &AuditSearch,
    used: &[(String, String)],
    rows: &[AuditRow],
    total: u64,
) -> Result<Value, ApiError> {
    let address = |before: Option<i64>| {
        let mut query = form_urlencoded::Serializer::new(String::new());
        query.extend_pairs(used);
        if let Some(before) = before {
            query.append_pair(BEFORE, &before.to_string());
        }
        format!("{base}/AuditEvent?{}", query.finish())
    };
    let mut links = vec![json!({ "relation": "self", "url": address(search.before) })];
    let full = usize::try_from(search.count).is_ok_and(|count| count > 0 && rows.len() == count);
    if let Some(last) = rows.last().filter(|_| full) {
        links.push(json!({ "relation": "next", "url": address(Some(last.seq)) }));
    }
    let mut entries = Vec::with_capacity(rows.len());
    for row in rows {
        let body: Value = serde_json::from_str(&row.body)
            .map_err(|_| ApiError::Store(StoreError::Row("an event is not JSON")))?;
        entries.push(json!({
            "fullUrl": format!("{base}/AuditEvent/{}", row.id),
            "resource": body,
            "search": { "mode": "match" }
        }));
    }
    let mut bundle = json!({ "resourceType": "Bundle", "type": "searchset", "total": total, "link": links });
    if let Some(object) = bundle.as_object_mut().filter(|_| !entries.is_empty()) {
        object.insert("entry".to_owned(), Value::Array(entries));
    }
    Ok(bundle)
}
