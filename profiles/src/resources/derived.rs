//! What an exam is derived by, and what comes of it.

use jiff::Timestamp;
use serde_json::Value;
use uuid::Uuid;

use crate::findings::MonofilamentCriterion;
use crate::time::Calendar;

/// How to assess.
#[derive(Debug, Clone)]
pub struct AssessOptions {
    /// Ids of the guidelines, such as `iwgdf-2023`; one RiskAssessment each, the first one decides recall and referral.
    pub guidelines: Vec<String>,
    /// What counts as loss of protective sensation by monofilament.
    pub monofilament: MonofilamentCriterion,
    /// Which days are working days.
    pub calendar: Calendar,
    /// The instant of the derivation, recorded in Provenance and nowhere else.
    pub at: Timestamp,
}

impl AssessOptions {
    /// The usual options at an instant: IWGDF 2023, three-site monofilament, Monday to Friday.
    #[must_use]
    pub fn at(at: Timestamp) -> AssessOptions {
        AssessOptions {
            guidelines: vec!["iwgdf-2023".to_owned()],
            monofilament: MonofilamentCriterion::default(),
            calendar: Calendar::default(),
            at,
        }
    }
}

/// One assessment in words, for people.
#[derive(Debug, Clone)]
pub struct AssessmentSummary {
    /// Id of the guideline.
    pub guideline: String,
    /// Its name, with which each of `displays` begins.
    pub title: String,
    /// Id of the RiskAssessment.
    pub assessment: Uuid,
    /// `final`, `preliminary` or `entered-in-error`.
    pub status: &'static str,
    /// The codes of `foot-risk` still possible, lowest first; one when the category is settled.
    pub categories: Vec<String>,
    /// Their displays, in the same order.
    pub displays: Vec<String>,
    /// Ids of the rules that decide, one for each of `displays`.
    pub rules: Vec<String>,
    /// Why, a line each.
    pub reasons: Vec<String>,
    /// What is missing, a line each, with what it would change.
    pub missing: Vec<String>,
    /// Disagreeing evidence, both sides, a line each.
    pub contradictions: Vec<String>,
    /// Local policy used where the guideline decides nothing, a line each.
    pub policies: Vec<String>,
    /// Results close to a threshold that would have changed the category beyond it, a line each.
    pub near_misses: Vec<String>,
    /// What changed since the person's exam before, a line each; empty when none was given.
    pub changes: Vec<String>,
    /// What was found that asks for care whatever the category, a line each.
    pub care: Vec<String>,
    /// The recall window in words; none when an active problem takes its place.
    pub recall: Option<String>,
    /// The referral in words.
    pub referral: Option<String>,
}

/// What follows from an exam.
#[derive(Debug, Clone)]
pub struct Derived {
    /// RiskAssessment (one for each guideline), ServiceRequest for recall and for referral, Provenance, in this order.
    pub resources: Vec<Value>,
    /// The assessments in words, in the order of the guidelines.
    pub assessments: Vec<AssessmentSummary>,
}
