//! Logs: one line an event on standard error, with the fields named here and nothing of a patient.
//!
//! Never logged: bodies, references, identifiers of persons, query strings, addresses with credentials, tokens.
//! Logged: request ids, routes as patterns, status codes, durations, delivery ids and failure classes.

use std::io::IsTerminal as _;
use std::panic;

use tracing_subscriber::EnvFilter;

use crate::config::{Log, LogFormat};

/// What is logged when nothing is said: the server library tells of its threads otherwise.
pub const USUAL_FILTER: &str = "info,actix_server=warn";

/// Starts logging for the process. From then on a panic is logged by its place in the code alone. A second call is without
/// effect, so tests may call it freely.
pub fn start(log: &Log) {
    // The message of a panic can quote what was being read, such as the text that an index does not fit.
    panic::set_hook(Box::new(|info| {
        let place = info.location().map(ToString::to_string);
        tracing::error!(place, "crashed");
    }));
    let filter = EnvFilter::try_new(&log.filter).unwrap_or_else(|_| EnvFilter::new(USUAL_FILTER));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal());
    let started = match log.format {
        LogFormat::Text => builder.with_target(false).try_init(),
        LogFormat::Json => builder.json().flatten_event(true).try_init(),
    };
    if started.is_err() {
        tracing::debug!("logging was started before");
    }
}
