//! Findings that are accepted, and those that never are.

use serde_json::Value;

use super::assess::{AT, case};
use super::{Bench, TWICE};

const UNTIL: &str = "2027-03-31";

fn create(bench: &Bench, path: &str, code: i32) -> String {
    let arguments = [
        "baseline",
        "create",
        path,
        "--at",
        AT,
        "--reason",
        "Old sender, replaced in spring.",
        "--until",
        UNTIL,
    ];
    let ran = bench.run(&arguments).ends(code);
    bench.put("accepted.toml", &ran.out);
    ran.err
}

#[test]
fn what_was_found_is_accepted_until_the_day_given() {
    let bench = Bench::with("exams/a.json", case("unlisted-member"));
    let validate = ["validate", "exams", "--at", AT, "--strict"];
    assert!(bench.run(&validate).ends(1).out.contains("exam-member-unlisted"));
    create(&bench, "exams", 0);
    insta::assert_snapshot!(bench.text("accepted.toml"));

    let with = [validate.as_slice(), &["--baseline", "accepted.toml"]].concat();
    let ran = bench.run(&with).ends(0);
    assert_eq!(ran.out, "Checked 1 document in 1 file: no issues. Accepted by the baseline: 1.\n");
    assert_eq!(ran.err, "");
    let ran = bench.run(&[with.as_slice(), &["--format", "json"]].concat()).ends(0);
    let report: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(report["summary"]["accepted"], 1);
    assert_eq!(report["summary"]["warnings"], 0);

    let late =
        ["validate", "exams", "--at", "2027-04-01T00:00:00Z", "--strict", "--baseline", "accepted.toml"];
    let ran = bench.run(&late).ends(1);
    assert!(ran.err.contains("entry 1 (exam-member-unlisted) expired on 2027-03-31"), "{}", ran.err);
}

#[test]
fn an_entry_that_accepts_nothing_is_told() {
    let bench = Bench::with("exams/a.json", case("unlisted-member"));
    create(&bench, "exams", 0);
    bench.put("exams/a.json", case("category-2"));
    let ran = bench.run(&["validate", "exams", "--at", AT, "--baseline", "accepted.toml"]).ends(0);
    assert!(ran.err.contains("entry 1 (exam-member-unlisted) accepts nothing any more"), "{}", ran.err);
}

#[test]
fn safety_findings_are_neither_written_nor_accepted() {
    let bench = Bench::with("f/a.json", TWICE);
    bench.put("f/b.json", case("contradictory-sites"));
    bench.put("f/c.json", case("invalid-side-conflict"));
    let said = create(&bench, "f", 1);
    assert!(said.contains("of safety rules left out"), "{said}");
    let text = bench.text("accepted.toml");
    for rule in ["json-duplicate-key", "exam-site-contradiction", "exam-side-conflict"] {
        assert!(!text.contains(rule), "{text}");
    }
    bench.put(
        "own.toml",
        "version = 1\n[[accept]]\nrule = \"exam-side-conflict\"\npath = \"*\"\nfile = \"**/*\"\nreason = \"no\"\nuntil = 2027-01-01\n",
    );
    let ran = bench.run(&["validate", "f", "--at", AT, "--baseline", "own.toml"]).ends(2);
    assert!(ran.err.contains("own.toml: entry 1: exam-side-conflict is a safety rule"), "{}", ran.err);
    assert_eq!(ran.out, "");
}

#[test]
fn a_file_with_reasons_is_not_overwritten() {
    let bench = Bench::with("a.json", case("unlisted-member"));
    bench.put("accepted.toml", "kept");
    let arguments =
        ["baseline", "create", "a.json", "--reason", "r", "--until", UNTIL, "--output", "accepted.toml"];
    let ran = bench.run(&arguments).ends(2);
    assert!(ran.err.contains("cannot be made"), "{}", ran.err);
    assert_eq!(bench.text("accepted.toml"), "kept");
    for lacking in [["--reason", ""], ["--until", "soon"]] {
        bench.run(&[["baseline", "create", "a.json"].as_slice(), &lacking].concat()).ends(2);
    }
}

#[test]
fn a_baseline_that_cannot_be_read_stops_the_run() {
    let bench = Bench::with("a.json", case("category-2"));
    bench.put("broken.toml", "version = 1\n[[accept]]\nrule = 3\n");
    for file in ["absent.toml", "broken.toml"] {
        let ran = bench.run(&["validate", "a.json", "--baseline", file]).ends(2);
        assert!(ran.err.contains(&format!("--baseline {file}: ")), "{}", ran.err);
        assert_eq!(ran.out, "");
    }
}
