//! The whole corpus: the program says what the library says, and what a person expected.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use solewire_profiles::issue::{Issue, refused};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{CheckContext, Engine};

use super::Bench;
use super::assess::AT;

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus").canonicalize().unwrap()
}

fn library(engine: &Engine, path: &Path) -> Vec<Issue> {
    match Document::parse(std::fs::read(path).unwrap(), Limits::default()) {
        Ok(document) => engine.check(&document, &CheckContext::at(AT.parse().unwrap())),
        Err(issues) => issues,
    }
}

fn members(issue: &Issue) -> Value {
    let position = issue.position.unwrap();
    json!([
        issue.rule,
        issue.severity.code(),
        issue.pointer,
        issue.message,
        position.line,
        position.column,
        position.offset
    ])
}

#[test]
fn validate_gives_the_issues_of_the_library_for_every_case() {
    let corpus = corpus();
    let bench = Bench::new();
    let folder = corpus.to_str().unwrap();
    let arguments = ["validate", folder, "--include", "input.json", "--at", AT, "--format", "json"];
    let report: Value = serde_json::from_str(&bench.run(&arguments).ends(1).out).unwrap();
    let documents = report["documents"].as_array().unwrap();
    assert!(documents.len() > 60, "the corpus is missing");
    let engine = Engine::builtin().unwrap();
    for document in documents {
        let path = Path::new(document["file"].as_str().unwrap());
        let expected: Vec<Value> = library(&engine, path).iter().map(members).collect();
        let names = ["rule", "severity", "pointer", "message", "line", "column", "offset"];
        let found: Vec<Value> = document["issues"]
            .as_array()
            .unwrap()
            .iter()
            .map(|issue| names.iter().map(|&name| issue[name].clone()).collect())
            .collect();
        assert_eq!(found, expected, "{}", path.display());
    }
}

#[test]
fn assess_refuses_and_derives_as_expected() {
    let bench = Bench::new();
    let engine = Engine::builtin().unwrap();
    let folder = corpus();
    let arguments =
        ["assess", folder.to_str().unwrap(), "--include", "input.json", "--at", AT, "--format", "json"];
    let ran = bench.run(&arguments).ends(1);
    let lines: Vec<Value> = ran.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let mut cases: Vec<PathBuf> =
        std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path().join("input.json")).collect();
    cases.retain(|path| path.is_file());
    cases.sort();
    assert_eq!(lines.len(), cases.len(), "one line a case");
    for (line, path) in lines.iter().zip(&cases) {
        let kind = if refused(&library(&engine, path)) { "OperationOutcome" } else { "Bundle" };
        assert_eq!(line["resourceType"], kind, "{}", path.display());
        let expected: Value =
            serde_json::from_slice(&std::fs::read(path.with_file_name("expected.json")).unwrap()).unwrap();
        if let Some(status) = expected["assess"].get("status") {
            assert_eq!(&line["entry"][0]["resource"]["status"], status, "{}", path.display());
        }
    }
}
