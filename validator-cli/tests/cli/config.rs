//! Settings from the file, the environment and flags.

use serde_json::Value;

use super::assess::{AT, case};
use super::{Bench, CLINIC, Ran, ran};

/// A warning only, so that the level that fails decides.
fn bench() -> Bench {
    let bench = Bench::with("exams/a.json", case("unlisted-member"));
    bench.put("solewire-check.toml", "fail-on = \"warning\"\nformat = \"json\"\n");
    bench
}

const VALIDATE: [&str; 4] = ["validate", "exams", "--at", AT];

fn is_json(ran: &Ran) -> bool {
    ran.out.starts_with('{')
}

#[test]
fn a_flag_beats_the_environment_which_beats_the_file_which_beats_the_default() {
    let bench = bench();
    let with = |flags: &[&str], variables: &[(&str, &str)]| {
        let mut command = bench.command(&[VALIDATE.as_slice(), flags].concat());
        command.envs(variables.iter().copied());
        ran(&mut command, b"")
    };
    assert!(is_json(&with(&[], &[]).ends(1)));
    assert!(!is_json(&with(&[], &[("SOLEWIRE_CHECK_FORMAT", "human")]).ends(1)));
    with(&[], &[("SOLEWIRE_CHECK_FAIL_ON", "error")]).ends(0);
    with(&["--fail-on", "warning"], &[("SOLEWIRE_CHECK_FAIL_ON", "error")]).ends(1);
    with(&["--strict"], &[("SOLEWIRE_CHECK_FAIL_ON", "error")]).ends(1);
    assert!(!is_json(&with(&["--no-config"], &[]).ends(0)));
    let ran = with(&[], &[("SOLEWIRE_CHECK_FAILS_ON", "error")]).ends(1);
    assert!(ran.err.contains("SOLEWIRE_CHECK_FAILS_ON is no setting"), "{}", ran.err);
    with(&[], &[("SOLEWIRE_CHECK_JOBS", "none")]).ends(2);
}

#[test]
fn the_users_own_file_comes_last_and_is_not_needed() {
    let bench = bench();
    bench.put("home/.config/solewire-check/solewire-check.toml", "fail-on = \"note\"\nmax-errors = 7\n");
    bench.put("xdg/solewire-check/solewire-check.toml", "colour = \"never\"");
    let with = |arguments: &[&str], variables: &[(&str, &str)]| {
        let mut command = bench.command(arguments);
        for (name, folder) in variables {
            command.env(name, bench.path(folder));
        }
        ran(&mut command, b"")
    };
    let shown = with(&["config", "show"], &[("HOME", "home")]).ends(0).out;
    let source = |name: &str| {
        let line = shown.lines().find(|line| line.split(' ').next() == Some(name)).unwrap();
        line.rsplit_once("file ").map(|(_, path)| path.to_owned())
    };
    assert_eq!(source("fail-on").as_deref(), Some("solewire-check.toml"), "{shown}");
    assert!(source("max-errors").unwrap().ends_with("home/.config/solewire-check/solewire-check.toml"));
    with(&["config", "show", "--no-config"], &[("XDG_CONFIG_HOME", "xdg")]).ends(0);
    let ran = with(&["config", "show"], &[("XDG_CONFIG_HOME", "xdg"), ("HOME", "home")]).ends(2);
    assert!(ran.err.contains("colour is no setting"), "{}", ran.err);
    with(&[&VALIDATE[..], &["--format", "human"]].concat(), &[]).ends(1);
}

#[test]
fn a_file_can_be_named_and_its_paths_are_meant_from_where_it_lies() {
    let bench = bench();
    bench.put("desk/own.toml", "baseline = \"accepted.toml\"\nfail-on = \"warning\"\n");
    let create = ["baseline", "create", "exams", "--at", AT, "--reason", "known", "--until", "2027-01-01"];
    bench.put("desk/accepted.toml", bench.run(&create).ends(0).out);
    let own = [VALIDATE.as_slice(), &["--config", "desk/own.toml"]].concat();
    assert!(bench.run(&own).ends(0).out.contains("Accepted by the baseline: 1."));
    for wrong in ["absent.toml", "broken.toml"] {
        bench.put("broken.toml", "colour = \"never\"");
        let ran = bench.run(&[VALIDATE.as_slice(), &["--config", wrong]].concat()).ends(2);
        assert!(ran.err.contains(wrong) && ran.out.is_empty(), "{}", ran.err);
    }
    bench.run(&[VALIDATE.as_slice(), &["--config", "desk/own.toml", "--no-config"]].concat()).ends(2);
}

#[test]
fn assess_takes_its_own_settings_and_no_format_that_it_lacks() {
    let bench = Bench::with("a.json", case("category-2"));
    bench.put("solewire-check.toml", "format = \"sarif\"\nguideline = [\"iwgdf-2023\"]\n");
    let ran = bench.run(&["assess", "a.json", "--at", AT]).ends(0);
    assert!(ran.out.starts_with("a.json: "), "{}", ran.out);
    bench.put("solewire-check.toml", "guideline = \"iwgdf-1999\"\n");
    assert!(bench.run(&["assess", "a.json", "--at", AT]).ends(2).err.contains("iwgdf-1999: not known"));
}

#[test]
fn every_setting_is_shown_with_its_source() {
    let bench = bench();
    let mut command = bench.command(&["config", "show"]);
    command.env("SOLEWIRE_CHECK_MAX_ERRORS", "20");
    insta::assert_snapshot!(ran(&mut command, b"").ends(0).out);
    let shown = bench.run(&["config", "show", "--no-config", "--format", "json"]).ends(0).out;
    let shown: Value = serde_json::from_str(&shown).unwrap();
    assert!(shown["file"].is_null());
    assert!(shown["settings"].as_array().unwrap().iter().all(|setting| setting["source"] == "default"));
}

#[test]
fn files_are_chosen_by_include_exclude_and_the_ignore_file() {
    let bench = Bench::with("f/a.json", CLINIC);
    for name in ["f/b.fhir", "f/old/c.json", "f/d.bak.json", "f/deep/old/e.json"] {
        bench.put(name, CLINIC);
    }
    let files = |arguments: &[&str]| -> Vec<String> {
        let ran = bench.run(&[&["validate", "--format", "json"], arguments].concat()).ends(0);
        let report: Value = serde_json::from_str(&ran.out).unwrap();
        let documents = report["documents"].as_array().unwrap();
        documents.iter().map(|document| document["file"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(files(&["f", "--include", "*.fhir"]), ["f/b.fhir"]);
    assert_eq!(files(&["f", "--exclude", "old/", "--exclude", "*.bak.json"]), ["f/a.json"]);
    assert_eq!(files(&["f", "--exclude", "f/old/"]), ["f/a.json", "f/d.bak.json", "f/deep/old/e.json"]);
    bench.put(".solewire-ignore", "# kept for reference\n\nold/\n*.bak.json\n");
    assert_eq!(files(&["f"]), ["f/a.json"]);
    assert_eq!(files(&["f/*.json"]), ["f/a.json"]);
    assert_eq!(files(&["f/old/c.json"]), ["f/old/c.json"], "what is named is read");
    bench.put("none", "");
    assert_eq!(files(&["f", "--ignore-file", "none"]).len(), 4);
    bench.run(&["validate", "f", "--ignore-file", "absent"]).ends(2);
    bench.run(&["validate", "f", "--include", "*.xml"]).ends(2);
}
