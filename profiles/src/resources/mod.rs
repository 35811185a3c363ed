//! What follows from an exam, and what is wrong with a document, as FHIR resources.
//!
//! Ids, references and texts depend on the exam alone. The instant of the derivation stands in `Provenance.recorded`
//! and nowhere else, so the same exam gives the same assessment byte for byte whenever it is derived.

mod assessment;
mod collection;
mod derive;
mod derived;
mod narrative;
mod outcome;
mod prediction;
mod provenance;
mod requests;
mod since;

pub use collection::collection;
pub(crate) use derive::{Derivation, derive};
pub use derived::{AssessOptions, AssessmentSummary, Derived};
pub use outcome::{RULE_SYSTEM, operation_outcome};
pub use since::{EXCHANGED, LOWER};

/// Canonical base of everything this project defines.
pub const BASE: &str = "https://solewire.example/fhir";

/// The caution that every assessment carries.
pub const CAUTION: &str = "Decision support for trained clinicians; not a diagnosis. Follow local pathways. An active \
                           foot problem needs same-day clinical judgement whatever the software says.";
