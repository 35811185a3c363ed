//! What an answer of the record system, or the lack of one, means for a delivery.
//!
//! A fault of the message parks that exam; a fault of the destination makes everything wait and is held against no
//! message. Where the transaction may have been carried out although nobody said so, the outcome is unknown, and the
//! same transaction is sent again: its entries are conditional, so what is there already is found and not made twice.

use std::time::Duration;

use jiff::Timestamp;
use serde_json::{Value, json};

/// Longest wait that a record system can ask for.
const LONGEST_RETRY_AFTER: Duration = Duration::from_secs(3600);

macro_rules! failures {
    ($($(#[$doc:meta])* $variant:ident => $word:literal),* $(,)?) => {
        /// Why a delivery did not succeed: a closed list, safe for logs and metrics.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Failure { $($(#[$doc])* $variant),* }

        impl Failure {
            /// All of them.
            pub const ALL: &'static [Failure] = &[$(Failure::$variant),*];

            /// The word in logs, metrics and the store.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Failure::$variant => $word),* }
            }
        }
    };
}

failures! {
    /// No name, no address.
    NameResolution => "name-resolution",
    /// Nobody listens there.
    ConnectionRefused => "connection-refused",
    /// No connection for another reason.
    ConnectionFailed => "connection-failed",
    /// The certificate or the handshake.
    Tls => "tls",
    /// No answer in time.
    Timeout => "timeout",
    /// The connection broke after sending.
    Interrupted => "interrupted",
    /// 2xx, but not an answer to each entry.
    AnswerIncomplete => "answer-incomplete",
    /// 3xx: not followed, since credentials would go along.
    Redirected => "redirected",
    /// 401.
    Unauthorized => "unauthorized",
    /// 403.
    Forbidden => "forbidden",
    /// 404, 405, 406, 410, 415: not a FHIR base that takes transactions.
    NotAnEndpoint => "not-an-endpoint",
    /// 429.
    Throttled => "throttled",
    /// 5xx.
    ServerError => "server-error",
    /// 400, 422 and the like: refused for what it says.
    MessageRefused => "message-refused",
    /// 412: more than one match in the record system.
    Ambiguous => "ambiguous",
    /// 409.
    Conflict => "conflict",
    /// 413.
    TooLarge => "too-large",
}

/// What a delivery's attempt came to.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Taken, every entry of it.
    Delivered,
    /// A fault of the destination: nothing was taken, everything waits, at least so long.
    DestinationFault {
        /// Why.
        failure: Failure,
        /// What the destination asked for.
        wait: Option<Duration>,
    },
    /// It may have been taken.
    UnknownOutcome {
        /// Why nobody knows.
        failure: Failure,
        /// What the destination asked for.
        wait: Option<Duration>,
    },
    /// A clash with another writer: try again a few times.
    Conflict,
    /// A fault of the message.
    MessageFault {
        /// Why.
        failure: Failure,
        /// What the record system said, without any value.
        detail: Option<Value>,
    },
}

/// An answer, read to its end.
#[derive(Debug, Clone, Default)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// The header `Retry-After`.
    pub retry_after: Option<String>,
    /// The body.
    pub body: Vec<u8>,
}

/// Judges an answer to a transaction of `sent` entries. `now` is what a date in `Retry-After` is held against.
#[must_use]
pub fn judge(answer: &Answer, sent: usize, now: Timestamp) -> Verdict {
    let wait = answer.retry_after.as_deref().and_then(|text| retry_after(text, now));
    let destination = |failure| Verdict::DestinationFault { failure, wait };
    let message = |failure| Verdict::MessageFault { failure, detail: redacted(&answer.body) };
    match answer.status {
        200..=299 if answers_every_entry(&answer.body, sent) => Verdict::Delivered,
        200..=299 => Verdict::UnknownOutcome { failure: Failure::AnswerIncomplete, wait },
        401 => destination(Failure::Unauthorized),
        403 => destination(Failure::Forbidden),
        // Some servers say 404 when a reference of an entry finds nothing: that is about the message.
        404 | 410 if names_entry(&answer.body) => message(Failure::MessageRefused),
        404 | 405 | 406 | 410 | 415 => destination(Failure::NotAnEndpoint),
        408 => Verdict::UnknownOutcome { failure: Failure::Timeout, wait },
        409 => Verdict::Conflict,
        412 => message(Failure::Ambiguous),
        413 => message(Failure::TooLarge),
        425 | 429 => destination(Failure::Throttled),
        400..=499 => message(Failure::MessageRefused),
        500..=599 => Verdict::UnknownOutcome { failure: Failure::ServerError, wait },
        // 1xx never gets here; 3xx and numbers outside the standard are not what a FHIR base answers.
        _ => destination(Failure::Redirected),
    }
}

/// Whether a body is a transaction response with one successful answer for each of `sent` entries.
fn answers_every_entry(body: &[u8], sent: usize) -> bool {
    let Ok(bundle) = serde_json::from_slice::<Value>(body) else { return false };
    let text = |name| bundle.get(name).and_then(Value::as_str);
    let entries = bundle.get("entry").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    text("resourceType") == Some("Bundle")
        && text("type") == Some("transaction-response")
        && entries.len() == sent
        && entries.iter().all(|entry| {
            entry
                .pointer("/response/status")
                .and_then(Value::as_str)
                .is_some_and(|status| status.starts_with('2') && status.len() >= 3)
        })
}

/// The wait in `Retry-After`, as seconds or as a date (RFC 9110 section 10.2.3), capped. A date that has passed is no
/// wait.
fn retry_after(text: &str, now: Timestamp) -> Option<Duration> {
    let text = text.trim();
    if !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit()) {
        let seconds = text.parse().unwrap_or(u64::MAX);
        return Some(Duration::from_secs(seconds).min(LONGEST_RETRY_AFTER));
    }
    let at = jiff::fmt::rfc2822::DateTimeParser::new().parse_timestamp(text).ok()?;
    let milliseconds = at.as_millisecond().saturating_sub(now.as_millisecond());
    let wait = Duration::from_millis(u64::try_from(milliseconds).unwrap_or(0));
    Some(wait.min(LONGEST_RETRY_AFTER))
}

fn issues(body: &[u8]) -> Vec<Value> {
    let Ok(mut outcome) = serde_json::from_slice::<Value>(body) else { return Vec::new() };
    if outcome.get("resourceType").and_then(Value::as_str) != Some("OperationOutcome") {
        return Vec::new();
    }
    match outcome.get_mut("issue").map(Value::take) {
        Some(Value::Array(issues)) => issues,
        _ => Vec::new(),
    }
}

fn expressions(issue: &Value) -> Vec<&str> {
    ["expression", "location"]
        .iter()
        .filter_map(|name| issue.get(name)?.as_array())
        .flatten()
        .filter_map(Value::as_str)
        .collect()
}

fn names_entry(body: &[u8]) -> bool {
    issues(body).iter().any(|issue| expressions(issue).iter().any(|path| path.starts_with("Bundle.entry")))
}

/// An OperationOutcome without its free texts, which quote values of the exam as often as not: severity, code, codes
/// of the details, and paths made of names and numbers only.
fn redacted(body: &[u8]) -> Option<Value> {
    let issues: Vec<Value> = issues(body).iter().take(50).map(redacted_issue).collect();
    (!issues.is_empty()).then(|| json!({ "resourceType": "OperationOutcome", "issue": issues }))
}

fn redacted_issue(issue: &Value) -> Value {
    let mut out = serde_json::Map::new();
    for name in ["severity", "code"] {
        if let Some(code) = issue.get(name).and_then(Value::as_str).filter(|code| is_plain(code)) {
            out.insert(name.to_owned(), json!(code));
        }
    }
    let codings = issue.pointer("/details/coding").and_then(Value::as_array);
    let codings: Vec<Value> = codings
        .into_iter()
        .flatten()
        .filter_map(|coding| coding.get("code")?.as_str())
        .filter(|code| is_plain(code))
        .map(|code| json!({ "code": code }))
        .collect();
    if !codings.is_empty() {
        out.insert("details".to_owned(), json!({ "coding": codings }));
    }
    let paths: Vec<&str> = expressions(issue).into_iter().filter(|path| is_path(path)).collect();
    if !paths.is_empty() {
        out.insert("expression".to_owned(), json!(paths));
    }
    Value::Object(out)
}

/// A code word: letters and hyphens, so no number of a person.
fn is_plain(code: &str) -> bool {
    !code.is_empty()
        && code.len() <= 64
        && code.bytes().all(|byte| byte.is_ascii_alphabetic() || matches!(byte, b'-' | b'_'))
}

/// Element names, dots and short indexes.
fn is_path(path: &str) -> bool {
    path.len() <= 200
        && path.split('.').all(|step| {
            let (name, index) = step.split_once('[').unwrap_or((step, "0]"));
            let index = index.strip_suffix(']').unwrap_or("x");
            !name.is_empty()
                && name.bytes().all(|byte| byte.is_ascii_alphabetic())
                && index.len() <= 4
                && index.bytes().all(|byte| byte.is_ascii_digit())
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> Timestamp {
        "2026-11-25T12:00:00Z".parse().unwrap()
    }

    fn answer(status: u16, body: &Value) -> Answer {
        Answer { status, retry_after: None, body: body.to_string().into_bytes() }
    }

    fn response(statuses: &[&str]) -> Value {
        let entries: Vec<Value> =
            statuses.iter().map(|status| json!({ "response": { "status": status } })).collect();
        json!({ "resourceType": "Bundle", "type": "transaction-response", "entry": entries })
    }

    #[test]
    fn every_status_has_its_verdict() {
        let destination = |failure| Verdict::DestinationFault { failure, wait: None };
        let unknown = |failure| Verdict::UnknownOutcome { failure, wait: None };
        let message = |failure| Verdict::MessageFault { failure, detail: None };
        for (status, verdict) in [
            (200, unknown(Failure::AnswerIncomplete)),
            (204, unknown(Failure::AnswerIncomplete)),
            (301, destination(Failure::Redirected)),
            (307, destination(Failure::Redirected)),
            (400, message(Failure::MessageRefused)),
            (401, destination(Failure::Unauthorized)),
            (403, destination(Failure::Forbidden)),
            (404, destination(Failure::NotAnEndpoint)),
            (405, destination(Failure::NotAnEndpoint)),
            (408, unknown(Failure::Timeout)),
            (409, Verdict::Conflict),
            (410, destination(Failure::NotAnEndpoint)),
            (412, message(Failure::Ambiguous)),
            (413, message(Failure::TooLarge)),
            (415, destination(Failure::NotAnEndpoint)),
            (422, message(Failure::MessageRefused)),
            (429, destination(Failure::Throttled)),
            (500, unknown(Failure::ServerError)),
            (502, unknown(Failure::ServerError)),
            (503, unknown(Failure::ServerError)),
            (504, unknown(Failure::ServerError)),
        ] {
            assert_eq!(judge(&answer(status, &json!({})), 1, now()), verdict, "{status}");
        }
    }

    #[test]
    fn only_an_answer_to_each_entry_is_a_delivery() {
        let created = "201 Created";
        assert_eq!(judge(&answer(200, &response(&[created, "200 OK"])), 2, now()), Verdict::Delivered);
        let page = Answer { status: 200, body: b"<html>Sign in</html>".to_vec(), ..Answer::default() };
        for incomplete in [
            answer(200, &response(&[created])),
            answer(200, &response(&[created, "404 Not Found"])),
            answer(200, &json!({ "resourceType": "Bundle", "type": "searchset" })),
            page,
        ] {
            let verdict = judge(&incomplete, 2, now());
            assert!(matches!(verdict, Verdict::UnknownOutcome { failure: Failure::AnswerIncomplete, .. }));
        }
    }

    #[test]
    fn both_forms_of_retry_after_are_honoured_and_capped() {
        for (text, seconds) in [
            ("7", Some(7)),
            ("0", Some(0)),
            ("99999999999999999999", Some(3600)),
            ("Wed, 25 Nov 2026 12:00:30 GMT", Some(30)),
            ("Wed, 25 Nov 2026 11:00:00 GMT", Some(0)),
            ("Thu, 26 Nov 2026 12:00:00 GMT", Some(3600)),
            ("-5", None),
            ("soon", None),
        ] {
            assert_eq!(retry_after(text, now()), seconds.map(Duration::from_secs), "{text}");
        }
    }

    #[test]
    fn what_the_record_system_says_is_kept_without_its_texts() {
        let outcome = json!({ "resourceType": "OperationOutcome", "issue": [{
            "severity": "error", "code": "invalid", "diagnostics": "value 'Edwina Fable' is unknown",
            "details": { "text": "Edwina Fable", "coding": [{ "code": "bad-date" }, { "code": "MRN 77" }] },
            "expression": ["Bundle.entry[6].resource.effective", "Patient.where(name='Edwina')"]
        }]});
        let Verdict::MessageFault { detail: Some(detail), .. } = judge(&answer(422, &outcome), 1, now())
        else {
            panic!("no message fault");
        };
        assert!(!detail.to_string().contains("Edwina") && !detail.to_string().contains("77"), "{detail}");
        assert_eq!(detail["issue"][0]["expression"], json!(["Bundle.entry[6].resource.effective"]));
        assert_eq!(detail["issue"][0]["details"]["coding"], json!([{ "code": "bad-date" }]));
        let lookup = judge(&answer(404, &outcome), 1, now());
        assert!(matches!(lookup, Verdict::MessageFault { .. }), "{lookup:?}");
    }
}
