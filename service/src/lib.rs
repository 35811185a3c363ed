//! The Solewire service: takes foot exams in FHIR R4, stores each durably with the assessment that follows from it,
//! and forwards both to a record system.
//!
//! What an exam means is the business of `solewire-profiles`. This crate is the only one that knows HTTP, SQL, time
//! and the environment. Nothing is sent that was not committed; nothing of a patient is logged.

#![deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

pub mod access;
pub mod addresses;
pub mod args;
pub mod audit;
pub mod care;
pub mod clinic;
pub mod clock;
pub mod config;
pub mod delivery;
pub mod demo;
pub mod help;
pub mod http;
pub mod intake;
pub mod loopback;
pub mod metrics;
pub mod retention;
mod site_files;
pub mod stand_in;
pub mod startup;
pub mod store;
pub mod telemetry;
pub mod tls;
pub mod tokens;
pub mod traces;
