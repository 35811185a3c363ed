//! A record system, the service before it, and exams of different people.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use solewire_service::clock::Clock;
use solewire_service::config::Config;
use solewire_service::delivery::{Backoff, Pace, Timeouts};
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_service::startup::{self, Running};
use solewire_tests::client::{Answer, Client};
use solewire_tests::corpus::case;
use solewire_tests::process::POLL;

/// How long anything may take that takes no time on an idle machine.
pub(crate) const LIMIT: Duration = Duration::from_secs(60);
/// The resources that come of the exam: so many are in the record system once it is delivered.
pub(crate) const TYPES: [&str; 4] = ["Observation", "RiskAssessment", "ServiceRequest", "Provenance"];

/// A pace at which waits are short and verification does not come in between.
pub(crate) fn quick() -> Pace {
    Pace {
        backoff: Backoff { first: Duration::from_millis(2), cap: Duration::from_millis(20) },
        timeouts: Timeouts { connect: Duration::from_secs(10), total: Duration::from_secs(20) },
        verify_after: Duration::from_secs(3600),
        ..Pace::default()
    }
}

/// A pace at which one fault pauses for longer than any test runs.
pub(crate) fn once() -> Pace {
    let long = Duration::from_secs(900);
    Pace { backoff: Backoff { first: long, cap: long }, ..quick() }
}

/// An exam of another person for each number.
pub(crate) fn exam(number: u32) -> Value {
    let text = String::from_utf8(case("category-2").input).unwrap();
    serde_json::from_str(&text.replace("-0004", &format!("-{number:04}"))).unwrap()
}

/// The same exam, corrected: the panel says so.
pub(crate) fn corrected(number: u32) -> Value {
    with_status(exam(number), "corrected")
}

pub(crate) fn with_status(mut exam: Value, status: &str) -> Value {
    exam["entry"][0]["resource"]["status"] = json!(status);
    exam
}

pub(crate) fn person(number: u32) -> Value {
    json!({ "resourceType": "Patient", "id": format!("person-{number}"), "identifier": [
        { "system": "https://harbourlane.example/person", "value": format!("HL-PERSON-{number:04}") }] })
}

/// A record system that knows the persons of exams 1 to 29.
pub(crate) fn records() -> LoopbackRecordSystem {
    records_of(29)
}

/// A record system that knows the persons of so many exams.
pub(crate) fn records_of(exams: u32) -> LoopbackRecordSystem {
    let persons: Vec<Value> = (1..=exams).map(person).collect();
    LoopbackRecordSystem::start(&persons).unwrap()
}

pub(crate) struct Bench {
    pub(crate) records: LoopbackRecordSystem,
    pub(crate) client: Client,
    pub(crate) clock: Clock,
    folder: tempfile::TempDir,
    running: Option<Running>,
}

impl Bench {
    /// In front of `records`, with further settings below `[record_system]`.
    pub(crate) async fn start(records: LoopbackRecordSystem, more: &str, pace: Pace) -> Bench {
        let folder = tempfile::tempdir().unwrap();
        let (client, clock) = (Client::new(), Clock::system());
        let mut bench = Bench { records, client, clock, folder, running: None };
        bench.run(more, pace).await;
        bench
    }

    /// As most tests want it.
    pub(crate) async fn usual() -> Bench {
        Bench::start(records(), "", quick()).await
    }

    /// Starts the service on the store of this bench.
    pub(crate) async fn run(&mut self, more: &str, pace: Pace) {
        let base = match more.contains("base_url") {
            true => String::new(),
            false => format!("base_url = \"{}\"\n", self.records.base_url()),
        };
        let text = format!(
            "[server]\nlisten = \"127.0.0.1:0\"\noperations_listen = \"127.0.0.1:0\"\n[access]\nmode = \"open\"\n\
             [store]\nurl = \"sqlite:{}\"\n[record_system]\n{base}{more}\n",
            self.folder.path().join("solewire.db").display()
        );
        let config = Config::parse(&text, Path::new("the settings of the test"), []).unwrap();
        self.running = Some(startup::start_with_pace(config, self.clock.clone(), pace).await.unwrap());
    }

    pub(crate) async fn stop(&mut self) {
        self.running.take().unwrap().stop().await;
    }

    pub(crate) fn fhir_url(&self) -> String {
        format!("http://{}/fhir", self.running.as_ref().unwrap().listen)
    }

    pub(crate) fn operations(&self, path: &str) -> String {
        format!("http://{}{path}", self.running.as_ref().unwrap().operations_listen)
    }

    /// Posts an exam, which has to be taken.
    pub(crate) async fn submit(&self, exam: &Value) -> Answer {
        self.client.post(&self.fhir_url(), exam.to_string()).await.expect(200)
    }

    pub(crate) async fn delivery(&self, id: i64) -> Value {
        self.client.get(&self.operations(&format!("/operations/deliveries/{id}"))).await.expect(200).json()
    }

    pub(crate) async fn replay(&self, id: i64, reason: &str) -> Answer {
        let body = if reason.is_empty() { json!({}) } else { json!({ "reason": reason }) };
        let url = self.operations(&format!("/operations/deliveries/{id}/replay"));
        self.client.post(&url, body.to_string()).await
    }

    /// Waits until a delivery is in a state, and gives it.
    pub(crate) async fn until(&self, id: i64, state: &str) -> Value {
        let deadline = Instant::now() + LIMIT;
        loop {
            let delivery = self.delivery(id).await;
            if delivery["state"] == state {
                return delivery;
            }
            assert!(Instant::now() < deadline, "not {state}: {delivery:#}");
            tokio::time::sleep(POLL).await;
        }
    }

    pub(crate) async fn lane(&self) -> Value {
        self.client.get(&self.operations("/operations/deliveries")).await.expect(200).json()["lane"].clone()
    }

    /// Waits until the lane fits, and gives it.
    pub(crate) async fn lane_until(&self, fits: impl Fn(&Value) -> bool) -> Value {
        let deadline = Instant::now() + LIMIT;
        loop {
            let lane = self.lane().await;
            if fits(&lane) {
                return lane;
            }
            assert!(Instant::now() < deadline, "the lane is {lane:#}");
            tokio::time::sleep(POLL).await;
        }
    }

    /// Waits until the lane is paused for this reason.
    pub(crate) async fn paused_for(&self, failure: &str) -> Value {
        self.lane_until(|lane| lane["failure"] == failure).await
    }

    /// The value of a line of `/metrics`.
    pub(crate) async fn metric(&self, name: &str) -> f64 {
        let text = self.client.get(&self.operations("/metrics")).await.expect(200).text;
        let line = text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
        line.unwrap_or_else(|| panic!("no {name} in {text}")).parse().unwrap()
    }

    /// Every resource of an exam is in the record system, once, and nothing else but persons.
    pub(crate) fn assert_once(&self, exams: usize) {
        assert_once(&self.records, exams);
    }
}

/// Everything of so many exams is there, once, and nothing else but persons.
pub(crate) fn assert_once(records: &LoopbackRecordSystem, exams: usize) {
    let observations = 29;
    let counts: Vec<usize> = TYPES.iter().map(|kind| records.resources_of(kind).len()).collect();
    assert_eq!(counts, [observations * exams, exams, exams, exams]);
    let mut keys: BTreeMap<String, usize> = BTreeMap::new();
    for resource in TYPES.iter().flat_map(|kind| records.resources_of(kind)) {
        let key = match resource["resourceType"].as_str() {
            Some("Provenance") => resource["meta"]["tag"].clone(),
            _ => resource["identifier"][0].clone(),
        };
        *keys.entry(key.to_string()).or_default() += 1;
    }
    assert!(keys.values().all(|count| *count == 1), "{keys:#?}");
}
