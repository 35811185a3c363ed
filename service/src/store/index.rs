//! What a resource can be searched by, read from its body.

use serde_json::Value;

use super::Span;

/// Names in `search_values.name`.
pub(super) const IDENTIFIER: &str = "identifier";
pub(super) const CODE: &str = "code";
pub(super) const SUBJECT: &str = "subject";
pub(super) const SUBJECT_IDENTIFIER: &str = "subject:identifier";
/// The kind of thing the subject is; `value` holds the type.
pub(super) const SUBJECT_TYPE: &str = "subject:type";
pub(super) const TARGET: &str = "target";

/// The systems of the identifiers that requests are made with here.
const RECALL: &str = "https://solewire.example/fhir/identifier/recall";
const REFERRAL: &str = "https://solewire.example/fhir/identifier/referral";
/// The urgency of what presses nobody.
const USUAL: i64 = 2;

/// One row of `search_values`. Without a system, `system` is empty.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) name: &'static str,
    pub(super) system: String,
    pub(super) value: String,
}

#[derive(Debug, Default)]
pub(super) struct Indexed {
    pub(super) status: Option<String>,
    pub(super) date: Option<Span>,
    pub(super) entries: Vec<Entry>,
    pub(super) listed: Option<Listed>,
}

/// What the worklists filter and sort by.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Listed {
    /// The word in `worklist.kind`.
    pub(super) kind: &'static str,
    /// The assessment that a request follows from; none for an assessment.
    pub(super) follows: Option<String>,
    pub(super) guideline: Option<String>,
    /// The highest category still possible.
    pub(super) risk: Option<String>,
    pub(super) urgency: i64,
}

pub(super) fn index(body: &Value) -> Indexed {
    let mut entries = Vec::new();
    for identifier in list(body.get("identifier")) {
        push_token(&mut entries, IDENTIFIER, identifier, "value");
    }
    for coding in body.pointer("/code/coding").and_then(Value::as_array).into_iter().flatten() {
        push_token(&mut entries, CODE, coding, "code");
    }
    if let Some(subject) = body.get("subject") {
        push_subject(&mut entries, subject);
    }
    for target in list(body.get("target")) {
        if let Some(reference) = text(target, "reference") {
            entries.push(Entry { name: TARGET, system: String::new(), value: reference });
        }
    }
    Indexed { status: text(body, "status"), date: date(body), entries, listed: listed(body) }
}

fn listed(body: &Value) -> Option<Listed> {
    let at = |pointer: &str| body.pointer(pointer).and_then(Value::as_str).map(str::to_owned);
    match body.get("resourceType")?.as_str()? {
        "RiskAssessment" => {
            let highest = list(body.get("prediction")).last();
            let risk =
                highest.and_then(|prediction| prediction.pointer("/qualitativeRisk/coding/0/code")?.as_str());
            Some(Listed {
                kind: "assessment",
                follows: None,
                guideline: at("/method/coding/0/code"),
                risk: risk.map(str::to_owned),
                urgency: USUAL,
            })
        }
        "ServiceRequest" => {
            let marked = |system: &str| {
                list(body.get("identifier"))
                    .iter()
                    .any(|identifier| identifier.get("system").and_then(Value::as_str) == Some(system))
            };
            let kind = match () {
                () if marked(RECALL) => "recall",
                () if marked(REFERRAL) => "referral",
                () => return None,
            };
            let reference = at("/supportingInfo/0/reference")?;
            let follows = reference.strip_prefix("RiskAssessment/").unwrap_or(&reference).to_owned();
            let urgency = match body.get("priority").and_then(Value::as_str) {
                Some("stat") => 0,
                Some("urgent") => 1,
                _ => USUAL,
            };
            Some(Listed { kind, follows: Some(follows), guideline: None, risk: None, urgency })
        }
        _ => None,
    }
}

fn push_subject(entries: &mut Vec<Entry>, subject: &Value) {
    let reference = text(subject, "reference");
    if let Some(identifier) = subject.get("identifier") {
        push_token(entries, SUBJECT_IDENTIFIER, identifier, "value");
    }
    // An exam is of a person: a logical reference without a type names one.
    let kind = text(subject, "type").unwrap_or_else(|| match &reference {
        Some(reference) => reference.rsplit('/').nth(1).unwrap_or_default().to_owned(),
        None => "Patient".to_owned(),
    });
    entries.push(Entry { name: SUBJECT_TYPE, system: String::new(), value: kind });
    if let Some(value) = reference {
        entries.push(Entry { name: SUBJECT, system: String::new(), value });
    }
}

fn push_token(entries: &mut Vec<Entry>, name: &'static str, token: &Value, value: &str) {
    if let Some(value) = text(token, value) {
        entries.push(Entry { name, system: text(token, "system").unwrap_or_default(), value });
    }
}

/// When: the examination, the assessment, the time a request is for, the time of recording.
fn date(body: &Value) -> Option<Span> {
    for moment in ["effectiveDateTime", "effectiveInstant", "occurrenceDateTime", "recorded"] {
        if let Some(span) = body.get(moment).and_then(Value::as_str).and_then(Span::of) {
            return Some(span);
        }
    }
    for period in ["effectivePeriod", "occurrencePeriod"] {
        if let Some(period) = body.get(period) {
            let end = |name| period.get(name).and_then(Value::as_str).and_then(Span::of);
            return Some(Span {
                low: end("start").map_or(i64::MIN, |span| span.low),
                high: end("end").map_or(i64::MAX, |span| span.high),
            });
        }
    }
    body.get("authoredOn").and_then(Value::as_str).and_then(Span::of)
}

fn list(value: Option<&Value>) -> &[Value] {
    match value {
        Some(Value::Array(items)) => items,
        Some(single) => std::slice::from_ref(single),
        None => &[],
    }
}

fn text(value: &Value, name: &str) -> Option<String> {
    value.get(name).and_then(Value::as_str).map(str::to_owned)
}
