//! `assess`: exams of the corpus, refusals and options. What is derived from an exam is tested beside the engine.

use std::path::Path;

use serde_json::Value;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::resources::collection;
use solewire_profiles::{AssessOptions, CheckContext, Derived, Engine};

use super::{Bench, CLINIC, Ran, TWICE};

pub(crate) const AT: &str = "2026-11-02T09:00:00Z";

pub(crate) fn case(name: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus").join(name);
    std::fs::read_to_string(folder.join("input.json")).unwrap()
}

/// A bench with one case of the corpus, as `exam.json`.
fn bench(name: &str) -> Bench {
    Bench::with("exam.json", case(name))
}

/// What the engine derives from the one exam of a text.
fn derived(text: &str) -> Derived {
    let engine = Engine::builtin().unwrap();
    let at = AT.parse().unwrap();
    let document = Document::parse(text.as_bytes().to_vec(), Limits::default()).unwrap();
    let submission = engine.submission(&document, &CheckContext::at(at)).unwrap();
    assert_eq!(submission.exams.len(), 1);
    let exam = &submission.exams[0];
    let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
    engine.assess(&exam.key, &bodies, &AssessOptions::at(at))
}

/// The report for people behind its first line, which must name the file and the category or the range.
#[track_caller]
fn body(ran: &Ran, text: &str) -> String {
    let summary = &derived(text).assessments[0];
    let category = match summary.displays.as_slice() {
        [only] => only.clone(),
        // The name of the guideline stands once.
        [first, .., last] => {
            let last = last.strip_prefix(&summary.title).unwrap();
            format!("{first} to {}", last.trim_start_matches(": ").trim_start())
        }
        [] => panic!("no category"),
    };
    let (head, body) = ran.out.split_once('\n').unwrap();
    assert_eq!(head, format!("exam.json: {category}"));
    body.to_owned()
}

#[test]
fn a_settled_exam_for_people() {
    let ran = bench("category-2").run(&["assess", "exam.json", "--at", AT]).ends(0);
    insta::assert_snapshot!(body(&ran, &case("category-2")));
}

#[test]
fn an_exam_with_a_gap_for_people() {
    let ran = bench("range-missing-monofilament").run(&["assess", "exam.json", "--at", AT]).ends(0);
    insta::assert_snapshot!(body(&ran, &case("range-missing-monofilament")));
}

#[test]
fn a_single_result_without_a_panel_is_assessed() {
    let ran = bench("device-result").run(&["assess", "exam.json", "--at", AT]).ends(0);
    insta::assert_snapshot!(body(&ran, &case("device-result")));
}

#[test]
fn json_is_the_collection_of_the_engine_on_one_line() {
    for name in ["category-2", "range-missing-monofilament", "device-result"] {
        let ran = bench(name).run(&["assess", "exam.json", "--at", AT, "--format", "json"]).ends(0);
        assert_eq!(ran.out, format!("{}\n", collection(&derived(&case(name)).resources)), "{name}");
    }
}

#[test]
fn the_instant_changes_nothing_but_the_record_of_it() {
    let at = |instant: &str| {
        let ran = bench("category-2").run(&["assess", "exam.json", "--at", instant, "--format", "json"]);
        serde_json::from_str::<Value>(&ran.ends(0).out).unwrap()
    };
    let (mut early, mut late) = (at("2026-11-02T09:00:00Z"), at("2027-01-05T17:30:00Z"));
    assert_ne!(early, late);
    for bundle in [&mut early, &mut late] {
        for entry in bundle["entry"].as_array_mut().unwrap() {
            entry["resource"].as_object_mut().unwrap().remove("recorded");
        }
    }
    assert_eq!(early, late);
}

#[test]
fn an_exam_that_contradicts_itself_is_refused_and_others_are_still_assessed() {
    let bench = bench("invalid-side-conflict");
    bench.put("good.json", case("category-2"));
    let ran = bench.run(&["assess", "exam.json", "good.json", "--at", AT]).ends(1);
    assert!(ran.out.contains("  rule   exam-side-conflict\n"), "{}", ran.out);
    assert!(ran.out.contains("exam.json: not assessed, because of 1 error.\n"), "{}", ran.out);
    assert!(ran.out.contains("\ngood.json: "), "{}", ran.out);
}

#[test]
fn quiet_gives_one_line_an_exam() {
    let ran = bench("category-2").run(&["assess", "exam.json", "--at", AT, "-q"]).ends(0);
    assert_eq!(ran.out.lines().count(), 1, "{}", ran.out);
}

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
    let ran = bench.run(&["assess", "a.json"]).ends(1);
    assert!(ran.out.contains("  rule   exam-panel-missing\n"), "{}", ran.out);
    assert!(ran.out.ends_with("a.json: not assessed, because of 1 error.\n\n"), "{}", ran.out);
    let ran = bench.run(&["assess", "absent.json"]).ends(3);
    assert!(ran.err.contains("absent.json: could not be read"), "{}", ran.err);
}

#[test]
fn an_unknown_guideline_names_the_known_ones() {
    let ran = Bench::with("a.json", CLINIC).run(&["assess", "a.json", "--guideline", "iwgdf-2032"]).ends(2);
    assert!(
        ran.err.contains("The nearest is iwgdf-2023.") && ran.err.contains("Known: iwgdf-2023"),
        "{}",
        ran.err
    );
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

const TWO: [&str; 4] = ["--guideline", "iwgdf-2023", "--guideline", "nice-ng19"];

#[test]
fn several_guidelines_stand_side_by_side_first() {
    let arguments = [&["assess", "exam.json", "--at", AT], &TWO[..]].concat();
    let ran = bench("category-2").run(&arguments).ends(0);
    let head: Vec<&str> = ran.out.lines().take(3).collect();
    assert_eq!(head[0], "exam.json: by 2 guidelines");
    for (line, guideline) in head[1..].iter().zip(["iwgdf-2023", "nice-ng19"]) {
        assert!(line.starts_with(&format!("  {guideline} ")) && line.contains("  rule "), "{line}");
    }
    let one = bench("category-2").run(&["assess", "exam.json", "--at", AT]).ends(0);
    assert!(!one.out.contains("guidelines"), "{}", one.out);
}

#[test]
fn the_impact_of_another_guideline_is_counted_by_person() {
    let bench = bench("category-2");
    // The same person a second time, and another one.
    bench.put("later.json", case("category-2").replace("\"2026-", "\"2025-"));
    let run = |further: &[&str]| bench.run(&[&["assess", ".", "--at", AT, "--impact"], further].concat());
    let table = run(&TWO).ends(0);
    assert!(table.out.starts_with("From iwgdf-2023 to nice-ng19: 1 person with an exam\n"), "{}", table.out);
    let csv = run(&[&TWO[..], &["--format", "csv"]].concat()).ends(0);
    let lines: Vec<&str> = csv.out.lines().collect();
    assert_eq!(lines.len(), 2, "{}", csv.out);
    assert_eq!(lines[0], "people,from_guideline,from_category,from_rule,to_guideline,to_category,to_rule");
    assert!(lines[1].starts_with("1,iwgdf-2023,") && lines[1].contains(",nice-ng19,"), "{}", lines[1]);
    assert!(run(&TWO[..2]).ends(2).err.contains("name at least two with --guideline"));
    let json = run(&[&TWO[..], &["--format", "json"]].concat()).ends(2);
    assert!(json.err.contains("assess --impact writes human or csv, not json"), "{}", json.err);
    for command in ["validate", "assess"] {
        let ran = bench.run(&[command, "exam.json", "--at", AT, "--format", "csv"]).ends(2);
        assert!(ran.err.contains("csv"), "{}", ran.err);
    }
}
