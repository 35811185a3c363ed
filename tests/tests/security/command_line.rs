//! H7, H8: what the command line reads and writes, and what a file may be called.

use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use solewire_tests::binaries;
use solewire_tests::corpus::case;
use solewire_tests::process::{self, Ran};
use solewire_tests::service::{Service, Setup};

use crate::access::site::{LIMIT, exam};

const FORMATS: [&str; 6] = ["human", "json", "ndjson", "sarif", "junit", "operationoutcome"];
const SECRET: &str = r#"{"resourceType":"Patient","name":[{"family":"Qanaryx"}],"x":1}"#;

fn check(folder: &Path, arguments: &[&str]) -> Ran {
    process::run(&binaries::solewire_check(), arguments, folder, LIMIT)
}

fn put(folder: &Path, name: &str, text: &str) {
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

/// `file status` of each document of a run.
fn documents(ran: &Ran) -> Vec<String> {
    let report: Value = serde_json::from_str(&ran.out).unwrap_or_else(|_| panic!("{ran:#?}"));
    let all = report["documents"].as_array().unwrap();
    all.iter()
        .map(|one| format!("{} {}", one["file"].as_str().unwrap(), one["status"].as_str().unwrap()))
        .collect()
}

fn plain() -> String {
    String::from_utf8(case("category-2").input).unwrap()
}

#[test]
fn h07_a_link_out_of_a_folder_is_skipped_with_a_note_and_one_within_it_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    put(folder, "in/a.json", &plain());
    put(folder, "outside/secret.json", SECRET);
    symlink("../outside/secret.json", folder.join("in/out.json")).unwrap();
    symlink(folder.join("outside/secret.json"), folder.join("in/out-absolute.json")).unwrap();
    symlink("/proc/self/environ", folder.join("in/environ.json")).unwrap();
    symlink("../outside", folder.join("in/folder")).unwrap();
    symlink("a.json", folder.join("in/within.json")).unwrap();
    let ran = check(folder, &["validate", "in", "--format", "json"]);
    let expected = [
        "in/a.json checked",
        "in/environ.json skipped",
        "in/folder skipped",
        "in/out-absolute.json skipped",
        "in/out.json skipped",
        "in/within.json checked",
    ];
    assert_eq!(documents(&ran), expected, "{ran:#?}");
    assert_eq!(ran.code, Some(0), "{ran:#?}");
    let told = check(folder, &["validate", "in", "-v"]);
    assert!(
        told.err.contains("out.json: skipped: a link out of the folder")
            || told.err.contains("a link out of the folder"),
        "{told:#?}"
    );
    // Who names it gets it.
    let named = check(folder, &["validate", "in/out.json", "--format", "json"]);
    assert_eq!(documents(&named), ["in/out.json checked"]);
    let above = check(&folder.join("in"), &["validate", "../outside/secret.json", "--format", "json"]);
    assert_eq!(documents(&above), ["../outside/secret.json checked"]);
}

#[test]
fn h07_links_in_a_circle_end() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    put(folder, "in/a.json", &plain());
    symlink(".", folder.join("in/self")).unwrap();
    symlink("..", folder.join("in/above")).unwrap();
    symlink("y.json", folder.join("in/x.json")).unwrap();
    symlink("x.json", folder.join("in/y.json")).unwrap();
    let ran = check(folder, &["validate", "in", "--format", "json"]);
    let expected =
        ["in/a.json checked", "in/above skipped", "in/self skipped", "in/x.json unread", "in/y.json unread"];
    assert_eq!(documents(&ran), expected);
    assert_eq!(ran.code, Some(3));
}

#[test]
fn h07_what_is_no_file_neither_hangs_nor_fills_memory() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    put(folder, "in/a.json", &plain());
    for name in ["in/pipe.json", "in/pipe.ndjson"] {
        assert!(Command::new("mkfifo").arg(folder.join(name)).status().unwrap().success());
    }
    drop(std::os::unix::net::UnixListener::bind(folder.join("in/socket.json")).unwrap());
    symlink("/dev/zero", folder.join("in/zero.json")).unwrap();
    let ran = check(folder, &["validate", "in", "--format", "json"]);
    let read: Vec<String> = documents(&ran).into_iter().filter(|one| !one.ends_with("skipped")).collect();
    assert_eq!(read, ["in/a.json checked"], "{ran:#?}");
    assert_eq!(ran.code, Some(0));
    for device in ["/dev/zero", "/dev/urandom", "/dev/null", "in/zero.json"] {
        for more in [&["--format", "json"][..], &["--format", "json", "--ndjson"][..]] {
            let ran = check(folder, &[&["validate", device], more].concat());
            assert_eq!(ran.code, Some(3), "{device}: {ran:#?}");
            assert_eq!(documents(&ran), [format!("{device} unread")]);
        }
    }
}

#[test]
fn h07_no_report_takes_the_place_of_an_input() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    put(folder, "in/a.json", &plain());
    put(folder, "b.json", &plain());
    symlink("in/a.json", folder.join("link")).unwrap();
    std::fs::hard_link(folder.join("in/a.json"), folder.join("hard")).unwrap();
    for target in ["in/a.json", "./in/a.json", "in/../in/a.json", "json=in/a.json", "link", "hard"] {
        let ran = check(folder, &["validate", "in", "--output", target]);
        assert_eq!(ran.code, Some(2), "{target}: {ran:#?}");
        assert_eq!(std::fs::read_to_string(folder.join("in/a.json")).unwrap(), plain(), "{target}");
    }
    let ran = check(folder, &["validate", "in", "--evidence", "in/a.json"]);
    assert_eq!(ran.code, Some(2), "{ran:#?}");
    assert_eq!(std::fs::read_to_string(folder.join("in/a.json")).unwrap(), plain());
}

#[test]
fn h08_no_name_of_a_file_speaks_to_a_terminal_a_build_or_a_sheet() {
    let names = [
        "esc\u{1b}[2J\u{1b}]0;title\u{7}.json",
        "c1\u{9b}31m.json",
        "]]><x a=\"1\">&amp;.json",
        "line\n::error file=x::forged\n##vso[task.complete]\n.json",
        "::error::forged.json",
        "return\r::warning::forged.json",
        "=cmd|' !A1.json",
        "+1-1@SUM(A1).json",
        "turned\u{202e}nosj.json",
        "quote\"'<>.json",
    ];
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for (number, name) in names.iter().enumerate() {
        // Each has an error, so that each is named in every form.
        let text =
            plain().replacen("\"final\"", "\"complete\"", 1).replace("-0004", &format!("-{number:04}"));
        put(folder, &format!("in/{name}"), &text);
    }
    let unsafe_in = |text: &str| {
        let raw = text
            .chars()
            .any(|one| one != '\n' && (one.is_control() || matches!(one, '\u{202a}'..='\u{202e}')));
        let commands = ["::error", "::warning", "##vso"];
        let line = text.lines().any(|line| commands.iter().any(|word| line.trim_start().starts_with(word)));
        let formula = text.lines().any(|line| line.starts_with(['=', '+', '@']));
        raw || line || formula
    };
    for format in FORMATS {
        let ran = check(folder, &["validate", "in", "--format", format, "-vv"]);
        assert_eq!(ran.code, Some(1), "{format}: {}", ran.err);
        assert!(!unsafe_in(&ran.out), "{format}: {:?}", ran.out);
        assert!(!unsafe_in(&ran.err), "{format}: {:?}", ran.err);
        match format {
            "json" | "sarif" => drop(serde_json::from_str::<Value>(&ran.out).unwrap()),
            "ndjson" => ran.out.lines().for_each(|line| drop(serde_json::from_str::<Value>(line).unwrap())),
            "junit" => assert!(!ran.out.contains("]]>") && !ran.out.contains("<x "), "{}", ran.out),
            _ => {}
        }
        if format == "json" {
            let mut found: Vec<String> = documents(&ran)
                .iter()
                .map(|one| one.strip_prefix("in/").unwrap().strip_suffix(" checked").unwrap().to_owned())
                .collect();
            let mut given: Vec<String> = names.iter().map(ToString::to_string).collect();
            found.sort();
            given.sort();
            assert_eq!(found, given, "a program reads each name as it is");
        }
    }
    for arguments in [
        &["assess", "in"][..],
        &["validate", "in", "--evidence", "e.json"],
        &["validate", "absent\u{1b}[2J\n::error::x"],
    ] {
        let ran = check(folder, arguments);
        assert!(!unsafe_in(&ran.out) && !unsafe_in(&ran.err), "{arguments:?}: {ran:?}");
    }
    assert!(!unsafe_in(&std::fs::read_to_string(folder.join("e.json")).unwrap()));
}

#[tokio::test]
async fn h08_a_sheet_of_a_worklist_has_no_formulas() {
    let service = Service::start(Setup::default()).await;
    for (number, start) in (1..).zip(["=", "+", "-", "@"]) {
        let own = format!("\"value\": \"HL-PERSON-{number:04}\"");
        let text = exam(number).replace(&own, &format!("\"value\": \"{start}HYPERLINK(A1,\\\"x\\\")\""));
        let answer = service.client.post(&service.fhir_url, text).await;
        assert_eq!(answer.status, 200, "{start:?}: {}", answer.text);
    }
    let url = format!("{}/pages/worklists/recalls.csv", service.fhir_url.trim_end_matches("/fhir"));
    let sheet = service.client.get(&url).await.expect(200).text;
    assert!(sheet.matches("HYPERLINK").count() >= 4, "{sheet}");
    for cell in sheet.lines().flat_map(|line| line.split("\",\"")) {
        let cell = cell.trim_start_matches('"');
        assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{cell}");
    }
}
