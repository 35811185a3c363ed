//! The record of a run.

use serde_json::Value;
use solewire_profiles::Engine;

use super::assess::{AT, case};
use super::{Bench, CLINIC, TWICE};

fn record(bench: &Bench, arguments: &[&str], code: i32) -> Value {
    let all = [&["validate", "f", "--at", AT, "--evidence", "evidence.json"], arguments].concat();
    bench.run(&all).ends(code);
    serde_json::from_str(&bench.text("evidence.json")).unwrap()
}

fn bench() -> Bench {
    let bench = Bench::with("f/a.json", CLINIC);
    bench.put("f/b.json", TWICE);
    bench.put("f/c.ndjson", format!("{CLINIC}\n{{\n"));
    bench.put("f/list.json", "{\"name\":\"no resource\"}");
    bench
}

#[test]
fn it_names_what_was_checked_by_what_with_which_result() {
    let bench = bench();
    let evidence = record(&bench, &[], 1);
    assert_eq!(evidence["kind"], "evidence");
    assert_eq!(evidence["tool"]["name"], "solewire-check");
    assert_eq!(evidence["at"], AT);
    let engine = Engine::builtin().unwrap();
    assert_eq!(evidence["guidelines"][0]["id"], "iwgdf-2023");
    assert_eq!(evidence["guidelines"][0]["sha256"], engine.guidelines()[0].hash);
    assert_eq!(evidence["rules_sha256"].as_str().unwrap().len(), 64);
    let files = evidence["files"].as_array().unwrap();
    let verdicts: Vec<(&str, &str)> = files
        .iter()
        .map(|file| (file["file"].as_str().unwrap(), file["verdict"].as_str().unwrap()))
        .collect();
    assert_eq!(
        verdicts,
        [
            ("f/a.json", "clean"),
            ("f/b.json", "findings"),
            ("f/c.ndjson", "findings"),
            ("f/list.json", "nothing-checked")
        ]
    );
    assert_eq!(files[0]["bytes"], CLINIC.len());
    assert_eq!(files[2]["documents"], 2);
    assert_eq!(evidence["verdict"], "findings");
    assert_eq!(evidence["summary"]["errors"], 2);
    for absent in ["run_by", "run_at", "baseline"] {
        assert!(evidence.get(absent).is_none(), "{absent}");
    }
}

/// The hash is of the bytes of the file, however it is read.
#[test]
fn equal_files_have_equal_hashes_and_standard_input_too() {
    let bench = Bench::with("f/a.json", CLINIC);
    bench.put("f/b.ndjson", CLINIC);
    let evidence = record(&bench, &[], 0);
    assert_eq!(evidence["files"][0]["sha256"], evidence["files"][1]["sha256"]);
    bench.run_with(&["validate", "-", "--evidence", "e.json"], CLINIC).ends(0);
    let piped: Value = serde_json::from_str(&bench.text("e.json")).unwrap();
    assert_eq!(piped["files"][0]["sha256"], evidence["files"][0]["sha256"]);
    assert!(piped.get("at").is_none(), "the clock stays out");
}

#[test]
fn the_same_run_gives_the_same_bytes_and_people_enter_by_flag_only() {
    let bench = bench();
    record(&bench, &["--jobs", "1"], 1);
    let first = bench.text("evidence.json");
    record(&bench, &["--jobs", "5"], 1);
    assert_eq!(bench.text("evidence.json"), first);
    let flags = ["--evidence-by", "Integration desk", "--evidence-at", "2026-11-03T08:00:00Z"];
    let told = record(&bench, &flags, 1);
    assert_eq!(told["run_by"], "Integration desk");
    assert_eq!(told["run_at"], "2026-11-03T08:00:00Z");
    bench.run(&["validate", "f", "--evidence-by", "x"]).ends(2);
}

#[test]
fn accepted_findings_are_on_record() {
    let bench = Bench::with("f/a.json", case("unlisted-member"));
    let create = ["baseline", "create", "f", "--at", AT, "--reason", "known", "--until", "2027-01-01"];
    let text = bench.run(&create).ends(0).out;
    bench.put("accepted.toml", text);
    let evidence = record(&bench, &["--baseline", "accepted.toml", "--strict"], 0);
    assert_eq!(evidence["files"][0]["accepted"], 1);
    assert_eq!(evidence["baseline"]["file"], "accepted.toml");
    assert_eq!(evidence["baseline"]["entries"][0]["reason"], "known");
    assert_eq!(evidence["baseline"]["entries"][0]["state"], "used");
}

#[test]
fn it_is_never_written_onto_an_input_or_a_report() {
    let bench = bench();
    for arguments in [
        ["validate", "f", "--evidence", "f/a.json"].as_slice(),
        &["validate", "f", "--evidence", "r", "--output", "json=r"],
        &["validate", "f", "--evidence", "absent/e.json"],
    ] {
        bench.run(arguments).ends(2);
    }
    assert_eq!(bench.text("f/a.json"), CLINIC);
}
