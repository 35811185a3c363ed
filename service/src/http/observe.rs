//! Around every request: its id, one log line, one count. The line holds the route as a pattern, never the address.

use std::time::Instant;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, web};

use super::State;
use crate::traces::{self, Context, Kind, Said, TRACEPARENT, TRACESTATE};

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

pub(crate) async fn observe(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let began = Instant::now();
    let id = request_id(&request);
    let method = request.method().clone();
    let state = request.app_data::<web::Data<State>>().cloned();
    let mut span = state
        .as_ref()
        .and_then(|state| state.traces.begin("request", Kind::Server, context(request.headers())));
    let mut response = traces::within(span.as_ref(), next.call(request)).await?;
    let status = response.status().as_u16();
    let route = response.request().match_pattern().unwrap_or_else(|| "none".to_owned());
    if let Some(span) = &mut span {
        span.say("http.request.method", Said::Word(method_word(&method)));
        span.say("http.route", Said::Own(route.clone()));
        span.say("http.response.status_code", Said::Number(status.into()));
        if status >= 500 {
            span.failed();
        }
    }
    let milliseconds = u64::try_from(began.elapsed().as_millis()).unwrap_or(u64::MAX);
    tracing::info!(request_id = %id, method = %method, route, status, milliseconds, "answered");
    if let Some(state) = state {
        state.metrics.answer(status);
    }
    if let Ok(value) = HeaderValue::from_str(&id) {
        response.headers_mut().insert(REQUEST_ID, value);
    }
    Ok(response)
}

/// Where the caller stands in a trace. Of several places none is known to be right; a state may come in parts.
fn context(headers: &HeaderMap) -> Option<Context> {
    let mut parents = headers.get_all(TRACEPARENT);
    let (Some(parent), None) = (parents.next(), parents.next()) else { return None };
    let state: Vec<&str> = headers.get_all(TRACESTATE).map(|value| value.to_str().unwrap_or("-")).collect();
    Context::read(parent.to_str().ok()?, Some(&state.join(",")))
}

/// A caller can make a method up, which then is no word of ours (OpenTelemetry semantic conventions for HTTP).
fn method_word(method: &Method) -> &'static str {
    let known = ["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"];
    known.into_iter().find(|known| *known == method.as_str()).unwrap_or("_OTHER")
}

/// The caller's request id if it is short and plain, else a new one.
fn request_id(request: &ServiceRequest) -> String {
    let given = request.headers().get(&REQUEST_ID).and_then(|value| value.to_str().ok());
    match given {
        Some(id) if is_plain(id) => id.to_owned(),
        _ => uuid::Uuid::now_v7().to_string(),
    }
}

fn is_plain(id: &str) -> bool {
    (1..=64).contains(&id.len())
        && id.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.'))
}
