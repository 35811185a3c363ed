//! `--profiles`: the folder of a site, with the example that ships.

use std::path::{Path, PathBuf};

use super::{Bench, CLINIC};

/// After the exam of the example.
const AT: &str = "2026-10-06T15:00:00Z";

/// A profile of a site with a condition of its own.
pub(crate) const NARROWED: &str = r#"{
  "resourceType": "StructureDefinition",
  "url": "https://harbourlane.example/fhir/StructureDefinition/visit",
  "version": "1.0.0", "name": "HarbourLaneVisit", "status": "active", "kind": "resource", "abstract": false,
  "type": "Encounter", "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Encounter",
  "derivation": "constraint",
  "differential": { "element": [{ "id": "Encounter", "path": "Encounter", "constraint": [{
    "key": "hl-1", "severity": "error", "human": "A visit has a period.", "expression": "period.exists()" }] }] }
}"#;

fn example() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../profiles/examples/harbour-lane-devices")
        .canonicalize()
        .unwrap()
}

fn path(name: &str) -> String {
    example().join(name).to_str().unwrap().to_owned()
}

#[test]
fn an_exam_in_the_codes_of_a_device_is_checked_and_assessed() {
    let (definitions, exam) = (path("definitions"), path("exam.json"));
    let bench = Bench::new();
    let ran = bench.run(&["validate", "--profiles", &definitions, "--at", AT, &exam]).ends(0);
    assert!(ran.out.contains("Checked 1 document in 1 file"), "{}", ran.out);
    let ran = bench.run(&["assess", "--profiles", &definitions, "--at", AT, &exam]).ends(0);
    assert!(ran.out.contains("IWGDF 2023 category 2: moderate risk"), "{}", ran.out);
}

#[test]
fn codes_that_no_map_covers_are_listed_with_how_often_they_came() {
    let exam = std::fs::read_to_string(example().join("exam.json")).unwrap();
    let bench = Bench::with("exam.json", exam.replace("\"N\"", "\"NOISE\"").replace("\"Y\"", "\"YES\""));
    let ran = bench.run(&["validate", "--profiles", &path("definitions"), "--at", AT, "exam.json"]).ends(1);
    let pen = "https://harbourlane.example/fhir/CodeSystem/touch-pen";
    let list = format!("Codes that no map covers:\n     5 x {pen}|YES\n     1 x {pen}|NOISE\n");
    assert!(ran.out.contains(&list), "{}", ran.out);
}

#[test]
fn a_folder_that_cannot_be_used_is_one_message_and_2() {
    let bench = Bench::with("a.json", CLINIC);
    let definitions = path("definitions");
    let cases: [(&[&str], &[&str]); 4] = [
        (&["--profiles", "ours"], &["--profiles ours", "cannot be read"]),
        (&["--profiles", "."], &["--profiles", "a.json", "type is Organization"]),
        (&["--profiles", &definitions, "--profiles", &definitions], &["touch-methods.json", "loaded twice"]),
        (&["--profiles", &path("")], &["exam.json", "type is Bundle"]),
    ];
    for (arguments, words) in cases {
        let call: Vec<&str> = ["validate", "a.json"].into_iter().chain(arguments.iter().copied()).collect();
        let ran = bench.run(&call).ends(2);
        assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
        for word in words {
            assert!(ran.err.contains(word), "{word}: {}", ran.err);
        }
    }
}
