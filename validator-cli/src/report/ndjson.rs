//! The report as lines of JSON: one for each document, then one with the totals.

use serde_json::{Value, json};

use super::json::{document, summary, with_stale};
use super::{Entry, Reporter, SCHEMA_VERSION, Totals, one_line};

/// JSON lines. The member `kind` tells a document from the summary.
pub(super) struct Ndjson {
    show_values: bool,
    stale: Vec<String>,
}

impl Ndjson {
    pub(super) fn new(show_values: bool) -> Ndjson {
        Ndjson { show_values, stale: Vec::new() }
    }
}

impl Reporter for Ndjson {
    fn entry(&mut self, out: &mut String, entry: &Entry<'_>) {
        push(out, "document", document(entry, self.show_values));
    }

    fn stale(&mut self, _out: &mut String, entries: &[String]) {
        self.stale = entries.to_vec();
    }

    fn finish(&mut self, out: &mut String, totals: &Totals) {
        push(out, "summary", with_stale(summary(totals), &self.stale));
    }
}

fn push(out: &mut String, kind: &str, content: Value) {
    let mut line = json!({ "schema_version": SCHEMA_VERSION, "kind": kind });
    if let (Value::Object(line), Value::Object(content)) = (&mut line, content) {
        line.extend(content);
    }
    out.push_str(&one_line(&line));
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples::render;

    #[test]
    fn every_line_stands_alone() {
        let text = render(Box::new(Ndjson::new(false)));
        let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let kinds: Vec<&str> = lines.iter().map(|line| line["kind"].as_str().unwrap()).collect();
        assert_eq!(kinds, ["document", "document", "document", "document", "summary"]);
        assert!(lines.iter().all(|line| line["schema_version"] == SCHEMA_VERSION));
        assert_eq!(lines[0]["issues"][0]["rule"], "json-duplicate-key");
        assert_eq!(lines[4]["errors"], 2);
    }
}
