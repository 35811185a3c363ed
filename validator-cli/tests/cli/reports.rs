//! The reports: formats, files, colour, limits, hostile names.

use std::sync::OnceLock;

use serde_json::Value;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{CheckContext, Engine};

use super::{Bench, CLINIC, TWICE, xml};

const FORMATS: [&str; 6] = ["human", "json", "ndjson", "sarif", "junit", "operationoutcome"];

/// A file that is clean, one that is not, a batch, one that is missing.
fn mixed() -> Bench {
    let bench = Bench::with("a.json", CLINIC);
    bench.put("b.json", TWICE);
    bench.put("c.ndjson", format!("{CLINIC}\n{{\n"));
    bench
}

/// The schema that OASIS publishes with the standard; `tests/published/SOURCES.md` tells of it.
fn sarif() -> &'static jsonschema::Validator {
    static SCHEMA: OnceLock<jsonschema::Validator> = OnceLock::new();
    SCHEMA.get_or_init(|| {
        let text = include_str!("../published/sarif-2.1.0.schema.json");
        // One pattern, of an element that our reports do not have, holds a bracket too many for a strict reader.
        let schema: Value = serde_json::from_str(&text.replace("{2}]?$", "{2}$")).unwrap();
        jsonschema::draft7::options().should_validate_formats(true).build(&schema).unwrap()
    })
}

#[test]
fn what_is_no_sarif_is_told_from_it() {
    let bench = mixed();
    let report = bench.run(&["validate", "b.json", "--format", "sarif"]).ends(1).out;
    for (from, to) in
        [("\"2.1.0\"", "\"2.0.0\""), ("\"ruleId\"", "\"rule\""), ("\"level\":\"error\"", "\"level\":\"bad\"")]
    {
        let wrong = report.replace(from, to);
        assert_ne!(wrong, report, "{from}");
        assert!(!sarif().is_valid(&serde_json::from_str(&wrong).unwrap()), "{to}");
    }
}

#[test]
fn reports_of_the_whole_corpus_keep_to_their_formats() {
    let bench = mixed();
    let corpus = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/corpus");
    for format in FORMATS {
        let arguments =
            ["validate", corpus, ".", "absent.json", "--at", super::assess::AT, "--format", format];
        well_formed(format, &bench.run(&arguments).ends(3).out);
    }
}

#[track_caller]
pub(crate) fn well_formed(format: &str, report: &str) {
    match format {
        "human" => assert!(report.ends_with(".\n"), "{report}"),
        "json" => {
            let report: Value = serde_json::from_str(report).unwrap();
            let schema: Value = serde_json::from_str(include_str!("../../report.schema.json")).unwrap();
            let validator = jsonschema::validator_for(&schema).unwrap();
            let errors: Vec<String> = validator.iter_errors(&report).map(|error| error.to_string()).collect();
            assert!(errors.is_empty(), "{errors:#?}");
            assert_eq!(report["schema_version"], 1);
        }
        "ndjson" => {
            for line in report.lines() {
                assert_eq!(serde_json::from_str::<Value>(line).unwrap()["schema_version"], 1);
            }
        }
        "sarif" => {
            let log: Value = serde_json::from_str(report).unwrap();
            let errors: Vec<String> = sarif().iter_errors(&log).map(|error| error.to_string()).collect();
            assert!(errors.is_empty(), "{errors:#?}");
            assert_eq!(log["version"], "2.1.0");
            assert_eq!(log["runs"][0]["tool"]["driver"]["name"], "solewire-check");
            assert!(log["runs"][0]["results"].is_array());
        }
        "junit" => {
            xml::assert_junit(report);
        }
        "operationoutcome" => {
            for line in report.lines() {
                let outcome: Value = serde_json::from_str(line).unwrap();
                assert_eq!(outcome["resourceType"], "OperationOutcome");
                assert!(!outcome["issue"].as_array().unwrap().is_empty());
            }
        }
        other => panic!("{other} is not known here"),
    }
}

#[test]
fn every_format_is_well_formed_repeatable_and_keeps_values_out() {
    let bench = mixed();
    for format in FORMATS {
        let arguments = ["validate", "a.json", "b.json", "c.ndjson", "d.json", "--format", format];
        let ran = bench.run(&arguments).ends(3);
        well_formed(format, &ran.out);
        assert!(ran.out.contains("json-duplicate-key") && ran.out.contains("json-syntax"), "{}", ran.out);
        assert!(!ran.out.contains("Secret"), "{}", ran.out);
        assert!(!ran.out.contains(bench.folder.path().to_str().unwrap()), "{}", ran.out);
        assert_eq!(bench.run(&arguments).out, ran.out, "{format}");
    }
}

#[test]
fn several_reports_in_one_run() {
    let bench = mixed();
    let outputs: Vec<String> = FORMATS.iter().map(|format| format!("{format}=out.{format}")).collect();
    let mut arguments = vec!["validate", "b.json"];
    for output in &outputs {
        arguments.extend(["--output", output.as_str()]);
    }
    let ran = bench.run(&arguments).ends(1);
    assert_eq!(ran.out, bench.text("out.human"));
    for format in FORMATS {
        well_formed(format, &bench.text(&format!("out.{format}")));
    }
}

#[test]
fn a_file_without_a_format_takes_the_place_of_standard_output() {
    let bench = mixed();
    let ran = bench.run(&["validate", "b.json", "--format", "json", "--output", "r.json"]).ends(1);
    assert_eq!(ran.out, "");
    well_formed("json", &bench.text("r.json"));
}

#[test]
fn h07_inputs_are_never_written() {
    let bench = mixed();
    for output in ["a.json", "json=./a.json", "sarif=f/../a.json"] {
        bench.put("f/x.txt", "");
        let ran = bench.run(&["validate", ".", "--output", output]).ends(2);
        assert!(ran.err.contains("this file is an input"), "{}", ran.err);
        assert_eq!(bench.text("a.json"), CLINIC);
    }
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("a.json", bench.path("link")).unwrap();
        bench.run(&["validate", "a.json", "--output", "link"]).ends(2);
        assert_eq!(bench.text("a.json"), CLINIC);
    }
    let ran = bench.run(&["validate", "a.json", "--output", "json=r", "--output", "sarif=./r"]).ends(2);
    assert!(ran.err.contains("cannot share a file"), "{}", ran.err);
    let ran = bench.run(&["validate", "a.json", "--output", "absent/r.json"]).ends(2);
    assert!(ran.err.contains("cannot be written"), "{}", ran.err);
}

#[test]
fn colour_follows_flag_then_environment() {
    let bench = mixed();
    let coloured = |arguments: &[&str], variables: &[(&str, &str)]| {
        let mut command = bench.command(&[&["validate", "b.json"], arguments].concat());
        command.envs(variables.iter().copied());
        let output = command.output().unwrap();
        String::from_utf8(output.stdout).unwrap().contains('\u{1b}')
    };
    assert!(!coloured(&[], &[]), "a pipe is not a terminal");
    assert!(coloured(&["--color", "always"], &[]));
    assert!(coloured(&["--color", "always"], &[("NO_COLOR", "1"), ("TERM", "dumb")]));
    assert!(!coloured(&["--color", "never"], &[]));
    assert!(!coloured(&["--color", "auto"], &[("NO_COLOR", "1")]));
    assert!(!coloured(&["--color", "always", "--format", "junit"], &[]));
}

#[test]
fn limits_shorten_the_list_and_not_the_count() {
    let bench = Bench::with("a.ndjson", "{\n".repeat(10));
    let ran = bench.run(&["validate", "a.ndjson", "--max-errors", "3"]).ends(1);
    assert_eq!(ran.out.matches("json-syntax").count(), 3);
    assert!(
        ran.out.ends_with(
            "Checked 10 documents in 1 file: 10 errors. 7 issues not listed; see --max-errors and --max-errors-per-file.\n"
        ),
        "{}",
        ran.out
    );
    let ran = bench.run(&["validate", "a.ndjson", "--max-errors", "3", "--format", "json"]).ends(1);
    let report: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(report["summary"]["truncated"], true);
    assert_eq!(report["summary"]["errors"], 10);
    let ran = bench.run(&["validate", "a.ndjson", "--max-errors", "3", "--format", "junit"]).ends(1);
    assert_eq!(ran.out.matches("<failure ").count(), 10, "{}", ran.out);
}

#[test]
fn a_file_can_have_a_limit_of_its_own() {
    let bench = Bench::with("a.ndjson", "{\n".repeat(5));
    bench.put("b.ndjson", "{\n".repeat(2));
    let all = ["validate", "a.ndjson", "b.ndjson", "--max-errors-per-file", "3"];
    let ran = bench.run(&all).ends(1);
    assert_eq!(ran.out.matches("json-syntax").count(), 5);
    assert!(ran.out.contains("a.ndjson: 5 errors (and 2 more, not listed here).\n"), "{}", ran.out);
    assert!(ran.out.contains("b.ndjson: 2 errors.\n"), "{}", ran.out);
    for format in ["json", "ndjson", "sarif", "junit", "operationoutcome"] {
        let report = bench.run(&[&all[..], &["--format", format]].concat()).ends(1).out;
        well_formed(format, &report);
        let mark = match format {
            "json" | "ndjson" | "sarif" => "\"truncated\":true",
            _ => "1 further issue not listed here.",
        };
        assert!(report.contains(mark), "{format}: {report}");
    }
}

#[test]
fn entries_of_the_baseline_that_accept_nothing_are_told_to_programs_too() {
    let bench = Bench::with("a.json", CLINIC);
    bench.put(
        "accepted.toml",
        "version = 1\n[[accept]]\nrule = \"exam-range\"\npath = \"*\"\nfile = \"*.json\"\nreason = \"once\"\nuntil = 2099-01-01\n",
    );
    for format in FORMATS {
        let ran =
            bench.run(&["validate", "a.json", "--baseline", "accepted.toml", "--format", format]).ends(0);
        well_formed(format, &ran.out);
        let told = if format == "human" { &ran.err } else { &ran.out };
        assert!(told.contains("entry 1 (exam-range) accepts nothing any more"), "{format}: {told}");
    }
}

#[test]
fn a_trace_names_profiles_and_rules() {
    let bench = Bench::with("a.json", super::assess::case("invalid-result-missing"));
    let arguments = ["validate", "a.json", "--at", super::assess::AT];
    let verbose = bench.run(&[&arguments[..], &["-v"]].concat()).ends(1);
    assert_eq!(verbose.err.lines().count(), 1, "{}", verbose.err);
    let traced = bench.run(&[&arguments[..], &["-vv"]].concat()).ends(1);
    assert_eq!(traced.out, verbose.out);
    for words in [
        "a.json: Bundle.entry[1].resource: https://solewire.example/fhir/StructureDefinition/",
        "a.json: exam-result-missing: 1 issue.",
        "a.json: 1 error in ",
    ] {
        assert!(traced.err.contains(words), "{words}: {}", traced.err);
    }
}

#[test]
fn quiet_leaves_the_closing_line() {
    let bench = mixed();
    assert_eq!(
        bench.run(&["validate", "b.json", "-q"]).ends(1).out,
        "Checked 1 document in 1 file: 1 error.\n"
    );
    assert_eq!(bench.run(&["validate", "b.json", "-qq"]).ends(1).out, "");
    well_formed("json", &bench.run(&["validate", "b.json", "-qq", "--format", "json"]).ends(1).out);
    let ran = bench.run(&["validate", "a.json", "-v"]).ends(0);
    assert!(ran.err.contains("a.json: no issues in "), "{}", ran.err);
}

#[cfg(unix)]
#[test]
fn h08_hostile_file_names_stay_text() {
    let name = "f/\u{1b}[2J\n]]><x>\u{202e}&\"'.json";
    let bench = Bench::with(name, TWICE);
    for format in FORMATS {
        let ran = bench.run(&["validate", "f", "--format", format]).ends(1);
        well_formed(format, &ran.out);
        let raw = |character: char| ran.out.contains(character);
        assert!(!raw('\u{1b}') && !raw('\u{202e}'), "{format}: {:?}", ran.out);
    }
    let ran = bench.run(&["validate", "f", "--format", "json"]).ends(1);
    let report: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(report["documents"][0]["file"], name);
    let ran = bench.run(&["validate", "f/absent\u{1b}2J"]).ends(3);
    assert!(!ran.err.contains('\u{1b}'), "{:?}", ran.err);
}

#[test]
fn issues_keep_the_order_of_the_engine() {
    let text = super::assess::case("invalid-several");
    let document = Document::parse(text.as_bytes().to_vec(), Limits::default()).unwrap();
    let context = CheckContext::at(super::assess::AT.parse().unwrap());
    let expected: Vec<(String, String)> = Engine::builtin()
        .unwrap()
        .check(&document, &context)
        .into_iter()
        .map(|issue| (issue.pointer, issue.rule.into_owned()))
        .collect();
    assert!(expected.len() > 2);
    let bench = Bench::with("a.json", text);
    let ran = bench.run(&["validate", "a.json", "--at", super::assess::AT, "--format", "json"]).ends(1);
    let report: Value = serde_json::from_str(&ran.out).unwrap();
    let text = |issue: &Value, name: &str| issue[name].as_str().unwrap().to_owned();
    let found: Vec<(String, String)> = report["documents"][0]["issues"]
        .as_array()
        .unwrap()
        .iter()
        .map(|issue| (text(issue, "pointer"), text(issue, "rule")))
        .collect();
    assert_eq!(found, expected);
}

#[test]
fn the_number_of_jobs_changes_no_report() {
    let bench = mixed();
    for name in
        ["category-2", "invalid-several", "invalid-side-conflict", "device-result", "invalid-json-syntax"]
    {
        bench.put(&format!("f/{name}.json"), super::assess::case(name));
    }
    bench.put("f/many.ndjson", "{\n[]\n".repeat(50));
    let at = super::assess::AT;
    for format in FORMATS {
        let with = |jobs| {
            let arguments = ["validate", ".", "d.json", "--at", at, "--format", format, "--jobs", jobs];
            bench.run(&arguments).ends(3)
        };
        let (alone, many) = (with("1"), with("7"));
        assert_eq!((alone.out, alone.err), (many.out, many.err), "{format}");
    }
    let with = |jobs| bench.run(&["assess", "f", "--at", at, "--format", "json", "--jobs", jobs]).ends(1).out;
    assert_eq!(with("1"), with("7"));
    bench.run(&["validate", "a.json", "--jobs", "0"]).ends(2);
}
