//! The report as FHIR OperationOutcomes, one a line for each document.

use serde_json::{Value, json};
use solewire_profiles::issue::Issue;
use solewire_profiles::resources::operation_outcome;

use super::text::count;
use super::{Counts, Entry, Reporter, Totals, Verdict, one_line};

/// OperationOutcomes. `meta.source` names the file, with the line of an NDJSON record as its fragment.
pub(super) struct Outcomes {
    show_values: bool,
}

impl Outcomes {
    pub(super) fn new(show_values: bool) -> Outcomes {
        Outcomes { show_values }
    }
}

impl Reporter for Outcomes {
    fn entry(&mut self, out: &mut String, entry: &Entry<'_>) {
        match &entry.verdict {
            Verdict::Checked { issues, unlisted } => {
                out.push_str(&outcome_line(entry, issues, *unlisted, self.show_values));
            }
            Verdict::Unread(reason) => {
                let outcome = json!({
                    "resourceType": "OperationOutcome",
                    "meta": { "source": source(entry) },
                    "issue": [{
                        "severity": "fatal",
                        "code": "exception",
                        "details": { "text": format!("The document could not be read: {reason}.") }
                    }]
                });
                out.push_str(&one_line(&outcome));
            }
            Verdict::Skipped(_) => return,
        }
        out.push('\n');
    }

    fn stale(&mut self, out: &mut String, entries: &[String]) {
        if entries.is_empty() {
            return;
        }
        let issues: Vec<Value> = entries
            .iter()
            .map(|text| json!({ "severity": "information", "code": "informational", "details": { "text": text } }))
            .collect();
        out.push_str(&one_line(&json!({ "resourceType": "OperationOutcome", "issue": issues })));
        out.push('\n');
    }

    fn finish(&mut self, out: &mut String, totals: &Totals) {
        if totals.incomplete {
            let outcome = json!({
                "resourceType": "OperationOutcome",
                "issue": [{
                    "severity": "error",
                    "code": "incomplete",
                    "details": { "text": "The run ended before everything was read." }
                }]
            });
            out.push_str(&one_line(&outcome));
            out.push('\n');
        }
    }
}

/// The issues of a document as an OperationOutcome on one line.
pub(crate) fn outcome_line(
    entry: &Entry<'_>,
    issues: &[Issue],
    unlisted: Counts,
    show_values: bool,
) -> String {
    let mut outcome = operation_outcome(issues, entry.root);
    if let Some(listed) = outcome.get_mut("issue").and_then(Value::as_array_mut) {
        if show_values {
            for (listed, issue) in listed.iter_mut().zip(issues) {
                if let (Some(value), Some(Value::String(text))) =
                    (&issue.value, listed.get_mut("diagnostics"))
                {
                    text.push_str(&format!(" Value: {value}"));
                }
            }
        }
        if unlisted.all() > 0 {
            if issues.is_empty() {
                // In place of the sentence that none were found.
                listed.clear();
            }
            let severity = match unlisted {
                Counts { errors: 1.., .. } => "error",
                Counts { warnings: 1.., .. } => "warning",
                Counts { .. } => "information",
            };
            let text = format!("{} not listed here.", count(unlisted.all(), "further issue"));
            listed
                .push(json!({ "severity": severity, "code": "informational", "details": { "text": text } }));
        }
    }
    let mut ordered = json!({ "resourceType": "OperationOutcome", "meta": { "source": source(entry) } });
    if let (Value::Object(ordered), Value::Object(outcome)) = (&mut ordered, outcome) {
        ordered.extend(outcome);
    }
    one_line(&ordered)
}

fn source(entry: &Entry<'_>) -> String {
    match entry.line {
        Some(line) => format!("{}#line={line}", entry.name.uri),
        None => entry.name.uri.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples::render;

    #[test]
    fn one_outcome_a_document_that_was_opened() {
        let text = render(Box::new(Outcomes::new(false)));
        let outcomes: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        assert_eq!(outcomes.len(), 3);
        assert!(outcomes.iter().all(|outcome| outcome["resourceType"] == "OperationOutcome"));
        assert_eq!(outcomes[0]["meta"]["source"], "exams/a%1B%0A%5D%5D%3E.json");
        assert_eq!(outcomes[0]["issue"][0]["severity"], "fatal");
        assert_eq!(outcomes[0]["issue"][0]["expression"][0], "Bundle.entry[1].resource.code");
        assert_eq!(outcomes[1]["meta"]["source"], "exams/b.ndjson#line=4");
        assert_eq!(outcomes[2]["issue"][0]["code"], "exception");
        assert!(!text.contains("hidden-value"));
    }

    #[test]
    fn unlisted_errors_still_read_as_errors() {
        let name = crate::input::Name { shown: "a.json".to_owned(), uri: "a.json".to_owned() };
        let unlisted = Counts { errors: 3, warnings: 1, notes: 0 };
        let verdict = Verdict::Checked { issues: &[], unlisted };
        let entry = Entry { name: &name, line: None, root: "Bundle", entries: &[], verdict };
        let outcome: Value = serde_json::from_str(&outcome_line(&entry, &[], unlisted, false)).unwrap();
        assert_eq!(outcome["issue"].as_array().unwrap().len(), 1);
        assert_eq!(outcome["issue"][0]["severity"], "error");
        assert_eq!(outcome["issue"][0]["details"]["text"], "4 further issues not listed here.");
    }
}
