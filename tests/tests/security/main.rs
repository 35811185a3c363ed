//! What must not be possible, one test each, called by the number it has in the list of threats. The service runs in this
//! process or as one of its own; issuer and certificates are made here, at run time.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]

mod access;
mod audit;
mod command_line;
mod dependencies;
mod hostile;
mod inventory;
mod operators;
mod outbound;
mod properties;
mod record_system;
mod retention;
mod rule_set;
mod secrecy;
mod unit;
