//! `solewire demo`: the whole job on one machine, with nothing to set up.
//!
//! A loopback record system, the service with a store in a temporary folder, and the shipped exam of the Harbour Lane
//! community foot clinic, submitted, checked, assessed, delivered and read back through real HTTP. Each step says what
//! it did, what came of it and where to look.

mod job;
mod words;

use std::io::Write;
use std::path::Path;

use serde_json::{Value, json};

use crate::clock::Clock;
use crate::config::{Config, ConfigError};
use crate::loopback::LoopbackRecordSystem;
use crate::startup::{self, StartError};

/// The shipped exam.
const EXAM: &str = include_str!("exam.json");

/// What becomes of the demo when its job is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Afterwards {
    /// It serves until it is interrupted.
    Serve,
    /// It ends.
    Exit,
}

/// Why the demo could not do its job. The text names the step.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// No temporary folder, no port, or no terminal to write to.
    #[error("{what}: {source}")]
    Machine {
        /// What was being done.
        what: &'static str,
        /// What the operating system said.
        source: std::io::Error,
    },
    /// The settings of the demonstration, or what the environment adds to them, cannot be used.
    #[error("start the service: {0}")]
    Settings(#[from] ConfigError),
    /// The service did not start.
    #[error("start the service: {0}")]
    Start(#[from] StartError),
    /// A step had another result than it must have.
    #[error("{step}: {problem}")]
    Step {
        /// The step.
        step: &'static str,
        /// What came instead.
        problem: String,
    },
}

impl DemoError {
    fn machine(what: &'static str) -> impl FnOnce(std::io::Error) -> DemoError {
        move |source| DemoError::Machine { what, source }
    }

    fn step(step: &'static str, problem: impl Into<String>) -> DemoError {
        DemoError::Step { step, problem: problem.into() }
    }
}

/// Does the whole job and tells of it on `out`.
///
/// # Errors
/// At the first step that fails; the service is stopped by then.
pub async fn run(afterwards: Afterwards, out: &mut impl Write) -> Result<(), DemoError> {
    let exam: Value = serde_json::from_str(EXAM)
        .map_err(|error| DemoError::step("read the shipped exam", error.to_string()))?;
    let folder = tempfile::tempdir().map_err(DemoError::machine("make a temporary folder"))?;
    let records = LoopbackRecordSystem::start(&[person(&exam)])
        .map_err(DemoError::machine("start the loopback record system"))?;
    let store = folder.path().join("solewire.db");
    let settings = settings(&store.to_string_lossy(), records.base_url());
    // The environment stays out: the demonstration is the same on every machine.
    let config = Config::parse(&settings, Path::new("the settings of the demonstration"), [])?;
    let running = startup::start(config, Clock::system()).await?;
    let fhir_url = format!("http://{}/fhir", running.listen);
    let operations_url = format!("http://{}", running.operations_listen);

    let job =
        job::Job { exam: &exam, fhir_url: &fhir_url, operations_url: &operations_url, records: &records };
    let mut done = job.run(out).await;
    if done.is_ok() && afterwards == Afterwards::Serve {
        done = words::serving(out, &fhir_url, &operations_url, records.base_url())
            .map_err(DemoError::machine("write to the terminal"));
        startup::interrupted().await;
    }
    running.stop().await;
    done
}

/// The person of the exam, for the record system to know: the service never creates a Patient there.
fn person(exam: &Value) -> Value {
    let resources = || {
        let entries = exam.get("entry").and_then(Value::as_array);
        entries.into_iter().flatten().filter_map(|entry| entry.get("resource"))
    };
    let is_patient = |resource: &&Value| resource.get("resourceType") == Some(&json!("Patient"));
    if let Some(patient) = resources().find(is_patient) {
        return patient.clone();
    }
    let identifier = resources().find_map(|resource| resource.pointer("/subject/identifier"));
    match identifier {
        Some(identifier) => json!({ "resourceType": "Patient", "identifier": [identifier] }),
        None => json!({ "resourceType": "Patient", "active": true }),
    }
}

fn settings(store: &str, record_system: &str) -> String {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    format!(
        "[server]\nlisten = \"127.0.0.1:0\"\noperations_listen = \"127.0.0.1:0\"\n\n\
         [store]\nurl = {}\n\n\
         [record_system]\nbase_url = {}\nwrite = \"transaction\"\n\n\
         [access]\nmode = \"open\"\n",
        quoted(&format!("sqlite:{store}")),
        quoted(record_system)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_exam_names_a_person_that_the_record_system_takes() {
        let exam = serde_json::from_str(EXAM).unwrap();
        let person = person(&exam);
        assert!(person["identifier"][0]["value"].is_string());
        let records = LoopbackRecordSystem::start(&[person]).unwrap();
        assert_eq!(records.resources_of("Patient").len(), 1);
    }

    #[test]
    fn a_person_named_by_identifier_only_is_known_by_it() {
        let subject =
            json!({ "identifier": { "system": "https://harbourlane.example/person", "value": "1" } });
        let exam =
            json!({ "entry": [{ "resource": { "resourceType": "Observation", "subject": subject } }] });
        assert_eq!(person(&exam)["identifier"][0], subject["identifier"]);
    }

    #[test]
    fn the_settings_are_toml_whatever_the_folder_is_called() {
        let text = settings("/a \"b\" \\c/solewire.db", "http://127.0.0.1:1/fhir");
        let read: toml::Table = text.parse().unwrap();
        assert_eq!(read["store"]["url"].as_str(), Some("sqlite:/a \"b\" \\c/solewire.db"));
        assert_eq!(read["access"]["mode"].as_str(), Some("open"));
    }
}
