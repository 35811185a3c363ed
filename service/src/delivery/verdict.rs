//! What an answer of the record system, or the lack of one, means for a delivery.
//!
//! A fault of the message parks that exam; a fault of the destination makes everything wait and is held against no
//! message. Where the transaction may have been carried out although nobody said so, the outcome is unknown: it is
//! looked up before anything is sent again.

use std::time::Duration;

use jiff::Timestamp;
use serde_json::Value;

use super::placed::Placed;
use super::remote_outcome;

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
    /// The handshake, for another reason than the certificate.
    Tls => "tls",
    /// The certificate of the record system has run out, or does not hold yet.
    CertificateExpired => "certificate-expired",
    /// No authority that is trusted here stands behind the certificate.
    CertificateUntrusted => "certificate-untrusted",
    /// The certificate is for another name.
    CertificateWrongName => "certificate-wrong-name",
    /// The record system does not take the certificate of this service.
    CertificateRefused => "certificate-refused",
    /// The token endpoint gives none for these credentials.
    TokenRefused => "token-refused",
    /// The token endpoint cannot give one now.
    TokenUnavailable => "token-unavailable",
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
    /// A search, which is needed to find things again, is not taken.
    SearchRefused => "search-refused",
    /// 429.
    Throttled => "throttled",
    /// 5xx.
    ServerError => "server-error",
    /// 400, 422 and the like: refused for what it says.
    MessageRefused => "message-refused",
    /// 412: more than one match in the record system.
    Ambiguous => "ambiguous",
    /// 409, or 412 without anything there that differs.
    Conflict => "conflict",
    /// Somebody changed there what this version would replace.
    ChangedThere => "changed-there",
    /// What the record system had taken is no longer there.
    MissingThere => "missing-there",
    /// A resource with our identifier is there, about another person.
    OtherPerson => "other-person",
    /// A resource with our identifier is there, with another status.
    OtherStatus => "other-status",
    /// A resource was sent once and is there more than once.
    Duplicated => "duplicated",
    /// The record system does not know the person.
    PersonUnknown => "person-unknown",
    /// It has more entries than the record system takes and cannot be taken apart.
    Indivisible => "indivisible",
    /// What was stored to be sent cannot be read.
    Unreadable => "unreadable",
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
        /// The right it says is missing.
        scope: Option<String>,
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

impl Verdict {
    /// The word of its class.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Verdict::Delivered => "delivered",
            Verdict::DestinationFault { .. } => "destination-fault",
            Verdict::UnknownOutcome { .. } => "unknown-outcome",
            Verdict::Conflict => "conflict",
            Verdict::MessageFault { .. } => "message-fault",
        }
    }
}

/// An answer, read to its end.
#[derive(Debug, Clone, Default)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// The header `Retry-After`.
    pub retry_after: Option<String>,
    /// The header `Location`.
    pub location: Option<String>,
    /// The header `ETag`.
    pub etag: Option<String>,
    /// The right that `WWW-Authenticate` names as missing (RFC 6750 section 3).
    pub scope: Option<String>,
    /// The body.
    pub body: Vec<u8>,
}

/// Judges an answer by its status; nothing for a success, whose body has to be looked at. `now` is what a date in
/// `Retry-After` is held against.
pub(super) fn judge(answer: &Answer, now: Timestamp) -> Option<Verdict> {
    let wait = answer.retry_after.as_deref().and_then(|text| retry_after(text, now));
    let destination = |failure| Verdict::DestinationFault { failure, wait, scope: answer.scope.clone() };
    let message = |failure| Verdict::MessageFault { failure, detail: None };
    Some(match answer.status {
        200..=299 => return None,
        401 => destination(Failure::Unauthorized),
        403 => destination(Failure::Forbidden),
        // Some servers say 404 when a reference of an entry finds nothing: that is about the message.
        404 | 410 if remote_outcome::names_entry(&answer.body) => message(Failure::MessageRefused),
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
    })
}

/// What a success says became of one entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Taken {
    /// Where it is, when the answer says so.
    pub(super) placed: Option<Placed>,
    /// Whether it was made now, rather than found or replaced.
    pub(super) made: bool,
}

/// Reads a transaction response: one successful answer for each of the resources sent, of these types, each that was
/// made with its place. Nothing when it is not that, such as a page to sign in or half an answer.
pub(super) fn taken(body: &[u8], types: &[&str]) -> Option<Vec<Taken>> {
    let bundle: Value = serde_json::from_slice(body).ok()?;
    let text = |name| bundle.get(name).and_then(Value::as_str);
    let entries = bundle.get("entry").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    if text("resourceType") != Some("Bundle")
        || text("type") != Some("transaction-response")
        || entries.len() != types.len()
    {
        return None;
    }
    entries
        .iter()
        .zip(types)
        .map(|(entry, expected)| {
            let text = |pointer: &str| entry.pointer(pointer).and_then(Value::as_str);
            let status = text("/response/status")?;
            if !status.starts_with('2') || status.len() < 3 {
                return None;
            }
            let made = status.starts_with("201");
            let location = text("/response/location").or(text("/response/contentLocation"));
            let placed = location.and_then(|location| Placed::of(location, text("/response/etag")));
            match &placed {
                Some(placed) if placed.resource_type() != *expected => None,
                None if made => None,
                _ => Some(Taken { placed, made }),
            }
        })
        .collect()
}

/// The wait in `Retry-After`, as seconds or as a date (RFC 9110 section 10.2.3), capped. A date that has passed is no
/// wait.
fn retry_after(text: &str, now: Timestamp) -> Option<Duration> {
    let text = text.trim();
    let asked = if !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit()) {
        Duration::from_secs(text.parse().unwrap_or(u64::MAX))
    } else {
        let Ok(at) = jiff::fmt::rfc2822::DateTimeParser::new().parse_timestamp(text) else {
            // What it said is not repeated: nobody knows what stands there.
            tracing::warn!(
                "the Retry-After of the record system is neither seconds nor a date; own waits hold"
            );
            return None;
        };
        let milliseconds = at.as_millisecond().saturating_sub(now.as_millisecond());
        Duration::from_millis(u64::try_from(milliseconds).unwrap_or(0))
    };
    if asked > LONGEST_RETRY_AFTER {
        let (asked, longest) = (asked.as_secs(), LONGEST_RETRY_AFTER.as_secs());
        tracing::warn!(asked, longest, "the record system asked for a wait that is cut short, in seconds");
    }
    Some(asked.min(LONGEST_RETRY_AFTER))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn now() -> Timestamp {
        "2026-11-25T12:00:00Z".parse().unwrap()
    }

    fn answer(status: u16, body: &Value) -> Answer {
        Answer { status, body: body.to_string().into_bytes(), ..Answer::default() }
    }

    fn response(entries: &[(&str, &str)]) -> Value {
        let entries: Vec<Value> = entries
            .iter()
            .map(|(status, location)| json!({ "response": { "status": status, "location": location } }))
            .collect();
        json!({ "resourceType": "Bundle", "type": "transaction-response", "entry": entries })
    }

    #[test]
    fn every_status_has_its_verdict() {
        let destination = |failure| Verdict::DestinationFault { failure, wait: None, scope: None };
        let unknown = |failure| Verdict::UnknownOutcome { failure, wait: None };
        let message = |failure| Verdict::MessageFault { failure, detail: None };
        for (status, verdict) in [
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
            assert_eq!(judge(&answer(status, &json!({})), now()), Some(verdict), "{status}");
        }
        assert_eq!(judge(&answer(200, &json!({})), now()), None);
    }

    #[test]
    fn f14_only_an_answer_to_each_entry_with_its_place_is_a_delivery() {
        let read = |body: &Value| taken(body.to_string().as_bytes(), &["Observation", "Provenance"]);
        let whole = response(&[("201 Created", "Observation/1/_history/1"), ("200 OK", "Provenance/2")]);
        assert_eq!(
            read(&whole).unwrap(),
            [
                Taken { placed: Placed::of("Observation/1/_history/1", None), made: true },
                Taken { placed: Placed::of("Provenance/2", None), made: false }
            ]
        );
        for incomplete in [
            response(&[("201 Created", "Observation/1")]),
            response(&[("201 Created", "Observation/1"), ("404 Not Found", "Provenance/2")]),
            response(&[("201 Created", "Observation/1"), ("201 Created", "")]),
            response(&[("201 Created", "Patient/1"), ("201 Created", "Provenance/2")]),
            json!({ "resourceType": "Bundle", "type": "searchset" }),
            json!("Sign in"),
        ] {
            assert_eq!(read(&incomplete), None, "{incomplete}");
        }
        assert_eq!(taken(b"<html>Sign in</html>", &[]), None);
        assert_eq!(taken(&whole.to_string().as_bytes()[..40], &["Observation", "Provenance"]), None);
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
}
