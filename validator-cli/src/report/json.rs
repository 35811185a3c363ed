//! The report as one JSON object, described by `report.schema.json`.

use serde_json::{Value, json};
use solewire_profiles::issue::Issue;

use super::{Entry, Reporter, SCHEMA_VERSION, Totals, Verdict, one_line};

/// One JSON object: its documents one to a line.
pub(super) struct Json {
    show_values: bool,
    first: bool,
    stale: Vec<String>,
}

impl Json {
    pub(super) fn new(show_values: bool) -> Json {
        Json { show_values, first: true, stale: Vec::new() }
    }
}

impl Reporter for Json {
    fn begin(&mut self, out: &mut String) {
        let tool = one_line(&tool());
        out.push_str(&format!("{{\"schema_version\":{SCHEMA_VERSION},\"tool\":{tool},\"documents\":["));
    }

    fn entry(&mut self, out: &mut String, entry: &Entry<'_>) {
        out.push_str(if self.first { "\n" } else { ",\n" });
        self.first = false;
        out.push_str(&one_line(&document(entry, self.show_values)));
    }

    fn stale(&mut self, _out: &mut String, entries: &[String]) {
        self.stale = entries.to_vec();
    }

    fn finish(&mut self, out: &mut String, totals: &Totals) {
        let summary = with_stale(summary(totals), &self.stale);
        out.push_str(&format!("\n],\"summary\":{}}}\n", one_line(&summary)));
    }
}

fn tool() -> Value {
    json!({ "name": env!("CARGO_PKG_NAME"), "version": env!("CARGO_PKG_VERSION") })
}

/// A document as the JSON and NDJSON reports give it.
pub(super) fn document(entry: &Entry<'_>, show_values: bool) -> Value {
    let mut out = json!({ "file": entry.name.shown });
    let Some(members) = out.as_object_mut() else { return out };
    if let Some(line) = entry.line {
        members.insert("line".to_owned(), json!(line));
    }
    match &entry.verdict {
        Verdict::Checked { issues, unlisted } => {
            let listed: Vec<Value> =
                issues.iter().map(|found| issue(found, entry.root, show_values)).collect();
            members.insert("status".to_owned(), json!("checked"));
            members.insert("resource_type".to_owned(), json!(entry.root));
            members.insert("issues".to_owned(), json!(listed));
            members.insert("unlisted_issues".to_owned(), json!(unlisted.all()));
        }
        Verdict::Skipped(reason) => {
            members.insert("status".to_owned(), json!("skipped"));
            members.insert("reason".to_owned(), json!(reason));
        }
        Verdict::Unread(reason) => {
            members.insert("status".to_owned(), json!("unread"));
            members.insert("reason".to_owned(), json!(reason));
        }
    }
    out
}

/// An issue as the JSON and NDJSON reports give it.
fn issue(issue: &Issue, root: &str, show_values: bool) -> Value {
    let mut out = json!({
        "severity": issue.severity.code(),
        "type": issue.issue_type.code(),
        "rule": issue.rule,
        "message": issue.message,
        "mend": issue.mend,
        "expression": issue.expression(root),
        "pointer": issue.pointer,
    });
    let Some(members) = out.as_object_mut() else { return out };
    if let Some(position) = issue.position {
        members.insert("line".to_owned(), json!(position.line));
        members.insert("column".to_owned(), json!(position.column));
        members.insert("offset".to_owned(), json!(position.offset));
    }
    if let Some(value) = issue.value.as_deref().filter(|_| show_values) {
        members.insert("value".to_owned(), json!(value));
    }
    out
}

/// The totals with the entries of the baseline that accept nothing any more, where there are any.
pub(super) fn with_stale(mut summary: Value, entries: &[String]) -> Value {
    if let (false, Some(members)) = (entries.is_empty(), summary.as_object_mut()) {
        members.insert("stale_baseline_entries".to_owned(), json!(entries));
    }
    summary
}

/// The totals as the JSON and NDJSON reports give them.
pub(crate) fn summary(totals: &Totals) -> Value {
    json!({
        "files": totals.files,
        "documents": totals.documents,
        "skipped": totals.skipped,
        "unread": totals.unread,
        "errors": totals.issues.errors,
        "warnings": totals.issues.warnings,
        "notes": totals.issues.notes,
        "accepted": totals.accepted,
        "complete": !totals.incomplete,
        "truncated": totals.unlisted > 0,
        "unlisted_issues": totals.unlisted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples::render;

    const SCHEMA: &str = include_str!("../../report.schema.json");

    #[test]
    fn the_report_is_as_its_schema_says() {
        let schema: Value = serde_json::from_str(SCHEMA).unwrap();
        let validator = jsonschema::validator_for(&schema).unwrap();
        for show_values in [false, true] {
            let text = render(Box::new(Json::new(show_values)));
            let report: Value = serde_json::from_str(&text).unwrap();
            let errors: Vec<String> = validator.iter_errors(&report).map(|error| error.to_string()).collect();
            assert!(errors.is_empty(), "{errors:#?}");
            assert_eq!(text.contains("hidden-value"), show_values);
        }
    }

    #[test]
    fn every_member() {
        insta::assert_snapshot!(render(Box::new(Json::new(false))));
    }
}
