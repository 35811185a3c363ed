//! The report as SARIF 2.1.0 (OASIS standard, 2020).

use std::collections::HashMap;

use serde_json::{Value, json};
use solewire_profiles::definitions::BaseTables;
use solewire_profiles::invariants::{INVARIANT, published};
use solewire_profiles::issue::{Issue, Rule, Severity};

use super::{Entry, Reporter, Totals, Verdict, one_line};
use crate::input::Name;

/// The fingerprint of a result, in a form that may change only together with this name.
const FINGERPRINT: &str = "solewireIssue/v1";

/// A SARIF log with one run.
pub(super) struct Sarif {
    show_values: bool,
    first: bool,
    rules: Vec<Value>,
    /// Place of each rule in `rules`.
    places: HashMap<String, usize>,
    /// How often a rule was broken at a place of the current file.
    seen: HashMap<(String, String), usize>,
    notifications: Vec<Value>,
}

impl Sarif {
    pub(super) fn new(show_values: bool) -> Sarif {
        let mut sarif = Sarif {
            show_values,
            first: true,
            rules: Vec::new(),
            places: HashMap::new(),
            seen: HashMap::new(),
            notifications: Vec::new(),
        };
        for rule in solewire_profiles::rules() {
            sarif.places.insert(rule.id.to_owned(), sarif.rules.len());
            sarif.rules.push(descriptor(rule));
        }
        sarif
    }

    /// The place of a rule in the list, which grows for the keys of conditions.
    fn place(&mut self, id: &str) -> usize {
        if let Some(&place) = self.places.get(id) {
            return place;
        }
        let place = self.rules.len();
        self.places.insert(id.to_owned(), place);
        self.rules.push(condition(id).unwrap_or_else(|| json!({ "id": id })));
        place
    }

    fn result(&mut self, entry: &Entry<'_>, issue: &Issue) -> Value {
        let expression = issue.expression(entry.root);
        let occurrence = self.seen.entry((issue.rule.to_string(), expression.clone())).or_default();
        *occurrence += 1;
        let fingerprint = fingerprint(&[&issue.rule, &entry.name.uri, &expression, &occurrence.to_string()]);
        let mut physical = json!({ "artifactLocation": { "uri": entry.name.uri } });
        if let (Some(position), Some(physical)) = (issue.position, physical.as_object_mut()) {
            let region = json!({ "startLine": position.line, "startColumn": position.column });
            physical.insert("region".to_owned(), region);
        }
        let mut properties = json!({ "severity": issue.severity.code() });
        if let (true, Some(value), Some(properties)) =
            (self.show_values, &issue.value, properties.as_object_mut())
        {
            properties.insert("value".to_owned(), json!(value));
        }
        json!({
            "ruleId": issue.rule,
            "ruleIndex": self.place(&issue.rule),
            "level": level(issue.severity),
            "message": { "text": format!("{} {}", issue.message, issue.mend) },
            "locations": [{
                "physicalLocation": physical,
                "logicalLocations": [{ "fullyQualifiedName": expression, "kind": "element" }]
            }],
            "partialFingerprints": { FINGERPRINT: fingerprint },
            "properties": properties,
        })
    }
}

impl Reporter for Sarif {
    fn begin(&mut self, out: &mut String) {
        out.push_str(
            "{\"$schema\":\"https://json.schemastore.org/sarif-2.1.0.json\",\"version\":\"2.1.0\",\"runs\":[{\"results\":[",
        );
    }

    fn entry(&mut self, out: &mut String, entry: &Entry<'_>) {
        match &entry.verdict {
            Verdict::Checked { issues, .. } => {
                for issue in *issues {
                    out.push_str(if self.first { "\n" } else { ",\n" });
                    self.first = false;
                    let result = self.result(entry, issue);
                    out.push_str(&one_line(&result));
                }
            }
            Verdict::Unread(reason) => self.notifications.push(json!({
                "level": "error",
                "message": { "text": format!("The document could not be read: {reason}.") },
                "locations": [{ "physicalLocation": { "artifactLocation": { "uri": entry.name.uri } } }],
            })),
            Verdict::Skipped(_) => {}
        }
    }

    fn end_file(&mut self, _out: &mut String, _name: &Name, _totals: &Totals) {
        self.seen.clear();
    }

    fn stale(&mut self, _out: &mut String, entries: &[String]) {
        let notifications =
            entries.iter().map(|text| json!({ "level": "note", "message": { "text": text } }));
        self.notifications.extend(notifications);
    }

    fn finish(&mut self, out: &mut String, totals: &Totals) {
        let tool = json!({ "driver": {
            "name": env!("CARGO_PKG_NAME"),
            "version": env!("CARGO_PKG_VERSION"),
            "semanticVersion": env!("CARGO_PKG_VERSION"),
            "rules": self.rules,
        } });
        let invocation = json!({
            "executionSuccessful": totals.unread == 0 && !totals.incomplete,
            "toolExecutionNotifications": self.notifications,
        });
        let properties = json!({
            "complete": !totals.incomplete,
            "truncated": totals.unlisted > 0,
            "unlistedIssues": totals.unlisted,
        });
        out.push_str(&format!(
            "\n],\"columnKind\":\"unicodeCodePoints\",\"tool\":{},\"invocations\":[{}],\"properties\":{}}}]}}\n",
            one_line(&tool),
            one_line(&invocation),
            one_line(&properties)
        ));
    }
}

fn descriptor(rule: &Rule) -> Value {
    json!({
        "id": rule.id,
        "shortDescription": { "text": rule.summary },
        "fullDescription": { "text": rule.why },
        "help": { "text": rule.mend },
        "defaultConfiguration": { "level": level(rule.severity) },
        "properties": { "source": rule.source },
    })
}

/// The descriptor of a condition of R4; none for one that a profile states.
fn condition(key: &str) -> Option<Value> {
    let conditions = published(BaseTables::builtin());
    let condition = conditions.iter().find(|condition| condition.key == key)?;
    Some(json!({
        "id": key,
        "shortDescription": { "text": condition.human },
        "help": { "text": INVARIANT.mend },
        "defaultConfiguration": { "level": level(condition.severity) },
        "properties": { "source": INVARIANT.source },
    }))
}

fn level(severity: Severity) -> &'static str {
    match severity {
        Severity::Fatal | Severity::Error => "error",
        Severity::Warning => "warning",
        Severity::Information => "note",
    }
}

/// FNV-1a, 64 bits, over the parts with a separator. It tells results apart; it protects nothing.
fn fingerprint(parts: &[&str]) -> String {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    for byte in parts.iter().flat_map(|part| part.bytes().chain([0])) {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    format!("{hash:016x}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples::render;

    #[test]
    fn the_members_that_the_standard_requires() {
        let log: Value = serde_json::from_str(&render(Box::new(Sarif::new(false)))).unwrap();
        assert_eq!(log["version"], "2.1.0");
        let run = &log["runs"][0];
        let driver = &run["tool"]["driver"];
        assert_eq!(driver["name"], "solewire-check");
        let rules = driver["rules"].as_array().unwrap();
        let results = run["results"].as_array().unwrap();
        assert_eq!(results.len(), 4);
        for result in results {
            let place = usize::try_from(result["ruleIndex"].as_u64().unwrap()).unwrap();
            assert_eq!(rules[place]["id"], result["ruleId"]);
            assert!(!result["message"]["text"].as_str().unwrap().is_empty());
            assert!(["error", "warning", "note"].contains(&result["level"].as_str().unwrap()));
            let location = &result["locations"][0]["physicalLocation"];
            assert!(location["artifactLocation"]["uri"].as_str().unwrap().starts_with("exams/"));
            assert!(location["region"]["startLine"].as_u64().unwrap() >= 1);
        }
        assert_eq!(run["invocations"][0]["executionSuccessful"], false);
        assert_eq!(run["invocations"][0]["toolExecutionNotifications"].as_array().unwrap().len(), 1);
    }

    #[test]
    fn fingerprints_are_stable_and_distinct() {
        let prints = || -> Vec<String> {
            let log: Value = serde_json::from_str(&render(Box::new(Sarif::new(false)))).unwrap();
            let results = log["runs"][0]["results"].as_array().unwrap().clone();
            results.iter().map(|result| result["partialFingerprints"][FINGERPRINT].to_string()).collect()
        };
        let mut first = prints();
        assert_eq!(first, prints());
        first.sort();
        first.dedup();
        assert_eq!(first.len(), 4);
        // The published test vector of FNV-1a for the empty text.
        assert_eq!(fingerprint(&[]), "cbf29ce484222325");
    }
}
