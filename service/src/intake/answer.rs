//! What a caller is told about an accepted submission. Kept under an idempotency key, so it can be told again.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use solewire_profiles::issue::Issue;
use solewire_profiles::resources::{EXCHANGED, LOWER, operation_outcome};

/// An accepted submission.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Accepted {
    /// What became of each entry, in the order of the document; a lone resource is one entry.
    pub entries: Vec<EntryAnswer>,
    /// Ids of the RiskAssessments that hold now.
    pub assessments: Vec<String>,
    /// Whether anything was new.
    pub changed: bool,
}

/// What became of one entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EntryAnswer {
    /// What was done.
    pub done: Done,
    /// The resource it led to; none for an entry that only gives context.
    pub resource: Option<Placed>,
    /// An OperationOutcome: what follows from the exam, and what somebody should look at.
    pub outcome: Option<Value>,
}

/// What was done with an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Done {
    /// Stored as new.
    Created,
    /// Stored as a new version.
    Updated,
    /// Known already, just so.
    Unchanged,
    /// Only context: read, neither stored nor forwarded.
    Context,
}

/// Where a resource stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Placed {
    /// Its type.
    pub resource_type: String,
    /// Its id.
    pub id: String,
    /// Its version.
    pub version: i64,
    /// When that version was stored, in milliseconds since 1970.
    pub updated: i64,
}

impl EntryAnswer {
    /// The answer to an entry that only gives context.
    pub(super) fn context() -> EntryAnswer {
        EntryAnswer { done: Done::Context, resource: None, outcome: None }
    }

    /// Adds issues to the outcome.
    pub(super) fn note(&mut self, issues: &[Issue], root: &str) {
        if !issues.is_empty() {
            self.append(operation_outcome(issues, root));
        }
    }

    /// Adds what an assessment says to the outcome.
    pub(super) fn note_assessment(&mut self, assessment: &Value) {
        let text = describe(assessment);
        self.append(json!({
            "resourceType": "OperationOutcome",
            "issue": [{ "severity": "information", "code": "informational", "details": { "text": text } }]
        }));
        // What somebody has to look at before relying on the category.
        let notes = assessment.get("note").and_then(Value::as_array).into_iter().flatten();
        let texts = notes.filter_map(|note| note.get("text")?.as_str());
        for text in texts.filter(|text| text.starts_with(LOWER) || text.starts_with(EXCHANGED)) {
            self.append(json!({
                "resourceType": "OperationOutcome",
                "issue": [{ "severity": "warning", "code": "business-rule", "details": { "text": text } }]
            }));
        }
    }

    /// Adds which assessments of later exams of the same person were made again.
    pub(super) fn note_later(&mut self, assessments: &[String]) {
        if assessments.is_empty() {
            return;
        }
        let references: Vec<String> = assessments.iter().map(|id| format!("RiskAssessment/{id}")).collect();
        let text = format!("Later exams of the same person were assessed again: {}.", references.join(", "));
        self.append(json!({
            "resourceType": "OperationOutcome",
            "issue": [{ "severity": "information", "code": "informational", "details": { "text": text } }]
        }));
    }

    fn append(&mut self, mut outcome: Value) {
        let Some(Value::Array(mut old)) =
            self.outcome.take().and_then(|mut old| Some(old.get_mut("issue")?.take()))
        else {
            self.outcome = Some(outcome);
            return;
        };
        if let Some(Value::Array(new)) = outcome.get_mut("issue") {
            old.append(new);
            *new = old;
        }
        self.outcome = Some(outcome);
    }
}

/// An assessment in a line: by which guideline, which category or categories, where.
fn describe(assessment: &Value) -> String {
    let at = |pointer: &str| assessment.pointer(pointer).and_then(Value::as_str).unwrap_or("unknown");
    let predictions = assessment.get("prediction").and_then(Value::as_array);
    let categories: Vec<String> = predictions
        .into_iter()
        .flatten()
        .filter_map(|prediction| {
            let risk = prediction.get("qualitativeRisk")?;
            let code = risk.pointer("/coding/0/code")?.as_str()?;
            Some(match risk.get("text").and_then(Value::as_str) {
                Some(display) => format!("{code} ({display})"),
                None => code.to_owned(),
            })
        })
        .collect();
    let result = if categories.is_empty() { "no category".to_owned() } else { categories.join(" to ") };
    format!("RiskAssessment/{}, {}, {}: {result}.", at("/id"), at("/method/coding/0/code"), at("/status"))
}
