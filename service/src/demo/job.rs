//! The steps of the demo, each through real HTTP.

use std::io::Write;
use std::time::{Duration, Instant};

use reqwest::header::{CONTENT_TYPE, LINK};
use serde_json::Value;

use super::{DemoError, words};
use crate::loopback::LoopbackRecordSystem;

const FHIR_JSON: &str = "application/fhir+json";
/// How long the delivery may take before the demo gives up.
const DELIVERY_LIMIT: Duration = Duration::from_secs(60);
const DELIVERY_POLL: Duration = Duration::from_millis(100);

/// What the steps work on.
pub(super) struct Job<'a> {
    pub(super) exam: &'a Value,
    pub(super) fhir_url: &'a str,
    pub(super) operations_url: &'a str,
    pub(super) records: &'a LoopbackRecordSystem,
}

/// What was answered.
struct Answer {
    status: u16,
    related: Vec<String>,
    body: Value,
}

impl Job<'_> {
    /// Does every step and tells of it.
    pub(super) async fn run(&self, out: &mut impl Write) -> Result<(), DemoError> {
        let http = reqwest::Client::builder()
            .timeout(Duration::from_secs(30))
            .build()
            .map_err(|error| DemoError::step("make an HTTP client", error.to_string()))?;
        self.open(out)?;
        let assessment_url = self.submit(&http, out).await?;
        self.validation(&http, out).await?;
        let assessment = self.category(&http, &assessment_url, out).await?;
        self.delivery(&http, out).await?;
        self.read_back(&http, &assessment, out).await?;
        say(out, "\nDone: the exam is in the record system, with its assessment and its recall.")
    }

    fn open(&self, out: &mut impl Write) -> Result<(), DemoError> {
        say(out, "Solewire demo: the Harbour Lane community foot clinic. Everybody in it is invented.")?;
        say(out, "Decision support for trained clinicians, not a diagnosis. Follow local pathways.\n")?;
        say(out, format!("  FHIR interface  {}", self.fhir_url))?;
        say(out, format!("  operators       {}", self.operations_url))?;
        say(out, format!("  record system   {}", self.records.base_url()))
    }

    async fn submit(&self, http: &reqwest::Client, out: &mut impl Write) -> Result<String, DemoError> {
        const STEP: &str = "submit";
        say(out, format!("\n1 Submit: POST {}", self.fhir_url))?;
        let answer = send(STEP, http.post(self.fhir_url), Some(self.exam)).await?;
        let entries = answer.body.get("entry").and_then(Value::as_array).map_or(0, Vec::len);
        say(out, format!("  {}: {entries} entries answered, the exam is stored durably", answer.status))?;
        let related = answer.related.iter().find(|url| url.contains("RiskAssessment/"));
        let Some(related) = related else {
            return Err(DemoError::step(STEP, "the answer has no Link to an assessment"));
        };
        Ok(self.absolute(related))
    }

    async fn validation(&self, http: &reqwest::Client, out: &mut impl Write) -> Result<(), DemoError> {
        let url = format!("{}/Bundle/$validate", self.fhir_url);
        say(out, format!("\n2 Validation: POST {url}"))?;
        let answer = send("validate", http.post(&url), Some(self.exam)).await?;
        for line in words::issues(&answer.body) {
            say(out, format!("  {line}"))?;
        }
        Ok(())
    }

    async fn category(
        &self,
        http: &reqwest::Client,
        url: &str,
        out: &mut impl Write,
    ) -> Result<Value, DemoError> {
        const STEP: &str = "assess";
        say(out, format!("\n3 Category: GET {url}"))?;
        let assessment = send(STEP, http.get(url), None).await?.body;
        let categories = words::categories(&assessment);
        if categories.is_empty() {
            return Err(DemoError::step(STEP, "the assessment has no category"));
        }
        let status = words::text(&assessment, "/status").unwrap_or("without a status");
        say(out, format!("  {}, {status}", categories.join(" to ")))?;
        for reason in words::reasons(&assessment) {
            say(out, words::item(&reason))?;
        }
        let requests = send(STEP, http.get(format!("{}/ServiceRequest", self.fhir_url)), None).await?.body;
        for entry in requests.get("entry").and_then(Value::as_array).into_iter().flatten() {
            if let Some(request) = entry.get("resource") {
                say(out, format!("  {}", words::window(request)))?;
            }
        }
        Ok(assessment)
    }

    async fn delivery(&self, http: &reqwest::Client, out: &mut impl Write) -> Result<(), DemoError> {
        const STEP: &str = "deliver";
        let url = format!("{}/operations/deliveries", self.operations_url);
        say(out, format!("\n4 Delivery: GET {url}"))?;
        let deadline = Instant::now() + DELIVERY_LIMIT;
        loop {
            let deliveries = send(STEP, http.get(&url), None).await?.body;
            let states = words::states(&deliveries);
            if !states.is_empty() && states.iter().all(|state| matches!(*state, "delivered" | "verified")) {
                let transactions = self.records.write_count();
                return say(out, format!("  {}: {transactions} transaction sent", states.join(", ")));
            }
            if states.iter().any(|state| matches!(*state, "parked" | "discarded")) {
                return Err(DemoError::step(
                    STEP,
                    format!("the delivery is {}; see {url}", states.join(", ")),
                ));
            }
            if Instant::now() >= deadline {
                return Err(DemoError::step(STEP, format!("not delivered in {DELIVERY_LIMIT:?}; see {url}")));
            }
            tokio::time::sleep(DELIVERY_POLL).await;
        }
    }

    async fn read_back(
        &self,
        http: &reqwest::Client,
        assessment: &Value,
        out: &mut impl Write,
    ) -> Result<(), DemoError> {
        const STEP: &str = "read back";
        let (Some(system), Some(value)) =
            (words::text(assessment, "/identifier/0/system"), words::text(assessment, "/identifier/0/value"))
        else {
            return Err(DemoError::step(STEP, "the assessment has no identifier"));
        };
        let query = url::form_urlencoded::Serializer::new(String::new())
            .append_pair("identifier", &format!("{system}|{value}"))
            .finish();
        let url = format!("{}/RiskAssessment?{query}", self.records.base_url());
        say(out, format!("\n5 Read back: GET {url}"))?;
        let found = send(STEP, http.get(&url), None).await?.body;
        let there = match found.get("entry").and_then(Value::as_array).map(Vec::as_slice) {
            Some([entry]) => entry,
            Some(_) => return Err(DemoError::step(STEP, "the assessment is there more than once")),
            None => return Err(DemoError::step(STEP, "the assessment is not in the record system")),
        };
        let resource = there.get("resource").unwrap_or(&Value::Null);
        let (ours, theirs) = (words::categories(assessment), words::categories(resource));
        if ours != theirs {
            return Err(DemoError::step(STEP, "the record system holds another category"));
        }
        say(out, format!("  {}, as assessed, at", theirs.join(" to ")))?;
        say(out, format!("  {}", words::text(there, "/fullUrl").unwrap_or(&url)))?;
        for name in ["Patient", "Observation", "RiskAssessment", "ServiceRequest", "Provenance"] {
            let count = self.records.resources_of(name).len();
            say(out, format!("  {count:>3} {name:<15} {}/{name}", self.records.base_url()))?;
        }
        Ok(())
    }

    fn absolute(&self, url: &str) -> String {
        if url.starts_with("http") {
            return url.to_owned();
        }
        let path = url.trim_start_matches('/');
        let path = path.strip_prefix("fhir/").unwrap_or(path);
        format!("{}/{path}", self.fhir_url)
    }
}

fn say(out: &mut impl Write, line: impl AsRef<str>) -> Result<(), DemoError> {
    writeln!(out, "{}", line.as_ref())
        .and_then(|()| out.flush())
        .map_err(DemoError::machine("write to the terminal"))
}

async fn send(
    step: &'static str,
    request: reqwest::RequestBuilder,
    body: Option<&Value>,
) -> Result<Answer, DemoError> {
    let request = match body {
        Some(body) => request.header(CONTENT_TYPE, FHIR_JSON).body(body.to_string()),
        None => request,
    };
    let failed = |error: reqwest::Error| DemoError::step(step, error.without_url().to_string());
    let response = request.send().await.map_err(failed)?;
    let status = response.status().as_u16();
    let links = response.headers().get_all(LINK).iter().filter_map(|link| link.to_str().ok());
    let related = links.flat_map(|links| links.split(',')).filter_map(related_target).collect();
    let text = response.text().await.map_err(failed)?;
    let body: Value = serde_json::from_str(&text)
        .map_err(|error| DemoError::step(step, format!("{status} with a body that is not JSON ({error})")))?;
    if (200..300).contains(&status) {
        Ok(Answer { status, related, body })
    } else {
        Err(DemoError::step(step, format!("{status}\n  {}", words::issues(&body).join("\n  "))))
    }
}

/// The target of one link, when its relation is `related` (RFC 8288).
fn related_target(link: &str) -> Option<String> {
    let (target, parameters) = link.trim().strip_prefix('<')?.split_once('>')?;
    let related = parameters.replace(' ', "");
    (related.contains("rel=\"related\"") || related.contains("rel=related")).then(|| target.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_related_links_are_followed() {
        assert_eq!(
            related_target("<RiskAssessment/1>; rel=\"related\""),
            Some("RiskAssessment/1".to_owned())
        );
        assert_eq!(
            related_target(" </fhir/RiskAssessment/1>; rel=related"),
            Some("/fhir/RiskAssessment/1".to_owned())
        );
        assert_eq!(related_target("<x>; rel=\"self\""), None);
    }
}
