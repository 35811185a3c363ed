//! Files, folders, patterns, standard input, NDJSON and encodings.

use serde_json::Value;

use super::{Bench, CLINIC, Ran, TWICE};

/// `file:line` of every document of a JSON report with its status, in order.
fn documents(ran: &Ran) -> Vec<String> {
    let report: Value = serde_json::from_str(&ran.out).unwrap();
    let documents = report["documents"].as_array().unwrap();
    documents
        .iter()
        .map(|document| {
            let line = document.get("line").map_or_else(String::new, |line| format!(":{line}"));
            format!("{}{line} {}", document["file"].as_str().unwrap(), document["status"].as_str().unwrap())
        })
        .collect()
}

/// Rule, line, column and byte offset of every issue of a JSON report, in order.
fn places(ran: &Ran) -> Vec<(String, u64, u64, u64)> {
    let report: Value = serde_json::from_str(&ran.out).unwrap();
    let documents = report["documents"].as_array().unwrap();
    documents
        .iter()
        .flat_map(|document| document["issues"].as_array().into_iter().flatten())
        .map(|issue| {
            let number = |member: &str| issue[member].as_u64().unwrap();
            (issue["rule"].as_str().unwrap().to_owned(), number("line"), number("column"), number("offset"))
        })
        .collect()
}

#[test]
fn folders_are_read_whole_and_in_order() {
    let bench = Bench::new();
    for name in ["f/z.json", "f/a/b.JSON", "f/a.json", "f/.hidden/x.json", "f/.x.json"] {
        bench.put(name, CLINIC);
    }
    bench.put("f/m.ndjson", format!("{CLINIC}\n{CLINIC}\n"));
    bench.put("f/notes.txt", "not read");
    bench.put("f/package.json", r#"{"name":"no resource"}"#);
    let ran = bench.run(&["validate", "f", "--format", "json"]).ends(0);
    assert_eq!(
        documents(&ran),
        [
            "f/a/b.JSON checked",
            "f/a.json checked",
            "f/m.ndjson:1 checked",
            "f/m.ndjson:2 checked",
            "f/package.json skipped",
            "f/z.json checked",
        ]
    );
    assert!(ran.err.contains("f/package.json: skipped: JSON, but no FHIR resource."), "{}", ran.err);
}

#[test]
fn each_file_is_read_once_and_the_order_of_arguments_is_no_matter() {
    let bench = Bench::new();
    bench.put("b.json", CLINIC);
    bench.put("a.json", CLINIC);
    let absolute = bench.path("a.json").canonicalize().unwrap();
    for paths in
        [["b.json", "./a.json", "a.json", "*.json"], ["?.json", ".", "[ab].json", absolute.to_str().unwrap()]]
    {
        let ran = bench.run(&[&["validate", "--format", "json"], paths.as_slice()].concat()).ends(0);
        assert_eq!(documents(&ran), ["a.json checked", "b.json checked"]);
    }
}

#[test]
fn a_file_whose_name_looks_like_a_pattern_or_an_option_is_read() {
    let bench = Bench::new();
    bench.put("[1].json", CLINIC);
    bench.put("-q", CLINIC);
    let ran = bench.run(&["validate", "--format", "json", "--", "[1].json", "-q"]).ends(0);
    assert_eq!(documents(&ran), ["-q checked", "[1].json checked"]);
}

#[cfg(unix)]
#[test]
fn h07_links_to_nowhere_are_faults_and_links_to_folders_are_not_followed() {
    let bench = Bench::with("f/a.json", CLINIC);
    std::os::unix::fs::symlink("nowhere", bench.path("f/b.json")).unwrap();
    std::os::unix::fs::symlink(".", bench.path("f/loop")).unwrap();
    let ran = bench.run(&["validate", "f", "--format", "json"]).ends(3);
    assert_eq!(documents(&ran), ["f/a.json checked", "f/b.json unread", "f/loop skipped"]);
}

#[test]
fn standard_input_has_a_name() {
    let bench = Bench::new();
    let ran = bench.run_with(&["validate", "-"], TWICE).ends(1);
    assert!(ran.out.contains("  where  <stdin>:3:2\n"), "{}", ran.out);
    let ran = bench.run_with(&["validate", "-", "--stdin-name", "door.json"], TWICE).ends(1);
    assert!(ran.out.contains("  where  door.json:3:2\n"), "{}", ran.out);
    bench.run_with(&["validate", "-"], CLINIC).ends(0);
}

#[test]
fn ndjson_goes_on_after_a_bad_line() {
    let text = format!("{CLINIC}\n\n{{\"a\":1,\r\n  \n{CLINIC}\r\n{{\"b\":1,\"b\":2}}");
    let bench = Bench::new();
    let ran =
        bench.run_with(&["validate", "-", "--stdin-name", "batch.ndjson", "--format", "json"], &text).ends(1);
    assert_eq!(
        documents(&ran),
        [
            "batch.ndjson:1 checked",
            "batch.ndjson:3 checked",
            "batch.ndjson:5 checked",
            "batch.ndjson:6 checked"
        ]
    );
    let offset = text.rfind("\"b\"").unwrap() as u64;
    let places = places(&ran);
    assert_eq!((places[0].0.as_str(), places[0].1), ("json-syntax", 3));
    assert_eq!(places[1], ("json-duplicate-key".to_owned(), 6, 8, offset));
    assert!(ran.out.contains("first at line 6, column 2"), "{}", ran.out);
    let same = bench
        .run_with(&["validate", "-", "--ndjson", "--stdin-name", "batch.ndjson", "--format", "json"], &text);
    assert_eq!(same.out, ran.out);
}

#[test]
fn a_byte_order_mark_is_noted() {
    let ran =
        Bench::with("a.json", format!("\u{feff}{CLINIC}")).run(&["validate", "a.json", "--format", "json"]);
    assert_eq!(places(&ran.ends(0)), [("json-byte-order-mark".to_owned(), 1, 1, 0)]);
}

#[test]
fn utf_16_is_named_once_whatever_the_form() {
    let wide: Vec<u8> =
        format!("\u{feff}{CLINIC}\n{CLINIC}\n").encode_utf16().flat_map(u16::to_le_bytes).collect();
    for name in ["a.json", "a.ndjson"] {
        let ran = Bench::with(name, &wide).run(&["validate", name, "--format", "json"]).ends(1);
        assert_eq!(places(&ran), [("json-encoding".to_owned(), 1, 1, 0)], "{name}");
        assert!(ran.out.contains("UTF-16"), "{}", ran.out);
    }
}

#[test]
fn lines_end_as_they_like() {
    for end in ["\n", "\r\n", "\r"] {
        let text = TWICE.replace('\n', end);
        let ran = Bench::with("a.json", text).run(&["validate", "a.json", "--format", "json"]).ends(1);
        let place = places(&ran).remove(0);
        assert_eq!((place.1, place.2), (3, 2), "{end:?}");
    }
}

#[test]
fn what_a_folder_holds_by_chance_is_skipped_but_what_was_named_is_checked() {
    let bench = Bench::with("f/list.json", r#"[{"name":"no resource"}]"#);
    let ran = bench.run(&["validate", "f", "--format", "json", "--allow-empty"]).ends(0);
    assert_eq!(documents(&ran), ["f/list.json skipped"]);
    let ran = bench.run(&["validate", "f/list.json", "--format", "json"]);
    assert_eq!(documents(&ran), ["f/list.json checked"]);
}
