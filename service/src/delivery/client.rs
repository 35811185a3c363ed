//! The only code that talks to the record system.

use std::error::Error as _;
use std::io::ErrorKind;
use std::time::Duration;

use reqwest::header::{ACCEPT, CONTENT_TYPE, RETRY_AFTER};
use reqwest::redirect::Policy;
use secrecy::ExposeSecret as _;

use super::verdict::{Answer, Failure};
use crate::config::{Auth, RecordSystem};

const FHIR_JSON: &str = "application/fhir+json";
/// More than any transaction response needs; beyond it the answer is not one.
const LARGEST_ANSWER: usize = 8 * 1024 * 1024;

/// How long to wait for the record system.
#[derive(Debug, Clone, Copy)]
pub struct Timeouts {
    /// For a connection.
    pub connect: Duration,
    /// For all of a request and its answer.
    pub total: Duration,
}

impl Default for Timeouts {
    fn default() -> Self {
        Timeouts { connect: Duration::from_secs(5), total: Duration::from_secs(30) }
    }
}

/// No answer, and whether the request may have arrived nevertheless.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NoAnswer {
    pub(super) failure: Failure,
    pub(super) may_have_arrived: bool,
}

/// A client of one record system.
#[derive(Debug)]
pub(super) struct Client {
    http: reqwest::Client,
    target: RecordSystem,
}

impl Client {
    /// Redirects are not followed and no proxy of the environment is used: both would carry exams and credentials
    /// to somewhere nobody configured.
    pub(super) fn new(target: RecordSystem, timeouts: Timeouts) -> Result<Client, reqwest::Error> {
        let http = reqwest::Client::builder()
            .redirect(Policy::none())
            .no_proxy()
            .connect_timeout(timeouts.connect)
            .timeout(timeouts.total)
            .user_agent(concat!("solewire/", env!("CARGO_PKG_VERSION")))
            .build()?;
        Ok(Client { http, target })
    }

    /// Sends a transaction and reads the answer to its end.
    pub(super) async fn send(&self, payload: String) -> Result<Answer, NoAnswer> {
        let request = self
            .http
            .post(self.target.base_url.clone())
            .header(CONTENT_TYPE, FHIR_JSON)
            .header(ACCEPT, FHIR_JSON)
            .header("Prefer", "return=minimal")
            .body(payload);
        let request = match &self.target.auth {
            Auth::None => request,
            Auth::Basic { user, password } => request.basic_auth(user, Some(password.expose_secret())),
            Auth::Bearer { token } => request.bearer_auth(token.expose_secret()),
        };
        let mut response = request.send().await.map_err(|error| no_answer(&error))?;
        let status = response.status().as_u16();
        let retry_after =
            response.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok()).map(str::to_owned);
        let mut body = Vec::new();
        // The status alone decides about failures; only of a success is the body needed to the end.
        loop {
            match response.chunk().await {
                Ok(Some(chunk)) if body.len() + chunk.len() <= LARGEST_ANSWER => {
                    body.extend_from_slice(&chunk)
                }
                Ok(Some(_)) => {
                    body.clear();
                    break;
                }
                Ok(None) => break,
                Err(error) if (200..300).contains(&status) => return Err(no_answer(&error)),
                Err(_) => {
                    body.clear();
                    break;
                }
            }
        }
        Ok(Answer { status, retry_after, body })
    }
}

/// Tells why there is no answer. The text of the error is searched for the kinds that have no type of their own, and
/// never passed on: it holds the address.
fn no_answer(error: &reqwest::Error) -> NoAnswer {
    let mut texts = String::new();
    let mut kinds = Vec::new();
    let mut source = error.source();
    while let Some(inner) = source {
        // An I/O error inside another is no source of it.
        let mut io = inner.downcast_ref::<std::io::Error>();
        while let Some(error) = io {
            kinds.push(error.kind());
            io = error.get_ref().and_then(|wrapped| wrapped.downcast_ref());
        }
        texts.push_str(&inner.to_string().to_ascii_lowercase());
        texts.push('\n');
        source = inner.source();
    }
    let not_sent = |failure| NoAnswer { failure, may_have_arrived: false };
    if error.is_connect() || error.is_builder() {
        // The TLS library reports everything it does not accept as invalid data.
        if kinds.contains(&ErrorKind::InvalidData) || texts.contains("certificate") {
            return not_sent(Failure::Tls);
        }
        if kinds.contains(&ErrorKind::ConnectionRefused) {
            return not_sent(Failure::ConnectionRefused);
        }
        if texts.contains("dns error") {
            return not_sent(Failure::NameResolution);
        }
        return not_sent(Failure::ConnectionFailed);
    }
    let failure = if error.is_timeout() { Failure::Timeout } else { Failure::Interrupted };
    NoAnswer { failure, may_have_arrived: true }
}
