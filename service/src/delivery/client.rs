//! The only code that talks to the record system.

use std::collections::HashSet;
use std::sync::Arc;

use reqwest::Method;
use reqwest::header::{ACCEPT, CONTENT_TYPE, ETAG, LOCATION, RETRY_AFTER, WWW_AUTHENTICATE};
use secrecy::{ExposeSecret as _, SecretString};
use serde_json::Value;
use url::Url;

use super::connection::{Connection, ConnectionError, Expiries, NoAnswer, Timeouts, no_answer};
use super::token::Tokens;
use super::verdict::{Answer, Failure, judge};
use super::{Trouble, Verdict};
use crate::addresses::Reachable;
use crate::clock::Clock;
use crate::config::{Auth, RecordSystem};
use crate::traces::{self, TRACEPARENT, TRACESTATE};

const FHIR_JSON: &str = "application/fhir+json";
const FORM: &str = "application/x-www-form-urlencoded";
/// More than any transaction response needs; beyond it the answer is not one.
const LARGEST_ANSWER: usize = 8 * 1024 * 1024;
/// A search for known identifiers has no more pages than this.
const MOST_PAGES: usize = 50;

/// A client of one record system.
#[derive(Debug)]
pub struct Client {
    pub(super) target: RecordSystem,
    pub(super) clock: Clock,
    pub(super) connection: Connection,
    tokens: Tokens,
}

/// A request.
#[derive(Debug)]
pub(super) struct Ask {
    pub(super) method: Method,
    /// Below the base; empty for the base itself.
    pub(super) path: String,
    /// Escaped already.
    pub(super) query: Option<String>,
    pub(super) headers: Vec<(&'static str, String)>,
    pub(super) content_type: &'static str,
    pub(super) body: String,
}

impl Client {
    /// A client that keeps in `expiries` until when it is let in.
    ///
    /// # Errors
    /// When the certificates cannot be used, or no client can be made of them.
    pub fn new(
        target: RecordSystem,
        timeouts: Timeouts,
        clock: Clock,
        expiries: &Arc<Expiries>,
    ) -> Result<Client, ConnectionError> {
        let token_url = match &target.auth {
            Auth::Smart(smart) => smart.token_url.as_ref(),
            Auth::None | Auth::Basic { .. } | Auth::Bearer { .. } => None,
        };
        let reachable = Reachable::of([Some(&target.base_url), token_url].into_iter().flatten());
        let tokens = Tokens::new(clock.clone(), Arc::clone(expiries), reachable.clone());
        let connection = Connection::new(target.tls.clone(), timeouts, reachable, Arc::clone(expiries))?;
        Ok(Client { target, clock, connection, tokens })
    }

    /// Sends a transaction and reads the answer to its end.
    pub(super) async fn transaction(&self, payload: String) -> Result<Answer, NoAnswer> {
        self.ask(Ask {
            method: Method::POST,
            path: String::new(),
            query: None,
            headers: vec![("prefer", "return=minimal".to_owned())],
            content_type: FHIR_JSON,
            body: payload,
        })
        .await
    }

    /// Sends one resource.
    pub(super) async fn one(
        &self,
        method: Method,
        resource_type: &str,
        query: Option<String>,
        condition: (&'static str, Option<String>),
        resource: &Value,
    ) -> Result<Answer, NoAnswer> {
        let mut headers = vec![("prefer", "return=minimal".to_owned())];
        headers.extend(condition.1.map(|value| (condition.0, value)));
        let (path, body) = (resource_type.to_owned(), resource.to_string());
        self.ask(Ask { method, path, query, headers, content_type: FHIR_JSON, body }).await
    }

    /// Asks what the record system says of one resource, without storing it (R4, operation `validate`).
    pub(super) async fn validated(&self, resource_type: &str, resource: &Value) -> Result<Answer, NoAnswer> {
        let (path, body) = (format!("{resource_type}/$validate"), resource.to_string());
        let (headers, content_type) = (Vec::new(), FHIR_JSON);
        self.ask(Ask { method: Method::POST, path, query: None, headers, content_type, body }).await
    }

    /// Every resource of a type whose parameter has one of these values, which are escaped already. The search is posted,
    /// so that no identifier stands in an address.
    pub(super) async fn search(
        &self,
        resource_type: &str,
        parameter: &str,
        tokens: &[&str],
    ) -> Result<Vec<Value>, Trouble> {
        let mut found = Vec::new();
        let ask = Ask {
            method: Method::POST,
            path: format!("{resource_type}/_search"),
            query: None,
            headers: Vec::new(),
            content_type: FORM,
            body: format!("{parameter}={}&_count={}", tokens.join(","), tokens.len() * 2 + 10),
        };
        let mut next = page(&self.ask(ask).await, self, &mut found)?;
        let mut seen = HashSet::new();
        while let Some(address) = next.take() {
            let url = Url::parse(&address).ok().filter(|url| self.is_within(url));
            let repeated = !seen.insert(address);
            let Some(url) = url.filter(|_| !repeated && seen.len() < MOST_PAGES) else {
                return Err(Trouble::new(Failure::SearchRefused, None));
            };
            let answer = self.once(Method::GET, &url, &[], None).await;
            next = page(&answer, self, &mut found)?;
        }
        Ok(found)
    }

    fn is_within(&self, url: &Url) -> bool {
        let base = &self.target.base_url;
        url.origin() == base.origin() && url.path().starts_with(base.path())
    }

    async fn ask(&self, ask: Ask) -> Result<Answer, NoAnswer> {
        let mut url = self.target.base_url.clone();
        if let (false, Ok(mut segments)) = (ask.path.is_empty(), url.path_segments_mut()) {
            segments.extend(ask.path.split('/'));
        }
        url.set_query(ask.query.as_deref());
        self.once(ask.method, &url, &ask.headers, Some((ask.content_type, ask.body))).await
    }

    /// Sends a request, and once more with a fresh token, or with the secret that its file holds by now, where the old one
    /// was not taken.
    async fn once(
        &self,
        method: Method,
        url: &Url,
        headers: &[(&'static str, String)],
        body: Option<(&'static str, String)>,
    ) -> Result<Answer, NoAnswer> {
        let http = self.connection.client();
        let request = |body: Option<(&'static str, String)>| {
            let mut request = http.request(method.clone(), url.clone()).header(ACCEPT, FHIR_JSON);
            for (name, value) in headers {
                request = request.header(*name, value);
            }
            if let Some(context) = traces::current() {
                request = request.header(TRACEPARENT, context.header());
                if let Some(state) = context.state() {
                    request = request.header(TRACESTATE, state);
                }
            }
            match body {
                Some((content_type, body)) => request.header(CONTENT_TYPE, content_type).body(body),
                None => request,
            }
        };
        let fixed = |secret: &SecretString, body| match &self.target.auth {
            Auth::Basic { user, .. } => request(body).basic_auth(user, Some(secret.expose_secret())),
            _ => request(body).bearer_auth(secret.expose_secret()),
        };
        match &self.target.auth {
            Auth::None => self.answer(request(body)).await,
            Auth::Basic { password: secret, .. } | Auth::Bearer { token: secret } => {
                let used = secret.current();
                let answer = self.answer(fixed(&used, body.clone())).await?;
                if answer.status != 401 {
                    return Ok(answer);
                }
                match secret.instead_of(&used).await {
                    Some(other) => self.answer(fixed(&other, body)).await,
                    None => Ok(answer),
                }
            }
            Auth::Smart(smart) => {
                let token = self.tokens.token(&http, &self.target, smart).await?;
                let answer = self.answer(fixed(&token.secret, body.clone())).await?;
                if answer.status != 401 {
                    return Ok(answer);
                }
                self.tokens.reject(&token).await;
                let token = self.tokens.token(&http, &self.target, smart).await?;
                self.answer(fixed(&token.secret, body)).await
            }
        }
    }

    async fn answer(&self, request: reqwest::RequestBuilder) -> Result<Answer, NoAnswer> {
        let mut response = request.send().await.map_err(|error| no_answer(&error))?;
        self.connection.note_certificate(&response);
        let header = |name| {
            let value = response.headers().get(name).and_then(|value| value.to_str().ok());
            value.map(str::to_owned)
        };
        let mut answer = Answer {
            status: response.status().as_u16(),
            retry_after: header(RETRY_AFTER),
            location: header(LOCATION),
            etag: header(ETAG),
            scope: header(WWW_AUTHENTICATE).as_deref().and_then(missing_scope),
            body: Vec::new(),
        };
        // The status alone decides about failures; only of a success is the body needed to the end.
        loop {
            match response.chunk().await {
                Ok(Some(chunk)) if answer.body.len() + chunk.len() <= LARGEST_ANSWER => {
                    answer.body.extend_from_slice(&chunk)
                }
                Ok(Some(_)) => {
                    answer.body.clear();
                    break;
                }
                Ok(None) => break,
                Err(error) if (200..300).contains(&answer.status) => return Err(no_answer(&error)),
                Err(_) => {
                    answer.body.clear();
                    break;
                }
            }
        }
        Ok(answer)
    }
}

/// Takes the resources of one page and gives the address of the next.
fn page(
    answer: &Result<Answer, NoAnswer>,
    client: &Client,
    found: &mut Vec<Value>,
) -> Result<Option<String>, Trouble> {
    let answer = answer.as_ref().map_err(|none| Trouble::new(none.failure, None))?;
    match judge(answer, client.clock.now()) {
        None => {}
        Some(Verdict::DestinationFault { failure: Failure::NotAnEndpoint, wait, scope }) => {
            return Err(Trouble {
                failure: Failure::SearchRefused,
                wait,
                scope,
                status: Some(answer.status),
            });
        }
        Some(Verdict::DestinationFault { failure, wait, scope }) => {
            return Err(Trouble { failure, wait, scope, status: Some(answer.status) });
        }
        Some(Verdict::UnknownOutcome { failure, wait }) => {
            return Err(Trouble { failure, wait, scope: None, status: Some(answer.status) });
        }
        Some(Verdict::Delivered | Verdict::Conflict | Verdict::MessageFault { .. }) => {
            return Err(Trouble::new(Failure::SearchRefused, Some(answer.status)));
        }
    }
    let bundle: Option<Value> = serde_json::from_slice(&answer.body).ok();
    let bundle = bundle.filter(|bundle| bundle.get("type").and_then(Value::as_str) == Some("searchset"));
    let Some(bundle) = bundle else {
        return Err(Trouble::new(Failure::AnswerIncomplete, Some(answer.status)));
    };
    let entries = bundle.get("entry").and_then(Value::as_array);
    found.extend(entries.into_iter().flatten().filter_map(|entry| entry.get("resource")).cloned());
    let links = bundle.get("link").and_then(Value::as_array);
    let next = links
        .into_iter()
        .flatten()
        .find(|link| link.get("relation").and_then(Value::as_str) == Some("next"))
        .and_then(|link| link.get("url")?.as_str());
    Ok(next.map(str::to_owned))
}

/// The parameter `scope` of a challenge, if it holds nothing but scopes.
fn missing_scope(challenge: &str) -> Option<String> {
    let (_, rest) = challenge.split_once("scope=\"")?;
    let (scope, _) = rest.split_once('"')?;
    let plain =
        |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'/' | b'.' | b'*' | b' ' | b'_' | b'-');
    (!scope.is_empty() && scope.len() <= 200 && scope.bytes().all(plain)).then(|| scope.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_challenge_names_a_missing_scope_and_nothing_else() {
        let challenge =
            "Bearer error=\"insufficient_scope\", scope=\"system/Observation.c system/Patient.s\"";
        assert_eq!(missing_scope(challenge).as_deref(), Some("system/Observation.c system/Patient.s"));
        for other in ["Bearer", "Bearer scope=\"\"", "Bearer scope=\"<b>no</b>\"", "Bearer scope=\"open"] {
            assert_eq!(missing_scope(other), None, "{other}");
        }
    }
}
