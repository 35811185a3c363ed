//! `solewire stand-in`: a record system on this machine, to try the settings of a service before the real one.
//!
//! It is the record system of the demonstration at an address that can be named in settings, and with credentials to ask
//! for. What it gets it keeps in memory and forgets at its end.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};

use crate::args::StandInArgs;
use crate::loopback::LoopbackRecordSystem;

/// How long the tokens hold that it gives. Short, so that a trial of an hour sees renewals.
const TOKEN_LIFETIME: Duration = Duration::from_secs(300);

/// Why it did not start.
#[derive(Debug, thiserror::Error)]
pub enum StandInError {
    /// A file cannot be read or does not hold what it has to.
    #[error("{}: {problem}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// A person is not named as SYSTEM|VALUE.
    #[error("`--person`: write SYSTEM|VALUE, such as https://harbourlane.example/person|HL-PERSON-0004")]
    Person,
    /// It cannot listen, or there is nobody to tell its address.
    #[error("start the record system: {0}")]
    Start(#[from] io::Error),
}

/// Starts it and says on `out` where it listens. It serves until it is dropped.
///
/// # Errors
/// A file or an address that cannot be used.
pub fn start(args: &StandInArgs, out: &mut impl Write) -> Result<LoopbackRecordSystem, StandInError> {
    let persons = args.persons.iter().map(|text| person(text)).collect::<Result<Vec<_>, _>>()?;
    let authorization = args.authorization_file.as_deref().map(text_of).transpose()?;
    let keys = match args.keys_file.as_deref() {
        Some(path) => Some((path, text_of(path)?)),
        None => None,
    };
    let records = LoopbackRecordSystem::start_at(args.listen)?;
    for person in &persons {
        records.seed(person)?;
    }
    records.require_authorization(authorization.as_deref());
    if let (Some(client), Some((path, text))) = (&args.client_id, keys) {
        let problem = |error: String| StandInError::File {
            path: path.to_owned(),
            problem: format!("is no JWK set ({error}); fetch /.well-known/jwks.json of the service"),
        };
        let keys: Value = serde_json::from_str(&text).map_err(|error| problem(error.to_string()))?;
        records.issue_tokens(client, &keys, TOKEN_LIFETIME).map_err(|error| problem(error.to_string()))?;
    }
    writeln!(out, "A record system for trying out settings, kept in memory: {}", records.base_url())?;
    out.flush()?;
    Ok(records)
}

fn person(text: &str) -> Result<Value, StandInError> {
    let (system, value) = text.split_once('|').ok_or(StandInError::Person)?;
    Ok(json!({ "resourceType": "Patient", "identifier": [{ "system": system, "value": value }] }))
}

fn text_of(path: &Path) -> Result<String, StandInError> {
    let text = std::fs::read_to_string(path).map_err(|error| StandInError::File {
        path: path.to_owned(),
        problem: format!("cannot be read ({error})"),
    })?;
    Ok(text.trim().to_owned())
}
