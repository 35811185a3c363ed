//! Access tokens by SMART Backend Services: a signed assertion for a short-lived token (HL7 SMART App Launch 2.2,
//! backend services; RFC 7523).

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use jsonwebtoken::Header;
use reqwest::header::{ACCEPT, CONTENT_TYPE};
use secrecy::SecretString;
use serde_json::{Value, json};
use tokio::sync::Mutex;
use tokio::time::Instant;
use url::Url;
use uuid::Uuid;

use super::connection::{Expiries, NoAnswer, no_answer};
use super::verdict::Failure;
use crate::addresses::Reachable;
use crate::clock::Clock;
use crate::config::{RecordSystem, Smart, may_carry_credentials};

const ASSERTION_TYPE: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
/// The standard allows five minutes; `iat` lies a minute back and `exp` four ahead, so that clocks may differ by so
/// much either way.
const ASSERTION_BEFORE: i64 = 60;
const ASSERTION_AFTER: i64 = 240;
/// A token is not used in its last so many seconds: it has to hold until the request has arrived.
const MARGIN: Duration = Duration::from_secs(60);
/// How long a token holds that says nothing about it.
const UNSAID: u64 = 60;
/// No token answer is longer.
const LARGEST_ANSWER: usize = 64 * 1024;

/// A token, and which one it is.
#[derive(Debug, Clone)]
pub(super) struct Token {
    pub(super) secret: SecretString,
    number: u64,
}

/// Gets tokens, one request at a time, and keeps the last.
#[derive(Debug)]
pub(super) struct Tokens {
    clock: Clock,
    expiries: Arc<Expiries>,
    reachable: Reachable,
    held: Mutex<Held>,
}

#[derive(Debug, Default)]
struct Held {
    token: Option<(Token, Instant)>,
    count: u64,
    endpoint: Option<Url>,
    /// The last failure and when: those who waited for it need not try again.
    failed: Option<(Instant, Failure)>,
}

impl Tokens {
    pub(super) fn new(clock: Clock, expiries: Arc<Expiries>, reachable: Reachable) -> Tokens {
        Tokens { clock, expiries, reachable, held: Mutex::default() }
    }

    /// A token that holds for a while. Where several ask at once, one request is made.
    pub(super) async fn token(
        &self,
        http: &reqwest::Client,
        target: &RecordSystem,
        smart: &Smart,
    ) -> Result<Token, NoAnswer> {
        let asked = Instant::now();
        let mut held = self.held.lock().await;
        if let Some((token, until)) = &held.token
            && *until > Instant::now()
        {
            return Ok(token.clone());
        }
        if let Some((at, failure)) = held.failed
            && at >= asked
        {
            return Err(NoAnswer { failure, may_have_arrived: false });
        }
        match self.fetch(http, target, smart, held.endpoint.take()).await {
            Ok((secret, lifetime, endpoint)) => {
                held.count += 1;
                let token = Token { secret, number: held.count };
                // A token that lives shorter than two margins is used for half of its life.
                let usable = lifetime - MARGIN.min(lifetime / 2);
                held.token = Some((token.clone(), asked + usable));
                held.endpoint = Some(endpoint);
                held.failed = None;
                let until = self.clock.now().as_second().saturating_add_unsigned(lifetime.as_secs());
                self.expiries.token.store(until, Ordering::Relaxed);
                Ok(token)
            }
            Err(failure) => {
                held.token = None;
                held.failed = Some((Instant::now(), failure));
                self.expiries.token.store(0, Ordering::Relaxed);
                Err(NoAnswer { failure, may_have_arrived: false })
            }
        }
    }

    /// Throws a token away that was not taken, unless there is a newer one already.
    pub(super) async fn reject(&self, token: &Token) {
        let mut held = self.held.lock().await;
        if held.token.as_ref().is_some_and(|(current, _)| current.number == token.number) {
            held.token = None;
        }
    }

    async fn fetch(
        &self,
        http: &reqwest::Client,
        target: &RecordSystem,
        smart: &Smart,
        known: Option<Url>,
    ) -> Result<(SecretString, Duration, Url), Failure> {
        let endpoint = match (&smart.token_url, known) {
            (Some(url), _) => url.clone(),
            (None, Some(url)) => url,
            (None, None) => discover(http, target, &self.reachable).await?,
        };
        let form = url::form_urlencoded::Serializer::new(String::new())
            .append_pair("grant_type", "client_credentials")
            .append_pair("scope", &smart.scope)
            .append_pair("client_assertion_type", ASSERTION_TYPE)
            .append_pair("client_assertion", &self.assertion(smart, &endpoint)?)
            .finish();
        let request = http
            .post(endpoint.clone())
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .header(ACCEPT, "application/json")
            .body(form);
        let (status, answer) = exchanged(request).await?;
        match status {
            200..=299 => {}
            400..=403 => {
                // `invalid_client`, `invalid_scope` and the like: a word of a closed list (RFC 6749 section 5.2).
                let word = answer.as_ref().and_then(|answer| answer.get("error")?.as_str());
                let word =
                    word.filter(|word| word.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'_'));
                tracing::warn!(status, error = word, "the token endpoint gives no token");
                return Err(Failure::TokenRefused);
            }
            _ => return Err(Failure::TokenUnavailable),
        }
        let answer = answer.ok_or(Failure::TokenUnavailable)?;
        let text = |name: &str| answer.get(name).and_then(Value::as_str);
        let bearer = text("token_type").is_some_and(|kind| kind.eq_ignore_ascii_case("bearer"));
        let token = text("access_token")
            .filter(|token| bearer && !token.is_empty() && token.bytes().all(|byte| byte.is_ascii_graphic()));
        let token = token.ok_or(Failure::TokenUnavailable)?;
        let lifetime = answer.get("expires_in").and_then(Value::as_u64).unwrap_or(UNSAID);
        Ok((SecretString::from(token), Duration::from_secs(lifetime.min(86_400)), endpoint))
    }

    fn assertion(&self, smart: &Smart, endpoint: &Url) -> Result<String, Failure> {
        let now = self.clock.now().as_second();
        let header = Header { kid: Some(smart.key.id.clone()), ..Header::new(smart.key.algorithm) };
        let claims = json!({
            "iss": smart.client_id,
            "sub": smart.client_id,
            "aud": endpoint.as_str(),
            "iat": now - ASSERTION_BEFORE,
            "exp": now + ASSERTION_AFTER,
            "jti": Uuid::new_v4().to_string()
        });
        // The key was used once when the settings were read.
        jsonwebtoken::encode(&header, &claims, &smart.key.encoding).map_err(|_| Failure::TokenUnavailable)
    }
}

/// The token endpoint that the record system names itself: on its own host, or in the public network. One that is private
/// as well has to be named by `record_system.token_url`.
async fn discover(
    http: &reqwest::Client,
    target: &RecordSystem,
    reachable: &Reachable,
) -> Result<Url, Failure> {
    let base = target.base_url.as_str().trim_end_matches('/');
    let address = format!("{base}/.well-known/smart-configuration");
    let (status, answer) = exchanged(http.get(address).header(ACCEPT, "application/json")).await?;
    let named = answer.as_ref().and_then(|answer| answer.get("token_endpoint")?.as_str());
    let url = named.filter(|_| status == 200).and_then(|text| Url::parse(text).ok());
    match url {
        Some(url) if may_carry_credentials(&url, target.allow_plaintext) && reachable.allows(&url) => Ok(url),
        _ => Err(Failure::TokenUnavailable),
    }
}

/// Status and JSON of an answer.
async fn exchanged(request: reqwest::RequestBuilder) -> Result<(u16, Option<Value>), Failure> {
    let lost = |error: reqwest::Error| no_answer(&error).failure;
    let mut response = request.send().await.map_err(lost)?;
    let (status, mut body) = (response.status().as_u16(), Vec::new());
    while let Some(chunk) = response.chunk().await.map_err(lost)? {
        if body.len() + chunk.len() > LARGEST_ANSWER {
            return Ok((status, None));
        }
        body.extend_from_slice(&chunk);
    }
    Ok((status, serde_json::from_slice(&body).ok()))
}
