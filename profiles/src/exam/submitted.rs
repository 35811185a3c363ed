//! What a document asks to be stored, and what the checks need to know beside it.

use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use uuid::Uuid;

/// How results that arrive without a panel are put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum GroupBy {
    /// The results of one subject in one encounter are one exam; a result without an encounter is refused.
    #[default]
    Encounter,
    /// A result without an encounter belongs to the exam of its subject on its calendar day.
    SubjectAndDay,
}

/// What the checks need to know beside the document.
#[derive(Debug, Clone, Copy)]
pub struct CheckContext {
    /// Now: times after it, beyond the tolerance, are in the future.
    pub at: Timestamp,
    /// How far a clock may run ahead.
    pub clock_tolerance: SignedDuration,
    /// How results without a panel are put together.
    pub group_by: GroupBy,
    /// Whose exams they are: ids and keys of one realm never meet those of another, nor those of none.
    pub realm: Option<Uuid>,
}

impl CheckContext {
    /// The usual context at an instant: ten minutes of tolerance, grouping by encounter.
    #[must_use]
    pub fn at(at: Timestamp) -> CheckContext {
        CheckContext {
            at,
            clock_tolerance: SignedDuration::from_mins(10),
            group_by: GroupBy::default(),
            realm: None,
        }
    }
}

/// What names an exam for good. Derived ids follow from it, so it never changes once an exam has one.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ExamKey(pub String);

/// A resource with the id and the references it is stored under.
#[derive(Debug, Clone)]
pub struct PlacedResource {
    /// The number of its Bundle entry, from 0; none for a resource that came alone.
    pub entry: Option<usize>,
    /// Its type, such as `Observation`.
    pub resource_type: String,
    /// Its id: UUIDv5, so the same resource of the same exam has the same id each time.
    pub id: Uuid,
    /// Its content, with `id` set and references inside the document replaced by `Type/id`.
    pub body: Value,
}

/// The resources of one exam in a document.
#[derive(Debug, Clone)]
pub struct SubmittedExam {
    /// What names the exam.
    pub key: ExamKey,
    /// The person, as `system|value` of an identifier or as the reference given.
    pub subject: String,
    /// The encounter, in the same form.
    pub encounter: Option<String>,
    /// `system|value` of the panel's first identifier; none when the document has no panel for this exam.
    pub panel_identifier: Option<String>,
    /// The panel first, then everything else in the order of the document.
    pub resources: Vec<PlacedResource>,
}

/// What a checked document asks to be stored.
#[derive(Debug, Clone, Default)]
pub struct Submission {
    /// Its exams, in the order of the document.
    pub exams: Vec<SubmittedExam>,
    /// Entries that only give context (Patient, Encounter and the like), which are neither stored nor sent.
    pub context_entries: Vec<usize>,
}
