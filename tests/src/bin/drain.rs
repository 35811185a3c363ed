//! The record system is down while exams come in; then everything is delivered. How fast, against a bare client that
//! posts the same to the same record system with the same concurrency; and how much memory the service needs.
//!
//! `tests/long/drain [EXAMS]` runs it. Not a test of the suite: it measures time.

#![allow(clippy::print_stdout, reason = "it prints what it measured")]

use std::collections::HashMap;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::corpus::case;
use solewire_tests::postgres;
use solewire_tests::service::{Service, Setup};

/// What the service has under way at once at the most (`delivery::Pace`), and what the bare client has.
const AT_ONCE: usize = 8;
const LIMIT: Duration = Duration::from_secs(3600);
/// Exams of one person, all of the same time: fewer than may follow an exam that arrives late.
const EXAMS_OF_A_PERSON: usize = 10;

/// A record system that knows everybody who was examined. It reaches the disk with each transaction before it answers:
/// one that may lose what it took would be no measure.
fn record_system(exams: usize, folder: &Path) -> LoopbackRecordSystem {
    let records = LoopbackRecordSystem::start(&[]).expect("a record system");
    records.sync_changes(&folder.join("changes")).expect("a file");
    for number in (0..exams).step_by(EXAMS_OF_A_PERSON) {
        let person =
            json!({ "system": "https://harbourlane.example/person", "value": person_examined(number) });
        records.seed(&json!({ "resourceType": "Patient", "identifier": [person] })).expect("a person");
    }
    records
}

fn person_examined(number: usize) -> String {
    format!("HL-DRAIN-PERSON-{}", number / EXAMS_OF_A_PERSON)
}

#[tokio::main]
async fn main() -> ExitCode {
    let exams: usize =
        std::env::args().nth(1).map_or(10_000, |text| text.parse().expect("a number of exams"));
    let folder = tempfile::tempdir().expect("a folder");
    let mut records = record_system(exams, folder.path());
    records.go_down();
    let setup = Setup { store: Some(postgres::store_of_this_run().await), ..Setup::with(records.base_url()) };
    let service = Service::start(setup).await;
    let began = Instant::now();
    let early = exams / 10;
    post(&service, 0, early).await;
    let memory_early = service.resident_kib();
    post(&service, early, exams).await;
    let memory_full = service.resident_kib();
    println!(
        "{exams} exams taken while the record system is down: {:.0} a second; resident {} MiB after {early}, {} MiB at \
         the end",
        exams as f64 / began.elapsed().as_secs_f64(),
        memory_early / 1024,
        memory_full / 1024
    );

    let before = records.write_count();
    records.come_back().expect("the record system comes back");
    came(&records, before + 1).await;
    let began = Instant::now();
    came(&records, before + exams).await;
    service.delivered(1, LIMIT).await;
    let drained = exams as f64 / began.elapsed().as_secs_f64();
    println!("drained: {drained:.0} a second; resident {} MiB", service.resident_kib() / 1024);

    let bodies: Vec<Vec<u8>> = records
        .requests()
        .into_iter()
        .filter(|request| request.is_write())
        .map(|request| request.body)
        .collect();
    let twice = bodies.len() - before - exams;
    let displaced = displacement(&bodies);
    println!("{twice} requests more than exams; none came further than {displaced} places out of order");
    let assessments = records.resources_of("RiskAssessment").len();
    drop(service);
    drop(records);

    let bare = bare(bodies, folder.path()).await;
    let ratio = drained / bare;
    println!("a bare client: {bare:.0} a second; the service reaches {ratio:.2} of it");
    let grown = memory_full.saturating_sub(memory_early) / 1024;
    let good = ratio >= 0.8 && twice == 0 && assessments == exams && displaced <= 2 * AT_ONCE && grown < 64;
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Waits until so many writes have come. Looking holds the record system up, so it is done seldom.
async fn came(records: &LoopbackRecordSystem, writes: usize) {
    let deadline = Instant::now() + LIMIT;
    while records.write_count() < writes {
        assert!(Instant::now() < deadline, "not drained");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

fn name(number: usize) -> String {
    format!("HL-DRAIN-{number}")
}

/// Hands exams in one after the other, so that the order of the queue is that of their numbers.
async fn post(service: &Service, from: usize, to: usize) {
    let mut document = case("active-problem-alone").json();
    for number in from..to {
        let entries = document["entry"].as_array_mut().expect("entries");
        entries[0]["resource"]["identifier"][0]["value"] = name(number).into();
        for entry in entries {
            entry["resource"]["subject"]["identifier"]["value"] = person_examined(number).into();
        }
        assert_eq!(service.client.post(&service.fhir_url, document.to_string()).await.status, 200);
    }
}

/// How far a request came from its place in the order of the queue, at most.
fn displacement(bodies: &[Vec<u8>]) -> usize {
    let mut places: HashMap<String, usize> = HashMap::new();
    for (place, body) in bodies.iter().enumerate() {
        let bundle: Value = serde_json::from_slice(body).expect("a Bundle");
        let panel = bundle.pointer("/entry/0/resource/identifier/0/value").and_then(Value::as_str);
        places.insert(panel.expect("a panel").to_owned(), place);
    }
    let distance =
        |number: usize| places.get(&name(number)).map_or(usize::MAX, |place| place.abs_diff(number));
    (0..bodies.len()).map(distance).max().unwrap_or(0)
}

/// Posts the same bodies to a fresh record system, a second.
async fn bare(bodies: Vec<Vec<u8>>, folder: &Path) -> f64 {
    let number = bodies.len();
    let records = record_system(number, folder);
    let bodies = Arc::new(bodies);
    let next = Arc::new(AtomicUsize::new(0));
    let client = reqwest::Client::new();
    let began = Instant::now();
    let mut senders = tokio::task::JoinSet::new();
    for _ in 0..AT_ONCE {
        let (client, url) = (client.clone(), records.base_url().to_owned());
        let (bodies, next) = (Arc::clone(&bodies), Arc::clone(&next));
        senders.spawn(async move {
            while let Some(body) = bodies.get(next.fetch_add(1, Ordering::Relaxed)) {
                let request = client.post(&url).header("content-type", "application/fhir+json");
                let answer = request.body(body.clone()).send().await.expect("an answer");
                assert!(answer.status().is_success(), "{}", answer.status());
                answer.bytes().await.expect("a body");
            }
        });
    }
    senders.join_all().await;
    number as f64 / began.elapsed().as_secs_f64()
}
