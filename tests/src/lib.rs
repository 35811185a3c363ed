//! What the end-to-end tests stand on: the built binaries, the service as a process of its own, an HTTP client, and
//! the corpus.
//!
//! The record system beside the service is [`solewire_service::loopback::LoopbackRecordSystem`].
//!
//! Everything here panics when it fails: it is called from tests only.

pub mod binaries;
pub mod certificates;
pub mod client;
pub mod contract;
pub mod corpus;
pub mod postgres;
pub mod process;
pub mod random;
pub mod service;

/// Says what a run leaves out, where a test that passes may not print.
///
/// # Panics
/// When standard error is closed.
pub fn left_out(what: &str) {
    use std::io::Write as _;
    let line = format!("left out: {what}\n");
    std::io::stderr().write_all(line.as_bytes()).expect("standard error");
}
