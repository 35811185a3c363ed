//! For operators: health, deliveries, metrics. Nothing here shows a value of an exam.

use actix_web::{HttpRequest, HttpResponse, web};
use serde::Deserialize;
use serde_json::{Value, json};

use super::error::ApiError;
use super::negotiate::FhirBody;
use super::{State, access};
use crate::clinic::Reach;
use crate::clock::instant;
use crate::config::Right;
use crate::delivery::LaneState;
use crate::store::{Attempt, Delivery, DeliveryState, OperatorRefusal};

const PAGE: u32 = 100;

/// `GET /health/live`: the process answers.
pub(super) async fn live() -> HttpResponse {
    HttpResponse::Ok().json(json!({ "status": "live" }))
}

/// `GET /health/ready`: the store takes writes. The record system has no say in it: exams are taken while it is away.
pub(super) async fn ready(state: web::Data<State>) -> Result<HttpResponse, ApiError> {
    state.intake.store.probe(state.intake.clock.now_ms()).await?;
    Ok(HttpResponse::Ok().json(json!({ "status": "ready" })))
}

/// `GET /metrics`
pub(super) async fn metrics(state: web::Data<State>) -> Result<HttpResponse, ApiError> {
    let counts = state.intake.store.outbox_counts(&Reach::All).await?;
    let text = state.metrics.render(&counts, &state.lane.state(), state.intake.clock.now_ms());
    Ok(HttpResponse::Ok().content_type("text/plain; version=0.0.4; charset=utf-8").body(text))
}

/// Which deliveries are asked for.
#[derive(Debug, Deserialize)]
pub(super) struct Listing {
    state: Option<String>,
    after: Option<i64>,
}

/// `GET /operations/deliveries`
pub(super) async fn list(
    state: web::Data<State>,
    request: HttpRequest,
    listing: Result<web::Query<Listing>, actix_web::Error>,
) -> Result<HttpResponse, ApiError> {
    let reach = access::require(&state.access, &request, Right::Operate).await?.reach();
    let Ok(web::Query(listing)) = listing else {
        return Err(ApiError::Request {
            text: "The query cannot be read.",
            mend: "Use state=STATE and after=NUMBER, where NUMBER is the `next` of the page before.",
        });
    };
    let wanted = match listing.state.as_deref() {
        None => None,
        Some(word) => Some(DeliveryState::of(word).ok_or(ApiError::Request {
            text: "There is no such state of a delivery.",
            mend: "Use pending, sending, unknown-outcome, delivered, verified, parked, discarded or withdrawn.",
        })?),
    };
    let store = &state.intake.store;
    let deliveries = store.deliveries(wanted, &reach, listing.after.unwrap_or(0), PAGE).await?;
    let next = (deliveries.len() == usize::try_from(PAGE).unwrap_or(usize::MAX))
        .then(|| deliveries.last().map(|delivery| delivery.id))
        .flatten();
    let counts: serde_json::Map<String, Value> = store
        .outbox_counts(&reach)
        .await?
        .states
        .into_iter()
        .map(|(state, number)| (state.word().to_owned(), json!(number)))
        .collect();
    Ok(HttpResponse::Ok().json(json!({
        "lane": lane(state.lane.state()),
        "counts": counts,
        "deliveries": deliveries.iter().map(summary).collect::<Vec<_>>(),
        "next": next
    })))
}

/// `GET /operations/deliveries/{id}`
pub(super) async fn one(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let reach = access::require(&state.access, &request, Right::Operate).await?.reach();
    shown(&state, number(&id)?, &reach).await
}

/// Why an operator acts.
#[derive(Debug, Default, Deserialize)]
struct Wish {
    reason: Option<String>,
    /// How many deliveries are meant, as the preview told.
    deliveries: Option<u64>,
}

/// `POST /operations/deliveries/{id}/replay`
pub(super) async fn replay(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Operate).await?;
    let reach = caller.reach();
    let id = number(&id)?;
    let reason = wish(&request, payload).await?.reason;
    let now = state.intake.clock.now_ms();
    let done = state.intake.store.replay(id, &reach, &caller.name, reason.as_deref(), now).await?;
    done.map_err(refusal)?;
    state.wake.notify_one();
    tracing::info!(delivery = id, caller = caller.name, "replayed by an operator");
    shown(&state, id, &reach).await
}

/// Which deliveries are meant.
#[derive(Debug, Deserialize)]
pub(super) struct Chosen {
    state: String,
}

/// `GET /operations/replay`: what the same by POST would come to.
pub(super) async fn replay_preview(
    state: web::Data<State>,
    request: HttpRequest,
    chosen: Result<web::Query<Chosen>, actix_web::Error>,
) -> Result<HttpResponse, ApiError> {
    let reach = access::require(&state.access, &request, Right::Operate).await?.reach();
    let chosen = chosen_state(chosen)?;
    let preview = state.intake.store.replay_preview(chosen, &reach).await?;
    Ok(HttpResponse::Ok().json(json!({
        "state": chosen.word(),
        "deliveries": preview.deliveries,
        "exams": preview.exams,
        "superseded": preview.superseded,
        "purged": preview.purged
    })))
}

/// `POST /operations/replay`
pub(super) async fn replay_all(
    state: web::Data<State>,
    request: HttpRequest,
    chosen: Result<web::Query<Chosen>, actix_web::Error>,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Operate).await?;
    let reach = caller.reach();
    let chosen = chosen_state(chosen)?;
    let Wish { reason, deliveries } = wish(&request, payload).await?;
    let previewed = deliveries.ok_or(ApiError::Request {
        text: "Replaying many takes the number of deliveries that the preview told.",
        mend: "Ask for the same address with GET and send its {\"deliveries\": NUMBER}, with a reason where it takes one.",
    })?;
    let now = state.intake.clock.now_ms();
    let reason = reason.as_deref();
    let done = state.intake.store.replay_all(chosen, &reach, &caller.name, reason, previewed, now).await?;
    let replayed = done.map_err(refusal)?;
    state.wake.notify_one();
    tracing::info!(
        state = chosen.word(),
        deliveries = replayed,
        caller = caller.name,
        "replayed by an operator"
    );
    Ok(HttpResponse::Ok().json(json!({ "state": chosen.word(), "replayed": replayed })))
}

fn chosen_state(chosen: Result<web::Query<Chosen>, actix_web::Error>) -> Result<DeliveryState, ApiError> {
    let word = chosen.ok().map(|web::Query(chosen)| chosen.state);
    word.and_then(|word| DeliveryState::of(&word)).ok_or(ApiError::Request {
        text: "It is not said which deliveries are meant.",
        mend: "Use state=parked, or another state of deliveries that are finished or uncertain.",
    })
}

/// `POST /operations/deliveries/{id}/discard`
pub(super) async fn discard(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Operate).await?;
    let reach = caller.reach();
    let id = number(&id)?;
    let reason = wish(&request, payload).await?.reason.ok_or(ApiError::Request {
        text: "Giving a delivery up takes a reason.",
        mend: "Send {\"reason\": \"...\"}.",
    })?;
    let now = state.intake.clock.now_ms();
    let done = state.intake.store.discard(id, &reach, &caller.name, &reason, now).await?;
    done.map_err(refusal)?;
    state.wake.notify_one();
    tracing::info!(delivery = id, caller = caller.name, "discarded by an operator");
    shown(&state, id, &reach).await
}

/// What the body says; a request without a body says nothing.
async fn wish(request: &HttpRequest, payload: web::Payload) -> Result<Wish, ApiError> {
    let empty = request.headers().get("content-length").is_none_or(|length| length == "0")
        && !request.headers().contains_key("transfer-encoding");
    if empty {
        return Ok(Wish::default());
    }
    let mut payload = payload.into_inner();
    let FhirBody(bytes) = <FhirBody as actix_web::FromRequest>::from_request(request, &mut payload).await?;
    let wish: Wish = serde_json::from_slice(&bytes).map_err(|_| ApiError::Request {
        text: "The body is not a JSON object with a reason.",
        mend: "Send {\"reason\": \"...\"}.",
    })?;
    let reason = wish.reason.map(|reason| reason.trim().chars().take(500).collect());
    Ok(Wish { reason: reason.filter(|reason: &String| !reason.is_empty()), ..wish })
}

fn refusal(refusal: OperatorRefusal) -> ApiError {
    match refusal {
        OperatorRefusal::Absent => ApiError::NotFound("There is no such delivery."),
        OperatorRefusal::State(_) => ApiError::Conflict {
            text: "The delivery is in a state that does not allow this.",
            mend: "Look at its state; what waits or is under way goes by itself, what was taken cannot be given up.",
        },
        OperatorRefusal::Superseded => ApiError::Conflict {
            text: "A later version of its exam may have reached the record system, and this one would overwrite it.",
            mend: "Replay the latest version of the exam; it carries all of it.",
        },
        OperatorRefusal::Purged => ApiError::Conflict {
            text: "What it carried was purged after its delivery (`store.keep_delivered_days`), so it cannot go again.",
            mend: "Amend a result of the exam with PUT and If-Match: its new version carries all of the exam.",
        },
        OperatorRefusal::ReasonMissing => ApiError::Conflict {
            text: "The delivery was finished before; sending it again takes a reason.",
            mend: "Send {\"reason\": \"...\"}.",
        },
        OperatorRefusal::OtherNumber => ApiError::Conflict {
            text: "There are more or fewer such deliveries now than the number that was sent; none was replayed.",
            mend: "Look at the preview again, and send its number.",
        },
    }
}

pub(super) fn number(text: &str) -> Result<i64, ApiError> {
    text.parse().map_err(|_| ApiError::NotFound("There is no such delivery."))
}

async fn shown(state: &State, id: i64, reach: &Reach) -> Result<HttpResponse, ApiError> {
    let delivery = state.intake.store.delivery(id, reach).await?;
    let delivery = delivery.ok_or(ApiError::NotFound("There is no such delivery."))?;
    let mut shown = summary(&delivery);
    if let Some(object) = shown.as_object_mut() {
        let detail = delivery.detail.as_deref().and_then(|text| serde_json::from_str::<Value>(text).ok());
        object.insert("remoteOutcome".to_owned(), detail.unwrap_or(Value::Null));
        object.insert("entries".to_owned(), entries(&delivery.payload));
        let attempts = state.intake.store.attempts(id).await?;
        object.insert("history".to_owned(), attempts.iter().map(attempt).collect());
    }
    Ok(HttpResponse::Ok().json(shown))
}

fn attempt(attempt: &Attempt) -> Value {
    json!({
        "ended": instant(attempt.ended).to_string(),
        "milliseconds": attempt.took,
        "verdict": attempt.verdict,
        "failure": attempt.failure,
        "remoteStatus": attempt.remote_status,
        "remoteOutcome": attempt.detail.as_deref().and_then(|text| serde_json::from_str::<Value>(text).ok())
    })
}

/// Which resource each entry of the transaction carries, so that `Bundle.entry[6]` can be looked up here.
fn entries(payload: &str) -> Value {
    let bundle: Value = serde_json::from_str(payload).unwrap_or(Value::Null);
    let listed = bundle.get("entry").and_then(Value::as_array).into_iter().flatten().map(|entry| {
        let text = |pointer: &str| entry.pointer(pointer).and_then(Value::as_str).unwrap_or_default();
        json!(format!(
            "{}/{}",
            text("/resource/resourceType"),
            text("/fullUrl").trim_start_matches("urn:uuid:")
        ))
    });
    Value::Array(listed.collect())
}

/// What everybody who may operate is shown of a delivery.
pub(super) fn summary(delivery: &Delivery) -> Value {
    let waits = matches!(delivery.state, DeliveryState::Pending | DeliveryState::UnknownOutcome);
    json!({
        "id": delivery.id,
        "examVersion": delivery.exam_version,
        "state": delivery.state.word(),
        "attempts": delivery.attempts,
        "created": instant(delivery.created).to_string(),
        "updated": instant(delivery.updated).to_string(),
        "notBefore": waits.then(|| instant(delivery.due).to_string()),
        "failure": delivery.failure,
        "remoteStatus": delivery.remote_status,
        "purged": delivery.purged.map(|at| instant(at).to_string())
    })
}

fn lane(state: LaneState) -> Value {
    match state {
        LaneState::Off => json!({ "state": "off" }),
        LaneState::Open => json!({ "state": "open" }),
        LaneState::Paused { failure, since, failures, retry_at, missing_scope } => json!({
            "state": "paused",
            "failure": failure.word(),
            "since": instant(since).to_string(),
            "failures": failures,
            "retryAt": instant(retry_at).to_string(),
            "missingScope": missing_scope
        }),
    }
}
