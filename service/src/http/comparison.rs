//! What the record system holds of what was delivered, and what it says of it, for operators: before a replay, and after
//! the record system was put back from a backup. Nothing is stored there; sending again takes a replay.

use actix_web::{HttpRequest, HttpResponse, web};
use serde::Deserialize;
use serde_json::{Value, json};

use super::audit::note_sent;
use super::error::ApiError;
use super::operations::number;
use super::{State, access};
use crate::access::Caller;
use crate::config::Right;
use crate::delivery::{Client, Comparison, Trouble, Validation, compare, validate};
use crate::store::Delivery;

/// So many deliveries are looked up for one answer; each takes a handful of searches.
const PAGE: u32 = 20;

/// Where to go on.
#[derive(Debug, Deserialize)]
pub(super) struct Paging {
    after: Option<i64>,
}

/// `GET /operations/deliveries/{id}/comparison`
pub(super) async fn one(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Operate).await?;
    let delivery = carrying(&state, &caller, &id).await?;
    let comparison = looked_up(record_system(&state)?, &delivery.payload).await?;
    Ok(HttpResponse::Ok().json(shown(delivery.id, &comparison)))
}

/// `GET /operations/deliveries/{id}/validation`
pub(super) async fn validated(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Operate).await?;
    let delivery = carrying(&state, &caller, &id).await?;
    let client = record_system(&state)?;
    note_sent(&state, &caller, delivery.id).await?;
    let validation = validate(client, &delivery.payload).await.map_err(unreachable)?;
    let Validation::Judged(judged) = validation else {
        return Err(ApiError::Conflict {
            text: "The record system has no $validate, or not for what this delivery carries.",
            mend: "Look at the delivery itself: what the record system said to the last attempt stands in remoteOutcome.",
        });
    };
    let refused: Vec<Value> = judged
        .iter()
        .filter(|one| one.refused)
        .map(|one| json!({ "resource": one.resource, "outcome": one.outcome }))
        .collect();
    Ok(HttpResponse::Ok()
        .json(json!({ "delivery": delivery.id, "resources": judged.len(), "refused": refused })))
}

/// A delivery that the caller may see and that still has what it carried.
async fn carrying(state: &State, caller: &Caller, id: &str) -> Result<Delivery, ApiError> {
    let delivery = state.intake.store.delivery(number(id)?, &caller.reach()).await?;
    let delivery = delivery.ok_or(ApiError::NotFound("There is no such delivery."))?;
    if delivery.purged.is_some() {
        return Err(ApiError::Conflict {
            text: "What it carried was purged after its delivery, so there is nothing to compare with.",
            mend: "Compare a delivery that is not purged, or read the exam in both systems.",
        });
    }
    Ok(delivery)
}

/// `GET /operations/comparison`: the deliveries that the record system does not hold as they were sent.
pub(super) async fn all(
    state: web::Data<State>,
    request: HttpRequest,
    paging: Result<web::Query<Paging>, actix_web::Error>,
) -> Result<HttpResponse, ApiError> {
    let reach = access::require(&state.access, &request, Right::Operate).await?.reach();
    let Ok(web::Query(paging)) = paging else {
        return Err(ApiError::Request {
            text: "The query cannot be read.",
            mend: "Use after=NUMBER, where NUMBER is the `next` of the page before.",
        });
    };
    let client = record_system(&state)?;
    let taken = state.intake.store.taken(&reach, paging.after.unwrap_or(0), PAGE).await?;
    let full = taken.len() >= usize::try_from(PAGE).unwrap_or(usize::MAX);
    let next = taken.last().filter(|_| full).map(|taken| taken.id);
    let (compared, mut differ) = (taken.len(), Vec::new());
    for taken in taken {
        let comparison = looked_up(client, &taken.payload).await?;
        if !comparison.differ.is_empty() {
            differ.push(shown(taken.id, &comparison));
        }
    }
    Ok(HttpResponse::Ok().json(json!({ "compared": compared, "differ": differ, "next": next })))
}

fn record_system(state: &State) -> Result<&Client, ApiError> {
    state.record_system.as_deref().ok_or(ApiError::Conflict {
        text: "There is no record system to look into.",
        mend: "Set `record_system.base_url`.",
    })
}

async fn looked_up(client: &Client, payload: &str) -> Result<Comparison, ApiError> {
    compare(client, payload).await.map_err(unreachable)
}

fn unreachable(trouble: Trouble) -> ApiError {
    ApiError::RecordSystem(trouble.failure.word())
}

fn shown(id: i64, comparison: &Comparison) -> Value {
    let differ: Vec<Value> = comparison
        .differ
        .iter()
        .map(|(resource, difference)| json!({ "resource": resource, "difference": difference.word() }))
        .collect();
    json!({
        "delivery": id,
        "resources": comparison.resources,
        "asSent": comparison.as_sent,
        "differ": differ
    })
}
