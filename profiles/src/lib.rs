//! Foot examination of people with diabetes, in HL7 FHIR R4 (4.0.1): is this exam well said, and what follows from it?
//!
//! The data flows one way. Bytes become a [`json::Document`] that knows its positions; [`Engine::check`] holds it
//! against R4, the local profiles, the code systems and the rules of the exam; [`Engine::submission`] gives its
//! resources their ids; [`Engine::assess`] derives the risk assessment, the recall and, where needed, the referral.
//!
//! Nothing here reads a clock, a file, the environment or the network: the same bytes and the same instant give the
//! same issues and the same resources, in the service and on the command line alike.
//!
//! An unrecorded finding is unknown and never normal. Where the unknown matters, the result is a range.
//!
//! Decision support for trained clinicians; not a diagnosis. Follow local pathways. An active foot problem needs
//! same-day clinical judgement whatever the software says.

#![deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod clinical_values;
pub mod definitions;
mod engine;
pub mod exam;
mod examples;
pub mod findings;
pub mod invariants;
pub mod inventory;
pub mod issue;
pub mod json;
mod load_error;
pub mod nearest;
mod position;
pub mod profile;
pub mod progress;
pub mod published;
pub mod resources;
pub mod risk;
mod sequence;
mod site_files;
pub mod structure;
pub mod submit;
pub mod terminology;
pub mod time;

pub use clinical_values::{Certainty, ClinicalValue};
pub use engine::Engine;
pub use exam::{CheckContext, ExamKey, GroupBy, PlacedResource, Submission, SubmittedExam};
pub use examples::{Example, example};
pub use load_error::LoadError;
pub use resources::{AssessOptions, AssessmentSummary, Derived};
pub use sequence::{ExamFacts, Past};

/// Every rule of this project, in a stable order: the one table behind `rules` and `explain`.
#[must_use]
pub fn rules() -> Vec<&'static issue::Rule> {
    let families: &[&[&'static issue::Rule]] = &[
        json::RULES,
        structure::RULES,
        definitions::RULES,
        profile::RULES,
        terminology::RULES,
        invariants::RULES,
        exam::RULES,
        submit::RULES,
    ];
    families.iter().flat_map(|family| family.iter().copied()).collect()
}

/// Every clinical value that stands in code, in a stable order. Those of a guideline stand in its file.
#[must_use]
pub fn clinical_values() -> Vec<&'static ClinicalValue> {
    let families = [exam::VALUES, sequence::VALUES].into_iter().chain(findings::VALUES.iter().copied());
    families.flatten().collect()
}
