//! Findings, assessments and issues as FHIR resources.

mod collection;
mod outcome;

pub use collection::collection;
pub use outcome::{RULE_SYSTEM, operation_outcome};
