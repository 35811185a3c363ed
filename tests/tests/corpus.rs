//! Every case of the corpus through the library: the issues with their places, and the assessment, as a person
//! expected them from the published table.

use std::path::{Path, PathBuf};

use serde_json::Value;
use solewire_profiles::issue::{Issue, Severity, refused};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{AssessOptions, CheckContext, Derived, Engine};

fn corpus() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    let mut cases: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.join("input.json").is_file())
        .collect();
    cases.sort();
    cases
}

fn at() -> jiff::Timestamp {
    "2026-11-02T09:00:00Z".parse().unwrap()
}

struct Run {
    root: String,
    issues: Vec<Issue>,
    derived: Vec<Derived>,
}

fn run(engine: &Engine, bytes: Vec<u8>) -> Run {
    let context = CheckContext::at(at());
    let document = match Document::parse(bytes, Limits::default()) {
        Ok(document) => document,
        Err(issues) => return Run { root: String::new(), issues, derived: Vec::new() },
    };
    let root = document.value()["resourceType"].as_str().unwrap_or_default().to_owned();
    let issues = engine.check(&document, &context);
    let mut derived = Vec::new();
    if !refused(&issues) {
        let submission = engine.submission(&document, &context).unwrap();
        for exam in &submission.exams {
            let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
            derived.push(engine.assess(&exam.key, &bodies, &AssessOptions::at(at())));
        }
    }
    Run { root, issues, derived }
}

fn check_issues(expected: &Value, run: &Run, problems: &mut Vec<String>) {
    let text = |value: &Value, name: &str| value[name].as_str().map(ToOwned::to_owned);
    let mut found: Vec<&Issue> = run.issues.iter().collect();
    if expected["check"]["refused"].as_bool() != Some(refused(&run.issues)) {
        problems.push(format!("refused: {}", refused(&run.issues)));
    }
    for wanted in expected["check"]["issues"].as_array().into_iter().flatten() {
        let rules: Vec<String> =
            [text(wanted, "rule"), text(wanted, "or_rule")].into_iter().flatten().collect();
        let matches = |issue: &&Issue| {
            let position = issue.position.unwrap();
            let expression = text(wanted, "expression");
            rules.contains(&issue.rule.to_string())
                && Some(issue.severity.code().to_owned()) == text(wanted, "severity")
                && wanted["line"].as_u64() == Some(position.line as u64)
                && wanted["column"].as_u64() == Some(position.column as u64)
                && expression.is_none_or(|expression| expression == issue.expression(&run.root))
        };
        match found.iter().position(matches) {
            Some(number) => {
                found.remove(number);
            }
            None => problems.push(format!("not raised: {wanted}")),
        }
    }
    let allowed: Vec<&str> =
        expected["check"]["may_also"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    // Informations are expected only where a case is about them.
    found.retain(|issue| issue.severity != Severity::Information);
    for issue in found.iter().filter(|issue| !allowed.contains(&issue.rule.as_ref())) {
        problems.push(format!(
            "raised and not expected: {} {} {} {:?} {}",
            issue.rule,
            issue.severity.code(),
            issue.expression(&run.root),
            issue.position.map(|position| (position.line, position.column)),
            issue.message
        ));
    }
}

/// Full months between two dates of one day of the month.
fn months(from: &str, to: &str) -> i64 {
    let date = |text: &str| text[..10].parse::<jiff::civil::Date>().unwrap();
    let (from, to) = (date(from), date(to));
    (i64::from(to.year()) - i64::from(from.year())) * 12 + i64::from(to.month()) - i64::from(from.month())
}

fn check_assessment(expected: &Value, run: &Run, problems: &mut Vec<String>) {
    let Some(wanted) = expected.get("assess") else { return };
    let Some(derived) = run.derived.first() else {
        problems.push("nothing was derived".to_owned());
        return;
    };
    let of_type = |name: &'static str| {
        derived.resources.iter().filter(move |resource| resource["resourceType"] == name)
    };
    let assessment = of_type("RiskAssessment").next().unwrap();
    let summary = &derived.assessments[0];
    if wanted["status"] != assessment["status"] {
        problems.push(format!("status {}", assessment["status"]));
    }
    let categories: Vec<&str> =
        wanted["categories"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    if categories != summary.categories {
        problems.push(format!("categories {:?}; reasons {:#?}", summary.categories, summary.reasons));
    }
    let coded: Vec<&str> = assessment["prediction"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|prediction| prediction["qualitativeRisk"]["coding"][0]["code"].as_str())
        .collect();
    let mut ends = vec![categories[0]];
    if categories.len() > 1 {
        ends.push(categories[categories.len() - 1]);
    }
    if coded != ends {
        problems.push(format!("predictions {coded:?}"));
    }
    let request = |profile: &str| {
        of_type("ServiceRequest").find(|request| {
            request["meta"]["profile"][0].as_str().is_some_and(|found| found.ends_with(profile))
        })
    };
    let recall = request("foot-recall").map(|request| {
        let authored = request["authoredOn"].as_str().unwrap();
        let end = |name: &str| months(authored, request["occurrencePeriod"][name].as_str().unwrap());
        serde_json::json!([end("start"), end("end")])
    });
    if recall.unwrap_or(Value::Null) != wanted["recall_months"] {
        problems.push(format!("recall {:?}", summary.recall));
    }
    let referral =
        request("foot-referral").map(|request| serde_json::json!({ "priority": request["priority"] }));
    if referral.unwrap_or(Value::Null) != wanted["referral"] {
        problems.push(format!("referral {:?}", summary.referral));
    }
    let said = summary.missing.join("\n").to_lowercase();
    for word in wanted["missing_contains"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        if !said.contains(&word.to_lowercase()) {
            problems.push(format!("`{word}` is not in what is missing: {said}"));
        }
    }
    if wanted["contradictions"].as_u64() != Some(summary.contradictions.len() as u64) {
        problems.push(format!("contradictions {:#?}", summary.contradictions));
    }
}

#[test]
fn every_case_is_judged_as_expected() {
    let engine = Engine::builtin().unwrap();
    let mut failures = Vec::new();
    let cases = corpus();
    assert!(cases.len() > 60, "the corpus is missing");
    for case in &cases {
        let bytes = std::fs::read(case.join("input.json")).unwrap();
        let expected: Value =
            serde_json::from_slice(&std::fs::read(case.join("expected.json")).unwrap()).unwrap();
        let run = run(&engine, bytes);
        let mut problems = Vec::new();
        check_issues(&expected, &run, &mut problems);
        check_assessment(&expected, &run, &mut problems);
        if !problems.is_empty() {
            let name = case.file_name().unwrap_or_default().to_string_lossy();
            failures.push(format!("{name}:\n  {}", problems.join("\n  ")));
        }
    }
    assert!(
        failures.is_empty(),
        "{} of {} cases differ:\n{}",
        failures.len(),
        cases.len(),
        failures.join("\n")
    );
}
