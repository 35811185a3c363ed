//! Issues as an OperationOutcome.

use serde_json::{Value, json};

use crate::issue::Issue;

/// Code system of the rule ids in `OperationOutcome.issue.details`.
pub const RULE_SYSTEM: &str = "https://solewire.example/fhir/CodeSystem/rule";

const LINE: &str = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-line";
const COLUMN: &str = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-col";

/// An OperationOutcome of `issues` about a document whose resource type is `root`. It is never empty: without issues
/// it says that none were found (R4: `$validate`).
#[must_use]
pub fn operation_outcome(issues: &[Issue], root: &str) -> Value {
    let mut listed: Vec<Value> = issues.iter().map(|issue| outcome_issue(issue, root)).collect();
    if listed.is_empty() {
        listed.push(json!({
            "severity": "information",
            "code": "informational",
            "details": { "text": "No issues found." }
        }));
    }
    json!({ "resourceType": "OperationOutcome", "issue": listed })
}

fn outcome_issue(issue: &Issue, root: &str) -> Value {
    let mut out = serde_json::Map::new();
    if let Some(position) = issue.position {
        out.insert(
            "extension".to_owned(),
            json!([
                { "url": LINE, "valueInteger": position.line },
                { "url": COLUMN, "valueInteger": position.column }
            ]),
        );
    }
    out.insert("severity".to_owned(), json!(issue.severity.code()));
    out.insert("code".to_owned(), json!(issue.issue_type.code()));
    out.insert(
        "details".to_owned(),
        json!({ "coding": [{ "system": RULE_SYSTEM, "code": issue.rule }], "text": issue.message }),
    );
    out.insert("diagnostics".to_owned(), json!(format!("How to mend it: {}", issue.mend)));
    out.insert("expression".to_owned(), json!([issue.expression(root)]));
    Value::Object(out)
}
