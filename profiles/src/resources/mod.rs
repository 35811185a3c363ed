//! Findings, assessments and issues as FHIR resources.

mod outcome;

pub use outcome::{RULE_SYSTEM, operation_outcome};
