//! Exit codes and what is said with them.

use std::process::Stdio;

use super::{Bench, CLINIC, TWICE};

#[test]
fn clean_is_0() {
    let ran = Bench::with("a.json", CLINIC).run(&["validate", "a.json"]).ends(0);
    assert_eq!(ran.out, "Checked 1 document in 1 file: no issues.\n");
    assert_eq!(ran.err, "");
}

#[test]
fn findings_are_1_and_each_says_what_where_which_rule_and_how_to_mend() {
    let ran = Bench::with("exams/a.json", TWICE).run(&["validate", "exams/a.json"]).ends(1);
    insta::assert_snapshot!(ran.out);
    assert_eq!(ran.err, "");
}

#[test]
fn as_many_findings_as_an_exit_code_has_values_are_still_1() {
    let lines = "{\n".repeat(256);
    let ran = Bench::with("a.ndjson", lines).run(&["validate", "a.ndjson", "-q"]).ends(1);
    assert_eq!(ran.out, "Checked 256 documents in 1 file: 256 errors.\n");
}

#[test]
fn a_wrong_call_is_2() {
    let bench = Bench::with("a.json", CLINIC);
    for arguments in [
        &[] as &[&str],
        &["validate"],
        &["validate", "a.json", "--format", "pdf"],
        &["validate", "a.json", "--fail-on", "never"],
        &["validate", "a.json", "--strict", "--fail-on", "error"],
        &["validate", "a.json", "--at", "2026-03-02T09:00:00"],
        &["validate", "a.json", "--max-errors", "-1"],
        &["validate", "a.json", "-q", "-v"],
        &["validate", "a.json", "--unknown"],
    ] {
        let ran = bench.run(arguments).ends(2);
        assert_eq!(ran.out, "", "{arguments:?}");
        assert!(!ran.err.is_empty(), "{arguments:?}");
    }
}

#[test]
fn nothing_matched_is_2_unless_allowed() {
    let bench = Bench::with("empty/readme.txt", "no exam");
    for path in ["empty", "*.json", "empty/**/*.ndjson"] {
        let ran = bench.run(&["validate", path]).ends(2);
        assert!(ran.err.contains("No input matched"), "{}", ran.err);
        bench.run(&["validate", path, "--allow-empty"]).ends(0);
    }
}

#[test]
fn one_path_that_names_nothing_is_not_lost_among_others() {
    let bench = Bench::with("a.json", CLINIC);
    let ran = bench.run(&["validate", "a.json", "week[1-3]/*.json"]).ends(2);
    assert_eq!(
        ran.err,
        "solewire-check: week[1-3]/*.json: names no file to read (*.json and *.ndjson in a folder).\n"
    );
    assert!(ran.out.starts_with("Checked 1 document"), "{}", ran.out);
}

#[test]
fn input_that_cannot_be_read_is_3_and_the_others_are_still_checked() {
    let bench = Bench::with("b.json", TWICE);
    let ran = bench.run(&["validate", "a.json", "b.json", "c.json"]).ends(3);
    assert_eq!(ran.err.lines().filter(|line| line.contains("could not be read")).count(), 2, "{}", ran.err);
    assert!(ran.out.contains("json-duplicate-key"));
    assert!(
        ran.out.ends_with("Checked 1 document in 3 files: 1 error. Could not be read: 2.\n"),
        "{}",
        ran.out
    );
}

#[test]
fn faults_are_said_however_quiet() {
    let ran = Bench::new().run(&["validate", "absent.json", "-qq"]).ends(3);
    assert_eq!(ran.out, "");
    assert!(ran.err.contains("absent.json: could not be read"), "{}", ran.err);
}

#[test]
fn the_level_that_fails_is_chosen() {
    let bench = Bench::with("a.json", format!("\u{feff}{CLINIC}"));
    bench.run(&["validate", "a.json"]).ends(0);
    bench.run(&["validate", "a.json", "--strict"]).ends(0);
    bench.run(&["validate", "a.json", "--fail-on", "warning"]).ends(0);
    let ran = bench.run(&["validate", "a.json", "--fail-on", "note"]).ends(1);
    assert!(ran.out.contains("json-byte-order-mark"), "{}", ran.out);
}

#[test]
fn a_reader_that_leaves_is_no_fault() {
    let bench = Bench::with("a.ndjson", "{\n".repeat(20_000));
    for format in ["human", "ndjson", "json"] {
        let mut child = bench
            .command(&["validate", "a.ndjson", "--format", format])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{format}");
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{format}");
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_report_that_cannot_be_written_whole_is_3() {
    let ran = Bench::with("a.json", CLINIC).run(&["validate", "a.json", "--output", "/dev/full"]).ends(3);
    assert!(ran.err.contains("could not be written to /dev/full"), "{}", ran.err);
}

#[cfg(unix)]
#[test]
fn an_interrupt_is_130_and_marks_every_report_as_incomplete() {
    use std::io::{BufRead, BufReader};

    let bench = Bench::with("a.json", CLINIC);
    let formats = ["json", "ndjson", "sarif", "junit", "operationoutcome"];
    let outputs: Vec<String> = formats.iter().map(|format| format!("{format}=out.{format}")).collect();
    let mut arguments = vec!["validate", "a.json", "-", "--stdin-name", "b.ndjson", "-v"];
    for output in &outputs {
        arguments.extend(["--output", output.as_str()]);
    }
    let mut child = bench
        .command(&arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Once the first file is told, the program waits for standard input, which stays open.
    let mut stderr = BufReader::new(child.stderr.take().unwrap());
    let mut said = String::new();
    stderr.read_line(&mut said).unwrap();
    assert!(said.contains("a.json: no issues in "), "{said}");
    let id = child.id().to_string();
    assert!(std::process::Command::new("kill").args(["-INT", &id]).status().unwrap().success());
    let stdin = child.stdin.take();
    let output = child.wait_with_output().unwrap();
    drop(stdin);
    assert_eq!(output.status.code(), Some(130));
    let out = String::from_utf8(output.stdout).unwrap();
    assert_eq!(
        out,
        "Checked 1 document in 1 file: no issues. Incomplete: the run ended before everything was read.\n"
    );
    for (format, mark) in [
        ("json", "\"complete\":false"),
        ("ndjson", "\"complete\":false"),
        ("sarif", "\"executionSuccessful\":false"),
        ("junit", "type=\"incomplete\""),
        ("operationoutcome", "\"code\":\"incomplete\""),
    ] {
        let report = bench.text(&format!("out.{format}"));
        assert!(report.contains(mark), "{report}");
        super::reports::well_formed(format, &report);
    }
}
