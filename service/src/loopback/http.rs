//! The HTTP side: reads a request, does what the script or the standard says, answers.

use std::any::Any;
use std::future::Future;
use std::net::{Shutdown, TcpStream};
use std::os::fd::AsFd;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::{Duration, SystemTime};

use actix_web::body::{BodySize, MessageBody};
use actix_web::dev::Extensions;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderMap};
use actix_web::web::{Bytes, Data};
use actix_web::{HttpRequest, HttpResponse, rt};
use jiff::Timestamp;
use serde_json::Value;

use super::interactions::{self, Handling, Placement};
use super::records::{Key, Records, Version};
use super::refusal::Refusal;
use super::script::{Answer, Behaviour, Request};
use super::{Heed, Shared};
use super::{capabilities, shape, transaction};

const FHIR_JSON: &str = "application/fhir+json";

/// A second handle on the connection, to break it off.
#[derive(Debug, Clone)]
pub(super) struct Connection(Arc<TcpStream>);

impl Connection {
    fn cut(&self) {
        // The peer may have gone first; then there is nothing left to cut.
        drop(self.0.shutdown(Shutdown::Both));
    }
}

/// Keeps a second handle on every connection.
pub(super) fn keep_connection(stream: &dyn Any, data: &mut Extensions) {
    let copy = stream
        .downcast_ref::<rt::net::TcpStream>()
        .and_then(|stream| stream.as_fd().try_clone_to_owned().ok())
        .map(|handle| Connection(Arc::new(TcpStream::from(handle))));
    if let Some(connection) = copy {
        data.insert(connection);
    }
}

/// Answers any request.
pub(super) async fn serve(request: HttpRequest, body: Bytes, shared: Data<Shared>) -> HttpResponse {
    let connection = request.conn_data::<Connection>().cloned();
    let cut = || {
        if let Some(connection) = &connection {
            connection.cut();
        }
        HttpResponse::InternalServerError().finish()
    };
    if shared.state().down {
        return cut();
    }
    let behaviour = shared.note(Request {
        method: request.method().to_string(),
        target: request.uri().to_string(),
        headers: request
            .headers()
            .iter()
            .map(|(name, value)| (name.to_string(), String::from_utf8_lossy(value.as_bytes()).into_owned()))
            .collect(),
        body: body.to_vec(),
        after: shared.started.elapsed(),
    });
    let work = || work(&request, &body, &shared).unwrap_or_else(|refusal| refused(&refusal));
    match behaviour {
        None => finished(work()),
        Some(Behaviour::Answer(answer)) => finished(answer),
        Some(Behaviour::AnswerAfterCommit(answer)) => {
            work();
            finished(answer)
        }
        Some(Behaviour::Delay(pause)) => {
            rt::time::sleep(pause).await;
            finished(work())
        }
        Some(Behaviour::DelayAfterCommit(pause)) => {
            let answer = work();
            rt::time::sleep(pause).await;
            finished(answer)
        }
        Some(Behaviour::Close) => cut(),
        Some(Behaviour::CloseAfterCommit) => {
            work();
            cut()
        }
        Some(Behaviour::TruncateAfterCommit) => {
            let answer = work();
            let half = answer.body.len() / 2;
            builder(&answer).body(Hindered {
                body: answer.body.into(),
                sent: 0,
                hindrance: Hindrance::BreakAt(half),
            })
        }
        Some(Behaviour::DripAfterCommit(pause)) => {
            let answer = work();
            builder(&answer).body(Hindered {
                body: answer.body.into(),
                sent: 0,
                hindrance: Hindrance::Drip { pause, sleep: None },
            })
        }
    }
}

fn builder(answer: &Answer) -> actix_web::HttpResponseBuilder {
    let status = StatusCode::from_u16(answer.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut response = HttpResponse::build(status);
    response.content_type(answer.media_type.as_str());
    for (name, value) in &answer.headers {
        response.insert_header((name.as_str(), value.as_str()));
    }
    response
}

fn finished(answer: Answer) -> HttpResponse {
    builder(&answer).body(answer.body)
}

fn refused(refusal: &Refusal) -> Answer {
    Answer::status(refusal.status).json(&refusal.outcome())
}

fn work(request: &HttpRequest, body: &[u8], shared: &Shared) -> Result<Answer, Refusal> {
    let headers = request.headers();
    let endpoint = shared.token_url();
    if let ("POST", "/token", Some(issuer)) =
        (request.method().as_str(), request.path(), &mut shared.state().issuer)
    {
        return Ok(issuer.answer(body, &endpoint));
    }
    if request.path() == "/fhir/.well-known/smart-configuration" {
        return Ok(Answer::status(200).json(&smart_configuration(&endpoint)));
    }
    if !shared.admits(header_text(headers, "authorization")) {
        let refusal = Refusal::new(401, "login", "The credentials are missing, wrong or no longer valid.");
        return Ok(refused(&refusal).header("WWW-Authenticate", "Bearer"));
    }
    let base = shared.base.as_str();
    let path = request
        .path()
        .strip_prefix("/fhir")
        .ok_or_else(|| Refusal::new(404, "not-found", "No such path."))?;
    let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty()).collect();
    match (request.method().as_str(), parts.as_slice()) {
        ("GET", ["metadata"]) => Ok(Answer::status(200).json(&capabilities::statement(base))),
        ("GET", [resource_type]) => search(shared, resource_type, request.query_string(), headers),
        ("POST", [resource_type, "_search"]) => {
            let form = std::str::from_utf8(body)
                .map_err(|_| Refusal::structure("The form of a search is not UTF-8."))?;
            search(shared, resource_type, form, headers)
        }
        ("GET", parts @ [_, _, ..]) => {
            let state = shared.state();
            let (_, version) = interactions::read(&state.records, parts)?;
            Ok(with_version(Answer::status(200), version).json(&version.body))
        }
        ("POST", []) => {
            let bundle = parse(headers, body)?;
            let most = shared.state().most_entries;
            let heed = shared.state().heeds_conditions;
            let bundle = if heed == Heed::No { without_conditions(bundle) } else { bundle };
            shared.change(|records| {
                let answer = transaction::carry_out(records, &bundle, most, base, Timestamp::now())?;
                Ok(Answer::status(200).json(&answer))
            })
        }
        ("POST", [resource_type]) => {
            let body = resource(headers, body, resource_type)?;
            let condition = header_text(headers, "if-none-exist");
            shared.change(|records| {
                let placement = interactions::place_create(records, resource_type, condition, base)?;
                write(records, &placement, body, headers, base)
            })
        }
        ("PUT", [resource_type]) => {
            let body = resource(headers, body, resource_type)?;
            let if_match = header_text(headers, "if-match");
            shared.change(|records| {
                let placement = interactions::place_conditional_update(
                    records,
                    resource_type,
                    request.query_string(),
                    if_match,
                    &body,
                    base,
                )?;
                write(records, &placement, body, headers, base)
            })
        }
        ("PUT", [resource_type, id]) if shape::is_id(id) => {
            let body = resource(headers, body, resource_type)?;
            let if_match = header_text(headers, "if-match");
            shared.change(|records| {
                let key = Key::new(*resource_type, *id);
                let placement = interactions::place_update(records, key, &body, if_match)?;
                write(records, &placement, body, headers, base)
            })
        }
        ("DELETE" | "PATCH", _) => {
            Err(Refusal::new(405, "not-supported", "This record system neither deletes nor patches."))
        }
        _ => Err(Refusal::new(404, "not-found", "No such path.")),
    }
}

fn without_conditions(mut bundle: Value) -> Value {
    let entries = bundle.get_mut("entry").and_then(Value::as_array_mut);
    for request in entries.into_iter().flatten().filter_map(|entry| entry.get_mut("request")?.as_object_mut())
    {
        request.shift_remove("ifNoneExist");
    }
    bundle
}

fn smart_configuration(endpoint: &str) -> Value {
    serde_json::json!({
        "token_endpoint": endpoint,
        "grant_types_supported": ["client_credentials"],
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["ES384", "RS384"],
        "scopes_supported": ["system/*.cus"],
        "capabilities": ["client-confidential-asymmetric", "permission-v2"]
    })
}

fn search(shared: &Shared, resource_type: &str, query: &str, headers: &HeaderMap) -> Result<Answer, Refusal> {
    let strict = header_text(headers, "prefer").is_some_and(|prefer| prefer.contains("handling=strict"));
    let handling = if strict { Handling::Strict } else { Handling::Lenient };
    let state = shared.state();
    let found = interactions::search(&state.records, resource_type, query, &shared.base, handling)?;
    Ok(Answer::status(200).json(&found))
}

fn header_text<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

fn parse(headers: &HeaderMap, body: &[u8]) -> Result<Value, Refusal> {
    let media_type = header_text(headers, header::CONTENT_TYPE.as_str()).unwrap_or_default();
    let essence = media_type.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    if !matches!(essence.as_str(), FHIR_JSON | "application/json" | "text/json") {
        return Err(Refusal::new(415, "not-supported", format!("The body has to be {FHIR_JSON}.")));
    }
    serde_json::from_slice(body).map_err(|error| {
        Refusal::structure(format!("The body is not JSON: line {}, column {}.", error.line(), error.column()))
    })
}

/// A resource that came alone. Its references have to stand for themselves: outside a transaction there is nothing
/// that a urn or a condition could be resolved with.
fn resource(headers: &HeaderMap, body: &[u8], named: &str) -> Result<Value, Refusal> {
    let body = parse(headers, body)?;
    if !shape::keeps(named) {
        return Err(Refusal::new(
            404,
            "not-supported",
            "This record system does not keep that resource type.",
        ));
    }
    if shape::check(&body)? != named {
        return Err(Refusal::new(400, "invalid", "The address names another type than the resource has."));
    }
    Ok(body)
}

fn write(
    records: &mut Records,
    placement: &Placement,
    mut body: Value,
    headers: &HeaderMap,
    base: &str,
) -> Result<Answer, Refusal> {
    transaction::resolve_alone(records, placement, &mut body, base)?;
    let version = interactions::store(records, placement, body, Timestamp::now())
        .ok_or_else(|| Refusal::new(500, "exception", "The resource was not stored."))?;
    let location = format!("{base}/{}/_history/{}", placement.key.reference(), version.number);
    let answer =
        with_version(Answer::status(placement.effect.status()), &version).header("Location", &location);
    let minimal = header_text(headers, "prefer").is_some_and(|prefer| prefer.contains("return=minimal"));
    Ok(if minimal { answer } else { answer.json(&version.body) })
}

fn with_version(answer: Answer, version: &Version) -> Answer {
    let since_epoch = Duration::from_secs(version.at.as_second().unsigned_abs());
    let modified = header::HttpDate::from(SystemTime::UNIX_EPOCH + since_epoch).to_string();
    answer.header("ETag", &version.etag()).header("Last-Modified", &modified)
}

/// How a body is kept from arriving whole or in time.
enum Hindrance {
    /// Breaks off after so many bytes.
    BreakAt(usize),
    /// Waits before every byte.
    Drip { pause: Duration, sleep: Option<Pin<Box<rt::time::Sleep>>> },
}

/// A body that announces its full length and then does not keep to it, or not soon.
struct Hindered {
    body: Bytes,
    sent: usize,
    hindrance: Hindrance,
}

impl MessageBody for Hindered {
    type Error = std::io::Error;

    fn size(&self) -> BodySize {
        BodySize::Sized(self.body.len() as u64)
    }

    fn poll_next(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Bytes, Self::Error>>> {
        let this = &mut *self;
        let sent = this.sent;
        match &mut this.hindrance {
            Hindrance::BreakAt(at) if sent < *at => {
                this.sent = *at;
                Poll::Ready(Some(Ok(this.body.slice(..*at))))
            }
            Hindrance::BreakAt(at) if sent == *at => {
                // One turn of waiting lets the server write out what it has before the connection ends.
                this.sent += 1;
                context.waker().wake_by_ref();
                Poll::Pending
            }
            Hindrance::BreakAt(_) => Poll::Ready(Some(Err(std::io::Error::other("broken off by script")))),
            Hindrance::Drip { .. } if sent >= this.body.len() => Poll::Ready(None),
            Hindrance::Drip { pause, sleep } => {
                let waiting = sleep.get_or_insert_with(|| Box::pin(rt::time::sleep(*pause)));
                if waiting.as_mut().poll(context).is_pending() {
                    return Poll::Pending;
                }
                *sleep = None;
                this.sent += 1;
                Poll::Ready(Some(Ok(this.body.slice(sent..sent + 1))))
            }
        }
    }
}
