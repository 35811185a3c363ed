//! What the record system said about a message, without what it quoted, and in terms of what was sent.

use serde_json::{Value, json};

use super::message::Message;

const FOOT_TEST: &str = "https://solewire.example/fhir/CodeSystem/foot-test";
/// More issues than this say nothing new.
const MOST_ISSUES: usize = 50;
/// Source: HL7 FHIR R4, issue-severity.
const SEVERITIES: &[&str] = &["fatal", "error", "warning", "information"];
/// Source: HL7 FHIR R4, issue-type.
const ISSUE_TYPES: &[&str] = &[
    "business-rule",
    "code-invalid",
    "conflict",
    "deleted",
    "duplicate",
    "exception",
    "expired",
    "extension",
    "forbidden",
    "incomplete",
    "informational",
    "invalid",
    "invariant",
    "lock-error",
    "login",
    "multiple-matches",
    "no-store",
    "not-found",
    "not-supported",
    "processing",
    "required",
    "security",
    "structure",
    "suppressed",
    "throttled",
    "timeout",
    "too-costly",
    "too-long",
    "transient",
    "unknown",
    "value",
];
/// Codes of other systems can be anything, also a name.
const KNOWN_SYSTEMS: &[&str] = &["http://hl7.org/fhir/", "http://terminology.hl7.org/"];

/// Whether an OperationOutcome is about an entry of the transaction.
pub(super) fn names_entry(body: &[u8]) -> bool {
    issues(body).iter().any(|issue| expressions(issue).iter().any(|path| path.starts_with("Bundle.entry")))
}

/// Whether an OperationOutcome tells of a fault; none when it is no OperationOutcome.
pub(super) fn found_fault(body: &[u8]) -> Option<bool> {
    let issues = issues(body);
    let severity = |issue: &Value| issue.get("severity").and_then(Value::as_str).map(str::to_owned);
    let fault = issues.iter().filter_map(severity).any(|word| matches!(word.as_str(), "error" | "fatal"));
    (!issues.is_empty()).then_some(fault)
}

/// An OperationOutcome without its free texts, which quote values of the exam as often as not: severity, code, codes of
/// HL7 in the details, and paths that look like those of elements. The text of each issue is ours: which of the resources it is
/// about, and which element. `alone` is the number of the entry, when one went alone.
pub(super) fn redacted(body: &[u8], message: &Message, alone: Option<usize>) -> Option<Value> {
    let issues: Vec<Value> =
        issues(body).iter().take(MOST_ISSUES).map(|issue| redacted_issue(issue, message, alone)).collect();
    (!issues.is_empty()).then(|| json!({ "resourceType": "OperationOutcome", "issue": issues }))
}

/// The resource of an entry in our words: its type, its id here and, of a test, which one.
pub(super) fn name(message: &Message, number: usize) -> Option<String> {
    let part = message.parts.get(number)?;
    let id = part.full_url.trim_start_matches("urn:uuid:");
    let codings = message.resource(number).pointer("/code/coding").and_then(Value::as_array);
    let test = codings
        .into_iter()
        .flatten()
        .find(|coding| coding.get("system").and_then(Value::as_str) == Some(FOOT_TEST))
        .and_then(|coding| coding.get("code")?.as_str());
    let test = test.map(|test| format!(" ({test})")).unwrap_or_default();
    Some(format!("{}/{id}{test}", part.resource_type))
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

fn redacted_issue(issue: &Value, message: &Message, alone: Option<usize>) -> Value {
    let mut out = serde_json::Map::new();
    for (name, known) in [("severity", SEVERITIES), ("code", ISSUE_TYPES)] {
        if let Some(code) = issue.get(name).and_then(Value::as_str).filter(|code| known.contains(code)) {
            out.insert(name.to_owned(), json!(code));
        }
    }
    let codings = issue.pointer("/details/coding").and_then(Value::as_array);
    let codings: Vec<Value> = codings
        .into_iter()
        .flatten()
        .filter(|coding| {
            let system = coding.get("system").and_then(Value::as_str).unwrap_or_default();
            KNOWN_SYSTEMS.iter().any(|known| system.starts_with(known))
        })
        .filter_map(|coding| coding.get("code")?.as_str())
        .filter(|code| is_plain(code))
        .map(|code| json!({ "code": code }))
        .collect();
    let paths: Vec<&str> = expressions(issue).into_iter().filter(|path| is_path(path, message)).collect();
    let mut about: Vec<String> = paths.iter().filter_map(|path| about(path, message, alone)).collect();
    if about.is_empty() {
        about.extend(alone.and_then(|number| name(message, number)));
    }
    let mut details = serde_json::Map::new();
    if !codings.is_empty() {
        details.insert("coding".to_owned(), json!(codings));
    }
    if !about.is_empty() {
        details.insert("text".to_owned(), json!(about.join("; ")));
    }
    if !details.is_empty() {
        out.insert("details".to_owned(), Value::Object(details));
    }
    if !paths.is_empty() {
        out.insert("expression".to_owned(), json!(paths));
    }
    Value::Object(out)
}

/// Which resource of ours a path leads to, and which element of it.
fn about(path: &str, message: &Message, alone: Option<usize>) -> Option<String> {
    let (number, element) = match (path.strip_prefix("Bundle.entry["), alone) {
        (Some(rest), _) => {
            let (number, rest) = rest.split_once(']')?;
            (number.parse().ok()?, rest.trim_start_matches('.').trim_start_matches("resource"))
        }
        (None, Some(number)) => (number, path.split_once('.').map_or("", |(_, element)| element)),
        (None, None) => return None,
    };
    let name = name(message, number)?;
    let element = element.trim_start_matches('.');
    Some(if element.is_empty() { name } else { format!("{name}, {element}") })
}

/// A code word: letters and hyphens, so no number of a person.
fn is_plain(code: &str) -> bool {
    !code.is_empty()
        && code.len() <= 64
        && code.bytes().all(|byte| byte.is_ascii_alphabetic() || matches!(byte, b'-' | b'_'))
}

/// A type of what was sent, then names that elements can have, with dots and short indexes.
fn is_path(path: &str, message: &Message) -> bool {
    let mut steps = path.split('.');
    let root = steps.next().unwrap_or_default();
    path.len() <= 200
        && (root == "Bundle" || message.parts.iter().any(|part| part.resource_type == root))
        && steps.all(|step| {
            let (name, index) = step.split_once('[').unwrap_or((step, "0]"));
            let index = index.strip_suffix(']').unwrap_or("x");
            name.starts_with(|first: char| first.is_ascii_lowercase())
                && name.bytes().all(|byte| byte.is_ascii_alphabetic())
                && index.len() <= 4
                && index.bytes().all(|byte| byte.is_ascii_digit())
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message() -> Message {
        let coding = json!([{ "system": FOOT_TEST, "code": "pulse" }]);
        let entry = |id: &str| {
            json!({ "fullUrl": format!("urn:uuid:{id}"),
                    "resource": { "resourceType": "Observation", "code": { "coding": coding } },
                    "request": { "method": "POST", "url": "Observation", "ifNoneExist": "identifier=s|v" } })
        };
        Message::read(&json!({ "entry": [entry("a"), entry("b")] }).to_string()).unwrap()
    }

    #[test]
    fn f09_what_the_record_system_says_names_our_resource_and_quotes_nothing() {
        let outcome = json!({ "resourceType": "OperationOutcome", "issue": [{
            "severity": "error", "code": "invalid", "diagnostics": "value 'Edwina Fable' is unknown",
            "details": { "text": "Edwina Fable", "coding": [
                { "system": "http://terminology.hl7.org/CodeSystem/operation-outcome", "code": "MSG_DATE_FORMAT" },
                { "system": "http://terminology.hl7.org/CodeSystem/operation-outcome", "code": "MRN 77" },
                { "system": "https://records.harbourlane.example/faults", "code": "Edwina" }
            ] },
            "expression": ["Bundle.entry[1].resource.effective", "Patient.where(name='Edwina')", "Edwina",
                           "Observation.Edwina"]
        }]});
        let body = outcome.to_string().into_bytes();
        let detail = redacted(&body, &message(), None).unwrap();
        assert!(!detail.to_string().contains("Edwina") && !detail.to_string().contains("77"), "{detail}");
        let issue = &detail["issue"][0];
        assert_eq!(issue["expression"], json!(["Bundle.entry[1].resource.effective"]));
        assert_eq!(
            issue["details"],
            json!({ "coding": [{ "code": "MSG_DATE_FORMAT" }], "text": "Observation/b (pulse), effective" })
        );
        assert!(names_entry(&body));
        let alone = json!({ "resourceType": "OperationOutcome", "issue": [
            { "severity": "error", "code": "value", "expression": ["Observation.status"] }, { "severity": "error" }
        ]});
        let detail = redacted(alone.to_string().as_bytes(), &message(), Some(0)).unwrap();
        assert_eq!(detail["issue"][0]["details"]["text"], "Observation/a (pulse), status");
        assert_eq!(detail["issue"][1]["details"]["text"], "Observation/a (pulse)");
        assert_eq!(redacted(b"Edwina Fable", &message(), None), None);
    }
}
