//! `assess`: refusals and options. What is derived from an exam is tested beside the engine.

use serde_json::Value;

use super::{Bench, CLINIC, TWICE};

#[test]
fn a_refused_file_is_a_finding_in_both_formats() {
    let bench = Bench::with("a.json", TWICE);
    let ran = bench.run(&["assess", "a.json"]).ends(1);
    assert!(ran.out.contains("  rule   json-duplicate-key\n"), "{}", ran.out);
    assert!(ran.out.contains("a.json: not assessed, because of 1 error.\n"), "{}", ran.out);
    let ran = bench.run(&["assess", "a.json", "--format", "json"]).ends(1);
    assert_eq!(ran.out.lines().count(), 1);
    let outcome: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(outcome["resourceType"], "OperationOutcome");
    assert_eq!(outcome["issue"][0]["details"]["coding"][0]["code"], "json-duplicate-key");
    assert!(!ran.out.contains("Secret"), "{}", ran.out);
}

#[test]
fn a_file_without_an_exam_is_not_a_success() {
    let bench = Bench::with("a.json", CLINIC);
    let ran = bench.run(&["assess", "a.json"]).ends(2);
    assert!(
        ran.err.contains("a.json: holds no exam.") && ran.err.contains("No exam was found"),
        "{}",
        ran.err
    );
    bench.run(&["assess", "a.json", "--allow-empty"]).ends(0);
    let ran = bench.run(&["assess", "absent.json"]).ends(3);
    assert!(ran.err.contains("absent.json: could not be read"), "{}", ran.err);
}

#[test]
fn an_unknown_guideline_names_the_known_ones() {
    let ran = Bench::with("a.json", CLINIC).run(&["assess", "a.json", "--guideline", "iwgdf-2032"]).ends(2);
    assert!(ran.err.contains("The nearest is iwgdf-2023.") && ran.err.contains("nice-ng19"), "{}", ran.err);
}

#[test]
fn options_are_checked_before_anything_is_read() {
    let bench = Bench::with("a.json", CLINIC);
    for arguments in [
        ["assess", "a.json", "--monofilament", "four-site"],
        ["assess", "a.json", "--monofilament", "felt-below=0"],
        ["assess", "a.json", "--at", "yesterday"],
        ["assess", "a.json", "--format", "sarif"],
        ["assess", "a.json", "--output", "junit=r.xml"],
        ["assess", "a.json", "--output", "a.json"],
    ] {
        assert_eq!(bench.run(&arguments).ends(2).out, "", "{arguments:?}");
    }
    assert_eq!(bench.text("a.json"), CLINIC);
}
