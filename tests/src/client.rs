//! An HTTP client that keeps what a test looks at.

use std::time::Duration;

use reqwest::header::HeaderMap;
use reqwest::{Method, RequestBuilder};
use serde_json::Value;

use crate::contract::contract;

/// The media type of everything that is sent.
pub const FHIR_JSON: &str = "application/fhir+json";

/// An answer.
#[derive(Debug)]
pub struct Answer {
    /// The status.
    pub status: u16,
    /// The headers.
    pub headers: HeaderMap,
    /// The body, word for word.
    pub text: String,
}

impl Answer {
    /// The body as JSON.
    ///
    /// # Panics
    /// When it is not.
    #[must_use]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| {
            panic!("{} with a body that is not JSON ({error}): {}", self.status, self.text)
        })
    }

    /// A header.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).and_then(|value| value.to_str().ok())
    }

    /// The resources of a searchset or collection Bundle.
    #[must_use]
    pub fn resources(&self) -> Vec<Value> {
        let body = self.json();
        let entries = body.get("entry").and_then(Value::as_array).cloned().unwrap_or_default();
        entries.into_iter().filter_map(|mut entry| entry.get_mut("resource").map(Value::take)).collect()
    }

    /// Asserts the status and gives the answer back.
    ///
    /// # Panics
    /// When it is another one.
    pub fn expect(self, status: u16) -> Answer {
        assert_eq!(self.status, status, "{}", self.text);
        self
    }
}

/// A client.
#[derive(Debug, Clone, Default)]
pub struct Client {
    http: reqwest::Client,
    /// Whether every answer must be as `openapi.yaml` says.
    held: bool,
}

impl Client {
    /// A client with a pool of its own.
    #[must_use]
    pub fn new() -> Client {
        Client::default()
    }

    /// A client of the service, which holds every answer against `openapi.yaml`.
    #[must_use]
    pub fn of_the_service() -> Client {
        Client { held: true, ..Client::default() }
    }

    /// GET.
    pub async fn get(&self, url: &str) -> Answer {
        self.sent(self.http.get(url)).await
    }

    /// POST of a FHIR body.
    pub async fn post(&self, url: &str, body: impl Into<Vec<u8>>) -> Answer {
        self.send(Method::POST, url, &[], body).await
    }

    /// Any request with a FHIR body and further headers.
    pub async fn send(
        &self,
        method: Method,
        url: &str,
        headers: &[(&str, &str)],
        body: impl Into<Vec<u8>>,
    ) -> Answer {
        let mut request = self.http.request(method, url).header("content-type", FHIR_JSON).body(body.into());
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.sent(request).await
    }

    /// Any request at all.
    ///
    /// # Panics
    /// Without an answer, and when the answer of the service is not as its contract says.
    pub async fn sent(&self, request: RequestBuilder) -> Answer {
        let asked = request.try_clone().and_then(|request| request.build().ok());
        let answer = answer(request).await.unwrap_or_else(|error| panic!("no answer: {error}"));
        if let Some(asked) = asked.filter(|_| self.held) {
            let path = percent_decoded(asked.url().path());
            if let Some(why) = contract().against(asked.method().as_str(), &path, &answer) {
                panic!("openapi.yaml does not hold: {why}\n{}", answer.text);
            }
        }
        answer
    }

    /// The client beneath, for requests that are out of the ordinary.
    #[must_use]
    pub fn http(&self) -> &reqwest::Client {
        &self.http
    }

    /// GET, where there may be nobody to answer.
    pub async fn try_get(&self, url: &str) -> Option<Answer> {
        answer(self.http.get(url)).await.ok()
    }
}

fn percent_decoded(path: &str) -> String {
    path.replace("%24", "$")
}

async fn answer(request: RequestBuilder) -> reqwest::Result<Answer> {
    let response = request.timeout(Duration::from_secs(30)).send().await?;
    let (status, headers) = (response.status().as_u16(), response.headers().clone());
    Ok(Answer { status, headers, text: response.text().await? })
}
