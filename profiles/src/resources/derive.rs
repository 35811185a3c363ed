//! From findings to the resources of an exam: assessments, recall, referral, provenance.

use serde_json::{Value, json};
use uuid::Uuid;

use super::{AssessOptions, AssessmentSummary, BASE, Derived, assessment, provenance, requests};
use crate::exam::{ExamKey, FootExam, PanelStatus, project_uuid};
use crate::findings::{Fact, Findings};
use crate::risk::{Category, Guideline, Possibilities, stratify};
use crate::sequence::Sequence;

/// Everything that the resources of an exam are made from.
pub(crate) struct Derivation<'d> {
    pub(crate) key: &'d ExamKey,
    pub(crate) exam: &'d FootExam,
    pub(crate) findings: &'d Findings,
    pub(crate) guidelines: Vec<&'d Guideline>,
    pub(crate) options: &'d AssessOptions,
    /// The exam before; none for the first of a person, or when earlier ones are not asked about.
    pub(crate) sequence: Option<&'d Sequence>,
    /// The RiskAssessments of this exam so far, each with its version.
    pub(crate) so_far: &'d [(i64, &'d Value)],
    /// Whether the exam has no panel and is closed all the same.
    pub(crate) closed: bool,
}

impl Derivation<'_> {
    /// The id of the resource that plays a role in this exam. It stays the same when the exam is derived again.
    pub(super) fn id(&self, role: &str) -> Uuid {
        project_uuid(&format!("{}|{role}", self.key.0))
    }

    pub(super) fn subject(&self) -> Value {
        self.exam.subject.clone().unwrap_or_else(|| json!({}))
    }

    /// References to the resources that count, in their order.
    pub(super) fn basis(&self) -> Vec<Value> {
        let counting = self.exam.sources.iter().filter(|source| source.counts);
        counting.map(|source| json!({ "reference": source.reference })).collect()
    }

    /// Whether more results may come: no final panel has closed the exam, nor has anything else.
    pub(super) fn open(&self) -> bool {
        self.exam.panel.is_open(self.closed)
    }

    pub(super) fn withdrawn(&self) -> bool {
        self.exam.panel == PanelStatus::EnteredInError
    }
}

/// A guideline's verdict on an exam.
pub(super) struct Verdict<'d> {
    pub(super) guideline: &'d Guideline,
    pub(super) person: Possibilities,
    pub(super) left: Possibilities,
    pub(super) right: Possibilities,
}

impl<'d> Verdict<'d> {
    pub(super) fn categories(&self) -> impl Iterator<Item = &'d Category> + '_ {
        self.person.categories.keys().filter_map(|&number| self.guideline.categories.get(number))
    }

    /// The highest category still possible beside an active problem; none when that is certain.
    pub(super) fn highest_category(&self) -> Option<&'d Category> {
        self.categories().filter(|category| !category.active).last()
    }

    /// What the guideline gives, in a word.
    pub(super) fn noun(&self) -> &'static str {
        if self.guideline.gives_probability() { "score" } else { "category" }
    }
}

/// Derives the resources of an exam. The first guideline decides recall and referral; one that gives a probability has
/// no interval and so no recall.
pub(crate) fn derive(derivation: &Derivation<'_>) -> Derived {
    let verdicts: Vec<Verdict<'_>> = derivation
        .guidelines
        .iter()
        .map(|guideline| Verdict {
            guideline,
            person: stratify(guideline, &derivation.findings.person),
            left: stratify(guideline, &derivation.findings.left),
            right: stratify(guideline, &derivation.findings.right),
        })
        .collect();
    let mut resources = Vec::new();
    let mut summaries: Vec<AssessmentSummary> = Vec::new();
    for verdict in &verdicts {
        let (resource, summary) = assessment::assessment(derivation, verdict);
        resources.push(resource);
        summaries.push(summary);
    }
    if let (Some(first), Some(summary)) = (verdicts.first(), summaries.first_mut()) {
        let assessment = format!("RiskAssessment/{}", summary.assessment);
        if let Some((recall, words)) = requests::recall(derivation, first, &assessment) {
            resources.push(recall);
            summary.recall = Some(words);
        }
        if let Some((referral, words)) = requests::referral(derivation, first, &assessment) {
            resources.push(referral);
            summary.referral = Some(words);
        }
    }
    if !resources.is_empty() {
        resources.push(provenance::provenance(derivation, &verdicts, &resources));
    }
    Derived { resources, assessments: summaries }
}

/// A coding of one of our code systems.
pub(super) fn coding(system: &str, code: &str, display: &str) -> Value {
    json!({ "system": format!("{BASE}/CodeSystem/{system}"), "code": code, "display": display })
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Facts in words.
pub(super) fn fact_words(facts: &[Fact]) -> String {
    list(&facts.iter().map(|fact| fact.words().to_owned()).collect::<Vec<_>>())
}
