//! Takes foot examinations in FHIR R4, stores them durably with their assessment and forwards both.

#![deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

pub mod demo;
pub mod loopback;
