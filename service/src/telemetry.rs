//! Logs: one line an event on standard error, with the fields named here and nothing of a patient.
//!
//! Never logged: bodies, references, identifiers of persons, query strings, addresses with credentials, tokens.
//! Logged: request ids, routes as patterns, status codes, durations, delivery ids and failure classes.

use tracing_subscriber::EnvFilter;

use crate::config::{Log, LogFormat};

/// Starts logging for the process. A second call is without effect, so tests may call it freely.
pub fn start(log: &Log) {
    let filter = EnvFilter::try_new(&log.filter).unwrap_or_else(|_| EnvFilter::new("info"));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    let started = match log.format {
        LogFormat::Text => builder.with_target(false).try_init(),
        LogFormat::Json => builder.json().flatten_event(true).try_init(),
    };
    if started.is_err() {
        tracing::debug!("logging was started before");
    }
}
