//! H1, H3, H4: what the service and the command line know of a person stays out of logs, errors and metrics.

use std::collections::BTreeSet;
use std::process::Command;
use std::time::Duration;

use reqwest::Method;
use serde_json::{Value, json};
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::binaries;
use solewire_tests::corpus::{case, cases};
use solewire_tests::process;
use solewire_tests::service::{Service, Setup};

use crate::access::site::{LIMIT, exam};
use crate::record_system::person;

const CANARY: &str = "Qanaryx";
const BIRTH_DATE: &str = "1931-07-29";

/// The document with a canary in whatever a person could be known by.
fn marked(value: &Value) -> Value {
    match value {
        Value::Array(items) => Value::Array(items.iter().map(marked).collect()),
        Value::Object(members) => {
            let mut out: serde_json::Map<String, Value> =
                members.iter().map(|(name, inner)| (name.clone(), marked(inner))).collect();
            if let (Some(Value::String(_)), Some(Value::String(value))) =
                (out.get("system"), out.get("value"))
            {
                out.insert("value".to_owned(), json!(format!("{CANARY}-{value}")));
            }
            if let Some(Value::String(text)) = out.get("text") {
                out.insert("text".to_owned(), json!(format!("{CANARY} {text}")));
            }
            match out.get("resourceType").and_then(Value::as_str) {
                Some("Observation") => drop(out.insert("note".to_owned(), json!([{ "text": CANARY }]))),
                Some("Patient") => {
                    out.insert("name".to_owned(), json!([{ "family": CANARY }]));
                    out.insert("birthDate".to_owned(), json!(BIRTH_DATE));
                }
                _ => {}
            }
            Value::Object(out)
        }
        other => other.clone(),
    }
}

#[track_caller]
fn assert_silent(what: &str, text: &str) {
    let text = text.to_lowercase();
    for secret in [CANARY, BIRTH_DATE] {
        let at = text.find(&secret.to_lowercase());
        let near = at.map(|at| text.get(at.saturating_sub(200)..at + 20).unwrap_or_default().to_owned());
        assert_eq!(near, None, "{what}");
    }
}

#[tokio::test]
async fn h01_nothing_of_a_person_is_logged_at_the_most_verbose_level_whatever_happens() {
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    let more = "[log]\nfilter = \"trace\"\n".to_owned();
    let service = Service::start(Setup { more, ..Setup::with(records.base_url()) }).await;
    let (mut taken, mut refused) = (0, 0);
    for case in cases() {
        // Cases that are no JSON go as they are, behind a canary.
        let text = match serde_json::from_slice::<Value>(&case.input) {
            Ok(document) => marked(&document).to_string(),
            Err(_) => format!("{{\"resourceType\": \"{CANARY}\", {}", String::from_utf8_lossy(&case.input)),
        };
        let key = format!("{CANARY}-{}", case.name);
        let headers = [("idempotency-key", key.as_str()), ("x-request-id", "plain")];
        let whole = service.client.send(Method::POST, &service.fhir_url, &headers, text.clone()).await;
        if whole.status == 200 {
            taken += 1;
        } else {
            refused += 1;
            assert_silent(&case.name, &whole.text);
        }
        for broken in
            [&text[..text.floor_char_boundary(text.len() / 2)], &text.replace("\"final\"", "\"Qanaryx\"")]
        {
            let answer = service.client.post(&service.fhir_url, broken).await;
            if answer.status != 200 {
                refused += 1;
                assert_silent(&case.name, &answer.text);
            }
        }
    }
    assert!(taken >= 30 && refused >= 100, "{taken} taken, {refused} refused");
    for path in [
        format!("Observation?subject:identifier={CANARY}|{CANARY}"),
        format!("Observation/{CANARY}"),
        format!("{CANARY}/1"),
        format!("Observation?{CANARY}={CANARY}"),
        format!("Observation?date={CANARY}"),
    ] {
        let answer = service.client.get(&service.url(&path)).await;
        if answer.status >= 400 {
            assert_silent(&path, &answer.text);
        }
    }
    let odd =
        [("x-request-id", CANARY), ("content-type", "text/Qanaryx"), ("if-none-exist", "identifier=Qanaryx")];
    let answer = service.client.send(Method::POST, &service.url("Observation"), &odd, exam(1)).await;
    assert_silent("headers", &answer.text);
    // None of the persons is known there: what was sent is parked.
    let deadline = std::time::Instant::now() + LIMIT;
    while !service.delivery_states().await.iter().any(|state| state == "parked") {
        assert!(std::time::Instant::now() < deadline, "nothing was parked");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    for number in 1..=taken {
        let url = format!("{}/operations/deliveries/{number}", service.operations_url);
        assert_silent("a delivery", &service.client.get(&url).await.text);
    }
    assert_silent("metrics", &service.client.get(&format!("{}/metrics", service.operations_url)).await.text);
    for entry in std::fs::read_dir(service.folder()).unwrap() {
        assert_silent("a file name", &entry.unwrap().file_name().to_string_lossy());
    }
    let log = service.log();
    assert!(log.contains("TRACE") && log.contains("answered"), "nothing is logged");
    assert_silent("the log", &log.replace("request_id=Qanaryx", ""));
}

const CHILD: &str = "SOLEWIRE_TEST_PANICS";

/// A panic quotes the text that an index does not fit. In a process of its own: the way of telling is that of the process.
#[test]
fn h01_a_panic_is_told_by_its_place_and_not_by_what_was_read() {
    if std::env::var_os(CHILD).is_some() {
        let log = solewire_service::config::Log {
            filter: "trace".to_owned(),
            format: solewire_service::config::LogFormat::Text,
        };
        solewire_service::telemetry::start(&log);
        let text = format!("é{CANARY}");
        let crashed = std::thread::spawn(move || text[1..].len()).join();
        assert!(crashed.is_err());
        return;
    }
    let name = "secrecy::h01_a_panic_is_told_by_its_place_and_not_by_what_was_read";
    let ran = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", name, "--nocapture"])
        .env(CHILD, "1")
        .output()
        .unwrap();
    let told = format!("{}{}", String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success() && told.contains("1 passed"), "{told}");
    assert!(told.contains("crashed") && told.contains("secrecy.rs:"), "{told}");
    assert_silent("the panic", &told);
}

#[test]
fn h03_the_command_line_shows_values_only_when_asked() {
    let folder = tempfile::tempdir().unwrap();
    let mut document = case("category-2").json();
    document["entry"][0]["resource"]["status"] = json!(CANARY);
    document["entry"][0]["resource"]["effectiveDateTime"] = json!(CANARY);
    document["entry"][1]["resource"]["favourite"] = json!(CANARY);
    document["entry"][0]["resource"]["code"]["coding"][0]["display"] = json!(format!("{CANARY}\u{202e}"));
    document["entry"][2]["resource"]["subject"]["reference"] = json!(format!("Patient/{CANARY}"));
    std::fs::write(folder.path().join("exam.json"), document.to_string()).unwrap();
    let run = |arguments: &[&str]| process::run(&binaries::solewire_check(), arguments, folder.path(), LIMIT);
    for format in ["human", "json", "ndjson", "sarif", "junit", "operationoutcome"] {
        for verbose in ["-q", "-v", "-vv"] {
            let ran = run(&["validate", "exam.json", "--format", format, verbose]);
            assert_eq!(ran.code, Some(1), "{format}: {}", ran.err);
            assert_silent(format, &format!("{}{}", ran.out, ran.err));
        }
    }
    for format in ["human", "json"] {
        let ran = run(&["assess", "exam.json", "--format", format]);
        assert_silent("assess", &format!("{}{}", ran.out, ran.err));
    }
    let asked = run(&["validate", "exam.json", "--show-values"]);
    assert!(asked.out.contains(CANARY), "{}", asked.out);
    // And never by a setting that lies about, only by the one who calls.
    let shown = run(&["config", "show"]);
    assert!(
        !shown.out.contains("show_values = true") && !shown.out.contains("show-values = true"),
        "{}",
        shown.out
    );
}

#[tokio::test]
async fn h03_an_error_of_the_service_names_place_and_rule_and_no_value() {
    let service = Service::start(Setup::default()).await;
    let mut document = case("category-2").json();
    document["entry"][0]["resource"]["status"] = json!(CANARY);
    document["entry"][0]["resource"]["effectiveDateTime"] = json!(CANARY);
    document["entry"][2]["resource"]["subject"]["reference"] = json!(format!("Patient/{CANARY}"));
    for path in ["", "/$assess", "/Bundle/$validate"] {
        for query in ["", "?showValues=true", "?show-values=true&_summary=false"] {
            let url = format!("{}{path}{query}", service.fhir_url);
            let answer = service.client.post(&url, document.to_string()).await;
            assert!(
                answer.text.contains("structure-code") && answer.text.contains("Bundle.entry[0]"),
                "{}",
                answer.text
            );
            assert_silent(&url, &answer.text);
        }
    }
}

/// The name and the labels of each series.
fn series(metrics: &str) -> BTreeSet<String> {
    let lines = metrics.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    lines.map(|line| line.rsplit_once(' ').unwrap().0.to_owned()).collect()
}

#[tokio::test]
async fn h04_the_number_of_series_stays_the_same_however_many_exams_come() {
    let persons: Vec<Value> = (1..=60).map(person).collect();
    let records = LoopbackRecordSystem::start(&persons).unwrap();
    let service = Service::start(Setup::with(records.base_url())).await;
    let url = format!("{}/metrics", service.operations_url);
    let send = async |number: u32| {
        // A person, an exam, a visit and a device of its own, and a code that nobody knows.
        let mut bundle: Value = serde_json::from_str(&exam(number)).unwrap();
        let panel = &mut bundle["entry"][0]["resource"];
        panel["device"] = json!({ "identifier": { "system": "https://harbourlane.example/device",
                                                  "value": format!("HL-DEVICE-{number:04}") } });
        let code =
            json!({ "system": "https://harbourlane.example/codes", "code": format!("HL-CODE-{number:04}") });
        panel["code"]["coding"].as_array_mut().unwrap().push(code);
        let taken = service.client.post(&service.fhir_url, bundle.to_string()).await;
        assert_eq!(taken.status, 200, "{}", taken.text);
        bundle["entry"][0]["resource"]["status"] = json!(format!("HL-STATUS-{number}"));
        drop(service.client.post(&service.fhir_url, bundle.to_string()).await.expect(422));
        drop(service.client.get(&service.url(&format!("Observation/HL-{number}"))).await.expect(404));
        drop(service.client.get(&service.url(&format!("HL-TYPE-{number}/1"))).await.expect(404));
    };
    for number in 1..=3 {
        send(number).await;
    }
    service.delivered(3, LIMIT).await;
    let few = series(&service.client.get(&url).await.expect(200).text);
    for number in 4..=60 {
        send(number).await;
    }
    service.delivered(60, LIMIT).await;
    let text = service.client.get(&url).await.expect(200).text;
    assert_eq!(series(&text), few);
    assert!(few.len() > 50 && text.contains("solewire_deliveries_received_total 60"), "{text}");
    assert!(!text.contains("HL-"), "{text}");
    // Each label is of a closed list, and none is of what an exam says.
    let labels: BTreeSet<&str> =
        few.iter().filter_map(|one| one.split_once('{')?.1.split_once('=')).map(|(name, _)| name).collect();
    let known = BTreeSet::from(["class", "failure", "le", "result", "state", "what"]);
    assert!(labels.is_subset(&known), "{labels:?}");
}
