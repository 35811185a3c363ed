//! The way of an exam through the product: JSON, checks, submission, assessment.

use std::sync::LazyLock;

use proptest::test_runner::Config;
use serde_json::Value;
use solewire_profiles::findings::MonofilamentCriterion;
use solewire_profiles::issue::{Issue, Severity};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::terminology::Terminology;
use solewire_profiles::{AssessOptions, CheckContext, Derived, Engine};

use super::model::{Exam, Style};

pub(crate) static ENGINE: LazyLock<Engine> = LazyLock::new(|| Engine::builtin().unwrap());
pub(crate) static TERMINOLOGY: LazyLock<Terminology> = LazyLock::new(Terminology::builtin);

/// The categories of IWGDF 2023, lowest first.
const CATEGORIES: [&str; 5] = ["0", "1", "2", "3", "active"];

/// Few cases for every day; `PROPTEST_CASES` asks for more.
pub(crate) fn cases(usual: u32) -> Config {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    Config { cases: asked.unwrap_or(usual), failure_persistence: None, ..Config::default() }
}

pub(crate) fn at() -> jiff::Timestamp {
    "2026-11-02T09:00:00Z".parse().unwrap()
}

pub(crate) fn options() -> AssessOptions {
    AssessOptions::at(at())
}

/// What came out, reduced to what must not change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Result {
    /// Numbers of the categories still possible, lowest first.
    pub(crate) categories: Vec<usize>,
    pub(crate) status: String,
    pub(crate) missing: Vec<String>,
    pub(crate) reasons: Vec<String>,
    pub(crate) contradictions: Vec<String>,
    /// What each foot comes to by itself, left first.
    pub(crate) feet: [String; 2],
}

impl Result {
    pub(crate) fn lowest(&self) -> usize {
        self.categories[0]
    }

    pub(crate) fn highest(&self) -> usize {
        self.categories[self.categories.len() - 1]
    }

    pub(crate) fn only(&self) -> Option<usize> {
        match self.categories.as_slice() {
            [only] => Some(*only),
            _ => None,
        }
    }
}

pub(crate) fn issues_of(bundle: &Value) -> Vec<Issue> {
    let bytes = serde_json::to_vec(bundle).unwrap();
    let document = Document::parse(bytes, Limits::default()).unwrap();
    ENGINE.check(&document, &CheckContext::at(at()))
}

/// Derives from a Bundle that may not be refused.
pub(crate) fn derive(bundle: &Value, options: &AssessOptions) -> Derived {
    let context = CheckContext::at(at());
    let bytes = serde_json::to_vec(bundle).unwrap();
    let document = Document::parse(bytes, Limits::default()).unwrap();
    let refusing: Vec<Issue> =
        ENGINE.check(&document, &context).into_iter().filter(|issue| issue.severity.refuses()).collect();
    assert!(refusing.is_empty(), "refused: {refusing:#?}");
    derive_unchecked(&document, options)
}

/// Derives whatever the checks would say, as a tolerant caller could.
pub(crate) fn derive_unchecked(document: &Document, options: &AssessOptions) -> Derived {
    let submission = ENGINE.submission(document, &CheckContext::at(at())).unwrap();
    assert_eq!(submission.exams.len(), 1);
    let exam = &submission.exams[0];
    let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
    ENGINE.assess(&exam.key, &bodies, options)
}

pub(crate) fn result_of(derived: &Derived) -> Result {
    let summary = &derived.assessments[0];
    let number = |code: &String| {
        let code = code.strip_prefix("iwgdf-2023.").unwrap();
        CATEGORIES.iter().position(|known| *known == code).unwrap()
    };
    let notes: Vec<&str> = derived.resources[0]["note"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|note| note["text"].as_str())
        .collect();
    let foot = |word: &str| {
        let start = format!("{word} foot by itself: ");
        notes.iter().find_map(|note| note.strip_prefix(&start)).unwrap().to_owned()
    };
    Result {
        categories: summary.categories.iter().map(number).collect(),
        status: summary.status.to_owned(),
        missing: summary.missing.clone(),
        reasons: summary.reasons.clone(),
        contradictions: summary.contradictions.clone(),
        feet: [foot("Left"), foot("Right")],
    }
}

/// The exam in its plainest form.
pub(crate) fn assess(exam: &Exam) -> Result {
    assess_with(exam, &Style::default(), &options())
}

/// The same without the checks, for the many variants of an exam that passed them.
pub(crate) fn assess_variant(exam: &Exam) -> Result {
    let bytes = serde_json::to_vec(&exam.bundle(&Style::default(), &TERMINOLOGY)).unwrap();
    result_of(&derive_unchecked(&Document::parse(bytes, Limits::default()).unwrap(), &options()))
}

pub(crate) fn assess_with(exam: &Exam, style: &Style, options: &AssessOptions) -> Result {
    result_of(&derive(&exam.bundle(style, &TERMINOLOGY), options))
}

/// By counting felt sites: fewer than this many of the protocol is loss.
pub(crate) fn felt_below(limit: u8) -> AssessOptions {
    AssessOptions { monofilament: MonofilamentCriterion::FeltBelow(limit), ..options() }
}

/// Issues that an integration engineer would have to act on.
pub(crate) fn complaints(issues: &[Issue]) -> Vec<&Issue> {
    issues.iter().filter(|issue| issue.severity != Severity::Information).collect()
}
