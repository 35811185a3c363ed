//! [`Refusal`]: why a request was not carried out, as a status and an OperationOutcome.

use serde_json::{Value, json};

/// A request that is not carried out. Nothing is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Refusal {
    /// The HTTP status.
    pub(super) status: u16,
    /// A code of FHIR's list `issue-type`.
    pub(super) code: &'static str,
    /// What is wrong, for people.
    pub(super) text: String,
    /// The number of the Bundle entry at fault.
    pub(super) entry: Option<usize>,
}

impl Refusal {
    pub(super) fn new(status: u16, code: &'static str, text: impl Into<String>) -> Refusal {
        Refusal { status, code, text: text.into(), entry: None }
    }

    /// The document breaks R4 itself.
    pub(super) fn structure(text: impl Into<String>) -> Refusal {
        Refusal::new(400, "structure", text)
    }

    /// A criterion that should single out a resource fits several.
    pub(super) fn several(criterion: &str) -> Refusal {
        Refusal::new(412, "multiple-matches", format!("More than one resource matches {criterion}."))
    }

    /// Names the Bundle entry at fault.
    pub(super) fn in_entry(mut self, entry: usize) -> Refusal {
        self.entry = self.entry.or(Some(entry));
        self
    }

    pub(super) fn outcome(&self) -> Value {
        let mut issue =
            json!({ "severity": "error", "code": self.code, "details": { "text": self.text.as_str() } });
        if let (Some(entry), Some(issue)) = (self.entry, issue.as_object_mut()) {
            issue.insert("expression".to_owned(), json!([format!("Bundle.entry[{entry}]")]));
        }
        json!({ "resourceType": "OperationOutcome", "issue": [issue] })
    }
}
