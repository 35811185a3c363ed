//! What an exam is held against: the earlier exams of the same person, and its own assessments so far.

use serde_json::Value;
use solewire_profiles::SubmittedExam;

use super::plan::merged;
use crate::store::{EarlierExam, SeenEarlier, StoredExam};

/// The stored exams of a person before one, with what has to be the same when that one is committed.
pub(super) struct Earlier {
    pub(super) exams: Vec<EarlierExam>,
    pub(super) seen: SeenEarlier,
}

/// The resources of the person's other exams: those that came in the same document as they will stand, the others as
/// they are stored.
pub(super) fn past_exams<'a>(
    exam: &SubmittedExam,
    earlier: Option<&'a Earlier>,
    together: impl Iterator<Item = &'a (Option<StoredExam>, SubmittedExam)>,
) -> Vec<Vec<&'a Value>> {
    let together: Vec<_> = together.filter(|(_, other)| other.subject == exam.subject).collect();
    let is_stored_state_of = |old: &EarlierExam| {
        together.iter().any(|(stored, _)| stored.as_ref().is_some_and(|stored| stored.key == old.key))
    };
    earlier
        .iter()
        .flat_map(|earlier| &earlier.exams)
        .filter(|old| !is_stored_state_of(old))
        .map(|old| old.resources.iter().collect())
        .chain(together.iter().map(|(stored, other)| merged(stored.as_ref(), other)))
        .collect()
}

/// The RiskAssessments that hold for an exam so far, each with its version.
pub(super) fn assessments_of(stored: Option<&StoredExam>) -> Vec<(i64, &Value)> {
    stored
        .iter()
        .flat_map(|exam| &exam.resources)
        .filter(|old| old.derived && old.resource_type == "RiskAssessment")
        .map(|old| (old.version, &old.body))
        .collect()
}
