//! Every fault of the way to the record system, one test each, called by the number it has in the list of failure modes.
//! The service runs in this process, at a quicker pace, against a record system that is scripted to misbehave.
//!
//! F15, F19 and F29 stand beside the delivery, F14 has a table there as well.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]

mod bench;
mod closing;
mod destination;
mod intake;
mod message;
mod one_by_one;
mod operators;
mod smart;
mod tls;
