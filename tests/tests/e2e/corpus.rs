//! Every case of the corpus, by the service and by the command line: both say what the case says.

use std::path::Path;

use serde_json::{Value, json};
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::client::Answer;
use solewire_tests::corpus::{Case, cases, invalid};
use solewire_tests::service::{Service, Setup};
use solewire_tests::{binaries, process};

use super::LIMIT;

/// An issue as rule, severity, line and column.
type Located = (String, String, u64, u64);

fn located(issue: &Value) -> Located {
    let text = |name: &str| issue[name].as_str().unwrap_or_default().to_owned();
    let number = |name: &str| issue[name].as_u64().unwrap_or_default();
    (text("rule"), text("severity"), number("line"), number("column"))
}

/// An issue of an OperationOutcome, in the form of the command line.
fn from_outcome(issue: &Value) -> Value {
    let extension = |name: &str| {
        let extensions = issue["extension"].as_array().cloned().unwrap_or_default();
        let found = extensions
            .iter()
            .find(|extension| extension["url"].as_str().is_some_and(|url| url.ends_with(name)))
            .map(|extension| extension["valueInteger"].clone());
        found.unwrap_or(Value::Null)
    };
    json!({
        "rule": issue["details"]["coding"][0]["code"],
        "severity": issue["severity"],
        "line": extension("operationoutcome-issue-line"),
        "column": extension("operationoutcome-issue-col"),
        "expression": issue["expression"][0]
    })
}

/// All issues, sorted.
fn listed(issues: &[Value]) -> Vec<Located> {
    let mut listed: Vec<Located> = issues.iter().map(located).collect();
    listed.sort();
    listed
}

/// The places of the issues that refuse a document or warn about it.
fn expressions(issues: &[Value]) -> Vec<String> {
    let mut listed: Vec<String> = issues
        .iter()
        .filter(|issue| issue["severity"] != "information")
        .map(|issue| issue["expression"].to_string())
        .collect();
    listed.sort();
    listed
}

/// Whether every expected issue was raised, and no other but what only informs and what may follow from the same fault.
fn assert_expected(case: &Case, raised: &[Located], by: &str) {
    let mut left = raised.to_vec();
    for expected in case.issues() {
        let wanted = located(&expected);
        let or_rule = expected["or_rule"].as_str().unwrap_or_default();
        let found = left.iter().position(|(rule, severity, line, column)| {
            (*rule == wanted.0 || rule == or_rule)
                && (severity, *line, *column) == (&wanted.1, wanted.2, wanted.3)
        });
        let found =
            found.unwrap_or_else(|| panic!("{}: {by} did not raise {wanted:?}: {raised:?}", case.name));
        left.remove(found);
    }
    let allowed =
        case.expected.pointer("/check/may_also").and_then(Value::as_array).cloned().unwrap_or_default();
    left.retain(|(rule, severity, ..)| severity != "information" && !allowed.iter().any(|also| also == rule));
    assert!(left.is_empty(), "{}: {by} raised more: {left:?}", case.name);
}

/// Runs the command line once for many cases: it takes longer to start than to check.
fn command(cases: &[Case], arguments: &[&str]) -> process::Ran {
    let paths = cases.iter().map(|case| case.path.to_str().unwrap());
    let arguments: Vec<&str> = arguments.iter().copied().chain(paths).collect();
    process::run(&binaries::solewire_check(), &arguments, Path::new("."), LIMIT)
}

/// The issues that the command line raises, for each case, and its exit code.
fn checked(cases: &[Case]) -> (Vec<Vec<Value>>, Option<i32>) {
    let ran = command(cases, &["validate", "--format", "json"]);
    let report: Value = serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {ran:?}"));
    let documents = report["documents"].as_array().unwrap_or_else(|| panic!("{report}"));
    let issues = |case: &Case| {
        let part = format!("{}/input.json", case.name);
        let is_case = |document: &&Value| {
            let file = document["file"].as_str().unwrap_or_default();
            file.strip_suffix(part.as_str()).is_some_and(|rest| rest.is_empty() || rest.ends_with('/'))
        };
        let document = documents.iter().find(is_case).unwrap_or_else(|| panic!("{} is not told", case.name));
        document["issues"].as_array().cloned().unwrap_or_default()
    };
    (cases.iter().map(issues).collect(), ran.code)
}

/// Checks every case before it fails, so that one run shows all of them. The messages stand on standard error.
struct Tally(Vec<String>);

impl Tally {
    fn check(&mut self, case: &Case, check: impl FnOnce()) {
        if std::panic::catch_unwind(std::panic::AssertUnwindSafe(check)).is_err() {
            self.0.push(case.name.clone());
        }
    }

    fn end(self) {
        assert!(self.0.is_empty(), "{} cases fail: {}", self.0.len(), self.0.join(", "));
    }
}

/// Where a document goes: a Bundle to the base, a resource to its type.
fn address(service: &Service, case: &Case) -> String {
    let alone = serde_json::from_slice::<Value>(&case.input)
        .ok()
        .and_then(|document| document["resourceType"].as_str().map(str::to_owned))
        .filter(|resource_type| resource_type != "Bundle");
    alone.map_or_else(|| service.fhir_url.clone(), |resource_type| service.url(&resource_type))
}

#[tokio::test]
async fn every_invalid_case_is_refused_alike_and_leaves_nothing() {
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    let service = Service::start(Setup::with(records.base_url())).await;
    let cases = invalid();
    let (by_command, code) = checked(&cases);
    assert_eq!(code, Some(1));
    let mut tally = Tally(Vec::new());
    for (case, issues) in cases.iter().zip(&by_command) {
        let answer = service.client.post(&address(&service, case), case.input.clone()).await;
        tally.check(case, || assert_refused_alike(case, &answer, issues));
    }
    for resource_type in ["Observation", "RiskAssessment", "ServiceRequest", "Provenance"] {
        let found = service.client.get(&service.url(resource_type)).await.expect(200).resources();
        assert_eq!(found, Vec::<Value>::new(), "{resource_type}");
    }
    assert_eq!(service.delivery_states().await, Vec::<String>::new());
    assert_eq!(records.write_count(), 0);
    tally.end();
}

fn assert_refused_alike(case: &Case, answer: &Answer, by_command: &[Value]) {
    assert!(matches!(answer.status, 400 | 422), "{}: {} {}", case.name, answer.status, answer.text);
    let outcome = answer.json();
    assert_eq!(outcome["resourceType"], "OperationOutcome", "{}", case.name);
    // Rules of handing in are the service's own: a file may be a collection, a submission may not.
    let by_service: Vec<Value> = outcome["issue"]
        .as_array()
        .unwrap()
        .iter()
        .map(from_outcome)
        .filter(|issue| !issue["rule"].as_str().is_some_and(|rule| rule.starts_with("submit-")))
        .collect();
    assert_expected(case, &listed(&by_service), "the service");
    assert_eq!(expressions(&by_service), expressions(by_command), "{}", case.name);
}

#[test]
fn every_invalid_case_is_refused_by_the_command_line() {
    let cases = invalid();
    let (issues, code) = checked(&cases);
    assert_eq!(code, Some(1));
    let mut tally = Tally(Vec::new());
    for (case, issues) in cases.iter().zip(&issues) {
        tally.check(case, || {
            let refuses = |issue: &Value| issue["severity"] == "error" || issue["severity"] == "fatal";
            assert!(issues.iter().any(refuses), "{}", case.name);
            assert_expected(case, &listed(issues), "the command line");
        });
    }
    tally.end();
}

#[test]
fn every_valid_case_is_assessed_as_the_case_says() {
    let cases: Vec<Case> = cases().into_iter().filter(|case| !case.name.starts_with("invalid-")).collect();
    let (issues, code) = checked(&cases);
    assert_eq!(code, Some(0));
    // One line for each exam, in the order of the paths.
    let ran = command(&cases, &["assess", "--format", "json"]);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    let bundles: Vec<Value> = ran.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(bundles.len(), cases.len());
    let mut tally = Tally(Vec::new());
    for ((case, issues), bundle) in cases.iter().zip(&issues).zip(&bundles) {
        tally.check(case, || {
            assert_expected(case, &listed(issues), "the command line");
            assert_assessed(case, bundle);
        });
    }
    tally.end();
}

fn assert_assessed(case: &Case, bundle: &Value) {
    let entries = bundle["entry"].as_array().unwrap_or_else(|| panic!("{}: {bundle}", case.name));
    let of_type = |resource_type: &str| {
        let resources = entries.iter().map(|entry| &entry["resource"]);
        resources.filter(|resource| resource["resourceType"] == resource_type).collect::<Vec<_>>()
    };
    let assessments = of_type("RiskAssessment");
    assert_eq!(assessments.len(), 1, "{}", case.name);
    let expected = &case.expected["assess"];
    assert_eq!(assessments[0]["status"], expected["status"], "{}", case.name);
    let possible: Vec<&str> =
        expected["categories"].as_array().unwrap().iter().map(|code| code.as_str().unwrap()).collect();
    let ends = match possible.as_slice() {
        [lowest, .., highest] => vec![*lowest, *highest],
        single => single.to_vec(),
    };
    assert_eq!(super::categories(assessments[0]), ends, "{}", case.name);
    let notes = assessments[0]["note"].to_string().to_lowercase();
    for words in expected["missing_contains"].as_array().into_iter().flatten() {
        let words = words.as_str().unwrap().to_lowercase();
        assert!(notes.contains(&words), "{}: {words} is not in {notes}", case.name);
    }
    if let Some(priority) = expected.pointer("/referral/priority") {
        let requests = of_type("ServiceRequest");
        let found = requests.iter().any(|request| request["priority"] == *priority);
        assert!(found, "{}: no referral of priority {priority}: {requests:?}", case.name);
    }
}
