//! The example folder of a site, and what a site's folder does to an exam: no line of the program is changed for it.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use solewire_profiles::issue::{Issue, Severity};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{AssessOptions, CheckContext, Derived, Engine, Submission};

const PEN: &str = "https://harbourlane.example/fhir/CodeSystem/touch-pen";
const OURS: &str = "https://solewire.example/fhir/CodeSystem/";

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/harbour-lane-devices")
}

fn files() -> Vec<(String, String)> {
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(folder().join("definitions")).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let read = |path: PathBuf| (path.display().to_string(), std::fs::read_to_string(&path).unwrap());
    paths.into_iter().map(read).collect()
}

fn site() -> Engine {
    Engine::with_site_files(&files()).unwrap()
}

fn exam() -> Value {
    serde_json::from_slice(&std::fs::read(folder().join("exam.json")).unwrap()).unwrap()
}

fn document(exam: &Value) -> Document {
    Document::parse(exam.to_string().into_bytes(), Limits::default()).unwrap()
}

fn context() -> CheckContext {
    CheckContext::at("2026-10-06T15:00:00Z".parse().unwrap())
}

fn issues(engine: &Engine, exam: &Value) -> Vec<Issue> {
    engine.check(&document(exam), &context())
}

/// Rule and place of what is worse than information.
fn found(engine: &Engine, exam: &Value) -> Vec<(String, String)> {
    let weighty = issues(engine, exam).into_iter().filter(|issue| issue.severity < Severity::Information);
    weighty.map(|issue| (issue.rule.into_owned(), issue.pointer)).collect()
}

fn submission(engine: &Engine, exam: &Value) -> Submission {
    engine.submission(&document(exam), &context()).unwrap()
}

fn assess(engine: &Engine, submission: &Submission) -> Derived {
    let exam = &submission.exams[0];
    let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
    engine.assess(&exam.key, &bodies, &AssessOptions::at("2026-10-06T15:00:00Z".parse().unwrap()))
}

#[test]
fn an_exam_in_the_codes_of_a_device_goes_through() {
    let site = site();
    assert_eq!(found(&site, &exam()), []);
    let submission = submission(&site, &exam());
    assert_eq!(submission.exams.len(), 1);
    assert_eq!(
        submission.exams[0].panel_identifier.as_deref().map(|id| id.ends_with("HL-EXAM-2026-0301")),
        Some(true)
    );
    let derived = assess(&site, &submission);
    // One site not felt, and an index of 12.4 / 16.0 on the left: loss of sensation with artery disease. The rest of the
    // exam is missing, so an active problem or a history could still raise it.
    let [summary] = derived.assessments.as_slice() else { panic!("one assessment") };
    assert_eq!(summary.status, "preliminary");
    assert_eq!(summary.categories, ["iwgdf-2023.2", "iwgdf-2023.3", "iwgdf-2023.active"]);
    assert!(summary.reasons.iter().any(|reason| reason.contains("0.78")), "{:?}", summary.reasons);
}

#[test]
fn what_was_sent_is_kept_first_and_ours_follows() {
    let site = site();
    let submission = submission(&site, &exam());
    let bodies: Vec<&Value> = submission.exams[0].resources.iter().map(|placed| &placed.body).collect();
    let codings = |body: &Value, pointer: &str| -> Vec<(String, String)> {
        let codings = body.pointer(pointer).and_then(|concept| concept["coding"].as_array()).unwrap();
        let text = |coding: &Value, name: &str| coding[name].as_str().unwrap().to_owned();
        codings.iter().map(|coding| (text(coding, "system"), text(coding, "code"))).collect()
    };
    let pair = |pen: &str, system: &str, ours: &str| {
        vec![(PEN.to_owned(), pen.to_owned()), (format!("{OURS}{system}"), ours.to_owned())]
    };
    assert_eq!(codings(bodies[0], "/code"), pair("VISIT", "foot-test", "foot-exam"));
    assert_eq!(codings(bodies[1], "/bodySite"), pair("L-GT", "foot-site", "left-hallux-plantar"));
    assert_eq!(codings(bodies[1], "/valueCodeableConcept"), pair("Y", "foot-result", "felt"));
    let pressures = bodies[7];
    assert_eq!(codings(pressures, "/component/0/code"), pair("DP", "foot-site", "dorsalis-pedis"));
    assert_eq!(codings(pressures, "/component/2/code"), pair("ARM", "foot-test", "brachial"));
    assert_eq!(
        pressures["component"][0]["valueQuantity"],
        json!({
            "value": exam()["entry"][7]["resource"]["component"][0]["valueQuantity"]["value"],
            "unit": "kPa",
            "system": "http://unitsofmeasure.org",
            "code": "kPa"
        })
    );
    // Without the folder the stored resources say the same.
    let builtin = Engine::builtin().unwrap();
    assert_eq!(assess(&builtin, &submission).resources, assess(&site, &submission).resources);
    // What already has our coding gets no second one.
    let mut twice = exam();
    for (entry, body) in twice["entry"].as_array_mut().unwrap().iter_mut().zip(&bodies) {
        for name in ["code", "bodySite", "valueCodeableConcept", "component"] {
            if let Some(part) = body.get(name) {
                entry["resource"][name] = part.clone();
            }
        }
    }
    let again = self::submission(&site, &twice);
    for (placed, body) in again.exams[0].resources.iter().zip(&bodies) {
        assert_eq!(&&placed.body, body);
    }
}

#[test]
fn without_the_folder_nothing_of_it_is_an_exam() {
    let builtin = Engine::builtin().unwrap();
    let issues = issues(&builtin, &exam());
    let told: Vec<&str> = issues
        .iter()
        .filter(|issue| issue.rule == "terminology-not-checked")
        .map(|issue| issue.pointer.as_str())
        .collect();
    assert_eq!(told, ["/entry/0/resource/code/coding/0/system", "/entry/1/resource/method/coding/0/system"]);
    assert!(builtin.submission(&document(&exam()), &context()).is_err());
}

#[test]
fn the_profile_of_the_site_applies_to_what_the_device_sends() {
    let mut exam = exam();
    let result = exam["entry"][2]["resource"].as_object_mut().unwrap();
    result.remove("device");
    result["method"]["coding"][0]["code"] = json!("by-foot");
    assert_eq!(
        found(&site(), &exam),
        [
            ("profile-required".to_owned(), "/entry/2/resource/device".to_owned()),
            ("profile-binding".to_owned(), "/entry/2/resource/method/coding/0".to_owned()),
        ]
    );
}

#[test]
fn a_code_that_its_loaded_code_system_lacks_is_refused_where_no_profile_asks_for_it() {
    let mut exam = exam();
    let mut files = files();
    let methods = exam["entry"][1]["resource"]["method"]["coding"][0].clone();
    let system = json!({
        "resourceType": "CodeSystem", "status": "active", "content": "complete",
        "url": methods["system"], "concept": [{ "code": "by-hand" }, { "code": "on-stand" }]
    });
    files.push(("methods.json".to_owned(), system.to_string()));
    let site = Engine::with_site_files(&files).unwrap();
    // Nothing binds this element of the panel.
    exam["entry"][0]["resource"]["interpretation"] = json!([{ "coding": [methods] }]);
    assert_eq!(found(&site, &exam), []);
    exam["entry"][0]["resource"]["interpretation"][0]["coding"][0]["code"] = json!("by-hands");
    let at = "/entry/0/resource/interpretation/0/coding/0/code".to_owned();
    assert_eq!(found(&site, &exam), [("terminology-unknown-code".to_owned(), at)]);
    // Where a profile speaks of the same coding, it is said once and by the profile.
    exam["entry"][0]["resource"].as_object_mut().unwrap().remove("interpretation");
    exam["entry"][1]["resource"]["method"]["coding"][0]["code"] = json!("by-hands");
    let at = "/entry/1/resource/method/coding/0".to_owned();
    assert_eq!(found(&site, &exam), [("profile-binding".to_owned(), at)]);
}

#[test]
fn a_code_that_the_map_leaves_out_is_an_error_where_the_exam_is_read() {
    let site = site();
    let ours = submission(&site, &exam());
    for (entry, place) in
        [(1, "/code"), (1, "/bodySite"), (1, "/valueCodeableConcept"), (7, "/component/1/code")]
    {
        let concept = format!("/entry/{entry}/resource{place}");
        let coding = format!("{concept}/coding/0");
        let mut exam = exam();
        exam.pointer_mut(&coding).unwrap()["code"] = json!("NOISE");
        let at_place: Vec<(String, String)> =
            found(&site, &exam).into_iter().filter(|(_, at)| at.starts_with(&concept)).collect();
        assert_eq!(at_place, [("terminology-unmapped-code".to_owned(), coding)], "said once");
        let all = issues(&site, &exam);
        let issue = all.iter().find(|issue| issue.rule == "terminology-unmapped-code").unwrap();
        assert_eq!(issue.severity, Severity::Error);
        assert_eq!(issue.value, Some(json!({ "system": PEN, "code": "NOISE" }).to_string()));
        assert!(!issue.message.contains("NOISE"), "{}", issue.message);
        // With one of ours beside it the place can be read, so that nothing is lost.
        let body = &ours.exams[0].resources[entry].body;
        let readable = body.pointer(&format!("{place}/coding/1")).unwrap().clone();
        let codings = exam.pointer_mut(&format!("{concept}/coding")).unwrap();
        codings.as_array_mut().unwrap().push(readable);
        let beside: Vec<(String, Severity)> = issues(&site, &exam)
            .into_iter()
            .filter(|issue| issue.severity < Severity::Information)
            .map(|issue| (issue.rule.into_owned(), issue.severity))
            .collect();
        assert_eq!(beside, [("terminology-unmapped-code".to_owned(), Severity::Warning)], "{place}");
    }
}

#[test]
fn an_observation_that_is_none_of_the_exams_is_left_alone() {
    let mut exam = exam();
    let weight = json!({
        "fullUrl": "urn:uuid:5e1e0301-0000-4000-8000-000000000099",
        "resource": {
            "resourceType": "Observation", "status": "final",
            "code": { "coding": [{ "system": "http://loinc.org", "code": "29463-7" }] },
            "subject": exam["entry"][0]["resource"]["subject"],
            "valueQuantity": { "value": 80, "system": "http://unitsofmeasure.org", "code": "kg" }
        },
        "request": { "method": "POST", "url": "Observation" }
    });
    exam["entry"].as_array_mut().unwrap().push(weight);
    assert_eq!(found(&site(), &exam), []);
    let told = issues(&site(), &exam);
    let unchecked: Vec<&str> = told.iter().map(|issue| issue.rule.as_ref()).collect();
    assert!(unchecked.contains(&"terminology-not-checked"), "LOINC as a whole is not loaded: {unchecked:?}");
}

#[test]
fn the_folder_twice_or_anything_else_in_it_is_refused_with_its_files() {
    let twice: Vec<(String, String)> = files().into_iter().chain(files()).collect();
    let message = Engine::with_site_files(&twice).unwrap_err().to_string();
    assert!(message.contains("touch-methods.json") && message.contains("is loaded twice"), "{message}");
    let mut copied = files();
    copied.push(("copy.json".to_owned(), copied[0].1.clone()));
    let message = Engine::with_site_files(&copied).unwrap_err().to_string();
    assert!(message.contains("copy.json") && message.contains(&copied[0].0), "{message}");
    let with_exam: Vec<(String, String)> =
        files().into_iter().chain([("exam.json".to_owned(), exam().to_string())]).collect();
    let message = Engine::with_site_files(&with_exam).unwrap_err().to_string();
    assert!(message.starts_with("exam.json: its type is Bundle"), "{message}");
}

#[test]
fn a_map_that_cannot_be_followed_is_refused_by_name() {
    let map = |group: Value| {
        let map = json!({
            "resourceType": "ConceptMap", "status": "active",
            "url": "https://harbourlane.example/fhir/ConceptMap/other", "group": [group]
        });
        let mut all = files();
        all.push(("other.json".to_owned(), map.to_string()));
        Engine::with_site_files(&all).map(|_| ()).map_err(|error| error.to_string())
    };
    let group = |target: Value, more: Value| {
        let mut group = json!({
            "source": PEN, "target": format!("{OURS}foot-result"),
            "element": [{ "code": "Y", "target": [target] }]
        });
        group.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        group
    };
    let target = |code: &str| json!({ "code": code, "equivalence": "equivalent" });
    assert_eq!(map(group(target("felt"), json!({}))), Ok(()));
    for (group, words) in [
        (group(target("not-felt"), json!({})), "mapped to both `felt` and `not-felt`"),
        (group(target("felled"), json!({})), "`felled` is no code of"),
        (group(target("felt"), json!({ "unmapped": { "mode": "fixed", "code": "felt" } })), "`unmapped`"),
        (
            group(json!({ "code": "felt", "equivalence": "equivalent", "dependsOn": [] }), json!({})),
            "`dependsOn`",
        ),
    ] {
        let message = map(group).unwrap_err();
        assert!(message.starts_with("other.json: ") && message.contains(words), "{message}");
    }
}
