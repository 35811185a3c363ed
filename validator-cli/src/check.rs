//! From the bytes of one document to what the engine says about it.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;

use jiff::Timestamp;
use serde_json::Value;
use solewire_profiles::issue::{Issue, expression};
use solewire_profiles::json::{Document, JSON_LIMIT, Limits, Position};
use solewire_profiles::{CheckContext, Engine};

use crate::args::EngineArguments;
use crate::console::Console;
use crate::exit::Exit;
use crate::input::{Content, Reading, Record, Source};
use crate::site_files;

/// Stands for a document in expressions when it does not say its type.
const UNTYPED: &str = "Resource";

/// The engine with the circumstances of the run.
#[derive(Debug)]
pub(crate) struct Checker {
    pub(crate) engine: Engine,
    pub(crate) context: CheckContext,
    limits: Limits,
    /// Whether to tell which profiles each resource was held against.
    pub(crate) traces: bool,
}

/// What came of one document.
#[derive(Debug)]
pub(crate) struct Checked {
    /// The line of an NDJSON record.
    pub(crate) line: Option<usize>,
    /// The resource type, as the root of expressions.
    pub(crate) root: String,
    /// In a Bundle: the resource type of every entry, in order.
    pub(crate) entries: Vec<String>,
    /// The profiles that its resources were held against, a line each, where asked for.
    pub(crate) trace: Vec<String>,
    pub(crate) outcome: Outcome,
}

#[derive(Debug)]
pub(crate) enum Outcome {
    /// It was read and checked; there is no document when the text is not JSON.
    Checked { issues: Vec<Issue>, document: Option<Document> },
    /// It holds nothing to check.
    Skipped(&'static str),
    /// It could not be read or checked.
    Unread(String),
}

/// The engine with the definitions in some folders.
///
/// # Errors
/// How the run ends when they cannot be used; the reason has been said.
pub(crate) fn engine(folders: &[PathBuf], console: Console) -> Result<Engine, Exit> {
    let files = site_files::read(folders).map_err(|reason| {
        console.fault(&format!("--profiles {reason}"));
        Exit::Usage
    })?;
    Engine::with_site_files(&files).map_err(|error| {
        if files.is_empty() {
            console.fault(&format!("The built-in definitions cannot be used: {error}"));
            return Exit::Fault;
        }
        console.fault(&format!("--profiles: {error}"));
        Exit::Usage
    })
}

impl Checked {
    /// The same, without holding on to the text.
    pub(crate) fn without_text(mut self) -> Checked {
        if let Outcome::Checked { document, .. } = &mut self.outcome {
            *document = None;
        }
        self
    }
}

impl Checker {
    /// Loads the engine.
    ///
    /// # Errors
    /// How the run ends when the arguments cannot be followed; the reason has been said.
    pub(crate) fn load(arguments: &EngineArguments, console: Console) -> Result<Checker, Exit> {
        let engine = engine(&arguments.profiles, console)?;
        let at = arguments.at.unwrap_or_else(Timestamp::now);
        Ok(Checker { engine, context: CheckContext::at(at), limits: Limits::default(), traces: false })
    }

    /// How documents are read that nothing tells the fingerprints of.
    pub(crate) fn reading(&self) -> Reading {
        Reading { limit: self.limits.bytes, fingerprints: false }
    }

    /// Which profiles the resources of a document were held against.
    fn trace(&self, document: &Document, root: &str) -> Vec<String> {
        let held = self.engine.profiles_of(document);
        held.into_iter()
            .map(|(at, urls)| format!("{}: {}.", expression(root, &at), urls.join(", ")))
            .collect()
    }

    /// Checks one record of a source.
    pub(crate) fn check(&self, source: &Source, record: Record) -> Checked {
        let line = record.line.map(|(line, _)| line);
        let origin =
            record.line.map_or(Position::START, |(line, offset)| Position { line, column: 1, offset });
        let untyped = |outcome| Checked {
            line,
            root: UNTYPED.to_owned(),
            entries: Vec::new(),
            trace: Vec::new(),
            outcome,
        };
        let bytes = match record.content {
            Content::Unreadable(reason) => return untyped(Outcome::Unread(reason)),
            Content::Unfit(reason) => return untyped(Outcome::Skipped(reason)),
            Content::TooLarge => {
                let message =
                    format!("The text has more than {} bytes, which is the limit.", self.limits.bytes);
                let issues = vec![Issue::new(&JSON_LIMIT, "", message).at(origin)];
                return untyped(Outcome::Checked { issues, document: None });
            }
            Content::Bytes(bytes) => bytes,
        };
        // One document that trips the engine must not keep the others from being checked.
        let attempt = catch_unwind(AssertUnwindSafe(|| {
            let document = match Document::parse_at(bytes, self.limits, origin) {
                Ok(document) => document,
                Err(issues) => return (UNTYPED.to_owned(), Ok((issues, None))),
            };
            let root = root(document.value());
            let found_by_search = !source.named && record.line.is_none();
            if found_by_search && !mentions_resources(document.value()) {
                return (root, Err("JSON, but no FHIR resource"));
            }
            let issues = self.engine.check(&document, &self.context);
            (root, Ok((issues, Some(document))))
        }));
        match attempt {
            Err(_) => untyped(Outcome::Unread("a fault of this program stopped the check".to_owned())),
            Ok((root, Err(reason))) => Checked { root, ..untyped(Outcome::Skipped(reason)) },
            Ok((root, Ok((issues, document)))) => {
                let entries = document.as_ref().map(|document| entries(document.value())).unwrap_or_default();
                let trace = document.as_ref().filter(|_| self.traces);
                let trace = trace.map(|document| self.trace(document, &root)).unwrap_or_default();
                Checked { line, root, entries, trace, outcome: Outcome::Checked { issues, document } }
            }
        }
    }
}

/// The resource type, when it has the form of one: expressions and reports never carry arbitrary text.
fn root(value: &Value) -> String {
    value
        .get("resourceType")
        .and_then(Value::as_str)
        .filter(|name| name.len() <= 40 && name.bytes().all(|byte| byte.is_ascii_alphabetic()))
        .filter(|name| !name.is_empty())
        .unwrap_or(UNTYPED)
        .to_owned()
}

fn entries(value: &Value) -> Vec<String> {
    let entries = value.get("entry").and_then(Value::as_array);
    entries
        .into_iter()
        .flatten()
        .map(|entry| entry.get("resource").map_or(UNTYPED.to_owned(), root))
        .collect()
}

fn mentions_resources(value: &Value) -> bool {
    match value {
        Value::Array(items) => items.iter().any(|item| item.get("resourceType").is_some()),
        other => other.get("resourceType").is_some(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_form_of_a_type_name_becomes_a_root() {
        for (text, wanted) in [
            (r#"{"resourceType":"Bundle"}"#, "Bundle"),
            (r#"{"resourceType":"Mx. Example 12"}"#, UNTYPED),
            (r#"{"resourceType":""}"#, UNTYPED),
            (r#"{"resourceType":3}"#, UNTYPED),
            ("[]", UNTYPED),
        ] {
            assert_eq!(root(&serde_json::from_str(text).unwrap()), wanted, "{text}");
        }
    }
}
