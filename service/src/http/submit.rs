//! Handing in, assessing without storing, validating.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use jiff::Timestamp;
use serde_json::Value;

use super::error::ApiError;
use super::negotiate::{FhirBody, accept_json, meant, preferred_return};
use super::{State, access, answer, base, batch};
use crate::clinic::Reach;
use crate::config::Right;
use crate::intake::{Accepted, Expected, Handed, Refusal, Target, identifier_criterion};
use crate::metrics::SubmissionResult;
use crate::traces::{self, Kind, Said};

/// `POST /fhir`
pub(super) async fn transaction(
    state: web::Data<State>,
    request: HttpRequest,
    FhirBody(bytes): FhirBody,
) -> Result<HttpResponse, ApiError> {
    if batch::may_be(&bytes)
        && let Some(entries) = batch::entries(&state, &request, &bytes).await?
    {
        return batch::answer(&state, &request, entries).await;
    }
    let conditions = Conditions::of(&request)?;
    let (accepted, reach) = hand_in(&state, &request, bytes, Expected::Transaction, None, conditions).await?;
    let wish = preferred_return(&request);
    answer::transaction(&accepted, &base(&state, &request), wish, &state.intake.store, &reach).await
}

/// `POST /fhir/Observation`; other types come inside a transaction only.
pub(super) async fn create(
    state: web::Data<State>,
    request: HttpRequest,
    resource_type: web::Path<String>,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    taken(&resource_type)?;
    let FhirBody(bytes) =
        <FhirBody as actix_web::FromRequest>::from_request(&request, &mut payload.into_inner()).await?;
    let (accepted, reach) =
        hand_in(&state, &request, bytes, Expected::Observation, None, Conditions::of(&request)?).await?;
    let wish = preferred_return(&request);
    answer::create(&accepted, &base(&state, &request), wish, &state.intake.store, &reach).await
}

/// `PUT /fhir/Observation/{id}`; other types come inside a transaction only.
pub(super) async fn update(
    state: web::Data<State>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    let (resource_type, id) = path.into_inner();
    taken(&resource_type)?;
    access::require(&state.access, &request, Right::Submit).await?;
    let version = replaced(meant(&request, "If-Match")?)?;
    let FhirBody(bytes) =
        <FhirBody as actix_web::FromRequest>::from_request(&request, &mut payload.into_inner()).await?;
    let target = Some(Target { id, version });
    let (accepted, reach) =
        hand_in(&state, &request, bytes, Expected::Observation, target, Conditions::of(&request)?).await?;
    let wish = preferred_return(&request);
    answer::create(&accepted, &base(&state, &request), wish, &state.intake.store, &reach).await
}

/// Only single Observations are written by themselves.
pub(super) fn taken(resource_type: &str) -> Result<(), ApiError> {
    match resource_type {
        "Observation" => Ok(()),
        other if super::STORED_TYPES.contains(&other) => Err(ApiError::Method { allow: "GET".into() }),
        _ => Err(ApiError::NotFound("Resources of this type are neither taken nor kept.")),
    }
}

/// The version that an update replaces.
pub(super) fn replaced(if_match: Option<&str>) -> Result<i64, ApiError> {
    let tag = if_match.ok_or(ApiError::VersionUnsaid)?;
    answer::version_of(tag).ok_or(ApiError::Request {
        text: "If-Match does not name exactly one version.",
        mend: "Write the ETag of the version that was read, such as If-Match: W/\"1\".",
    })
}

/// On which terms something is handed in.
#[derive(Debug, Default)]
pub(super) struct Conditions {
    /// The idempotency key.
    pub(super) key: Option<String>,
    /// The criteria under which a create finds what is there.
    pub(super) if_none_exist: Option<String>,
}

impl Conditions {
    /// As the headers of a request say.
    fn of(request: &HttpRequest) -> Result<Conditions, ApiError> {
        Ok(Conditions {
            key: meant(request, "Idempotency-Key")?.map(str::to_owned),
            if_none_exist: meant(request, "If-None-Exist")?.map(str::to_owned),
        })
    }
}

/// Hands something in for whoever sent the request.
pub(super) async fn hand_in(
    state: &State,
    request: &HttpRequest,
    bytes: Vec<u8>,
    expected: Expected,
    target: Option<Target>,
    conditions: Conditions,
) -> Result<(Accepted, Reach), ApiError> {
    let caller = access::require(&state.access, request, Right::Submit).await?;
    accept_json(request)?;
    let key = conditions.key;
    if key.as_ref().is_some_and(|key| key.is_empty() || key.len() > 255) {
        return Err(ApiError::Request {
            text: "The Idempotency-Key is empty or longer than 255 characters.",
            mend: "Use a UUID.",
        });
    }
    let if_none_exist = match conditions.if_none_exist.as_deref() {
        None => None,
        Some(_) if target.is_some() => {
            return Err(ApiError::Request {
                text: "If-None-Exist is for creating.",
                mend: "Leave it out of an update.",
            });
        }
        Some(_) if expected == Expected::Transaction => {
            return Err(ApiError::Request {
                text: "If-None-Exist is for a single resource.",
                mend: "In a transaction use request.ifNoneExist of the entry.",
            });
        }
        Some(text) => Some(identifier_criterion(text).ok_or(ApiError::Request {
            text: "If-None-Exist does not name exactly one identifier with its system.",
            mend: "Write If-None-Exist: identifier=SYSTEM|VALUE.",
        })?),
    };
    let reach = caller.reach();
    let handed = Handed { bytes, expected, caller, key, if_none_exist, target };
    let mut span = state.traces.begin("intake", Kind::Internal, traces::current());
    let result = traces::within(span.as_ref(), state.intake.submit(handed)).await;
    let came_to = match &result {
        Ok(accepted) if accepted.changed => SubmissionResult::Accepted,
        Ok(_) => SubmissionResult::Unchanged,
        Err(Refusal::Store(_) | Refusal::Contended | Refusal::Crashed) => SubmissionResult::Failed,
        Err(_) => SubmissionResult::Refused,
    };
    state.metrics.submission(came_to);
    if let Some(span) = &mut span {
        span.say("solewire.submission.result", Said::Word(came_to.word()));
        if let Ok(accepted) = &result {
            span.say("solewire.submission.entries", Said::Number(count(accepted.entries.len())));
            span.say("solewire.submission.assessments", Said::Number(count(accepted.assessments.len())));
        }
        if came_to == SubmissionResult::Failed {
            span.failed();
        }
    }
    Ok((result?, reach))
}

fn count(number: usize) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

/// `POST /fhir/$assess`
pub(super) async fn assess(
    state: web::Data<State>,
    request: HttpRequest,
    FhirBody(bytes): FhirBody,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Submit).await?;
    accept_json(&request)?;
    let at = match parameter(&request, "at") {
        None => None,
        Some(text) => Some(text.parse::<Timestamp>().map_err(|_| ApiError::Request {
            text: "The parameter `at` is not an instant.",
            mend: "Write it as 2026-11-25T14:00:00Z, with `%2B` for a plus sign.",
        })?),
    };
    let bundle = state.intake.assess(bytes, at, caller.clinic.as_ref()).await?;
    Ok(answer::fhir(StatusCode::OK, bundle.to_string()))
}

/// `POST /fhir/{type}/$validate`
pub(super) async fn validate(
    state: web::Data<State>,
    request: HttpRequest,
    resource_type: web::Path<String>,
    FhirBody(bytes): FhirBody,
) -> Result<HttpResponse, ApiError> {
    access::require(&state.access, &request, Right::Submit).await?;
    accept_json(&request)?;
    if parameter(&request, "profile").is_some() {
        return Err(ApiError::Request {
            text: "A profile cannot be named; every resource is held against all profiles that apply to it.",
            mend: "Leave out the parameter `profile`.",
        });
    }
    let (bytes, wrapped) = unwrapped(&state, bytes, &resource_type).await?;
    let checked = state.intake.check(bytes).await?;
    if checked.root != *resource_type {
        return Err(ApiError::Request {
            text: "The resource is not of the type in the address.",
            mend: "Send it to the $validate of its own type.",
        });
    }
    let mut issues = checked.issues;
    if wrapped {
        // Lines and columns would be those of the inner text, which the caller has not sent as such.
        issues.iter_mut().for_each(|issue| issue.position = None);
    }
    Ok(answer::fhir(StatusCode::OK, answer::outcome(&issues, &checked.root).to_string()))
}

/// The resource inside a Parameters body, as the operation also takes it; and whether there was one.
async fn unwrapped(state: &State, bytes: Vec<u8>, resource_type: &str) -> Result<(Vec<u8>, bool), ApiError> {
    let word = b"\"Parameters\"";
    // Reading a body costs, and most are the resource itself.
    if resource_type == "Parameters" || !bytes.windows(word.len()).any(|part| part == word) {
        return Ok((bytes, false));
    }
    let body = match state.intake.value(bytes.clone()).await {
        Ok(body) => body,
        // Whoever checks it says why.
        Err(Refusal::Unreadable(_)) => return Ok((bytes, false)),
        Err(refusal) => return Err(refusal.into()),
    };
    if body.get("resourceType").and_then(Value::as_str) != Some("Parameters") {
        return Ok((bytes, false));
    }
    let resource = body
        .get("parameter")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .find(|parameter| parameter.get("name").and_then(Value::as_str) == Some("resource"))
        .and_then(|parameter| parameter.get("resource"));
    Ok(match resource {
        Some(resource) => (resource.to_string().into_bytes(), true),
        None => (bytes, false),
    })
}

fn parameter(request: &HttpRequest, name: &str) -> Option<String> {
    url::form_urlencoded::parse(request.query_string().as_bytes())
        .find(|(found, _)| found == name)
        .map(|(_, value)| value.into_owned())
}
