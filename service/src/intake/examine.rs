//! What can be said of a body before the store is asked: reading it, holding it against everything known, naming its exams.

use std::sync::Arc;

use serde_json::Value;
use solewire_profiles::issue::{Issue, refused};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::submit::SUBMIT_NOTHING;
use solewire_profiles::{CheckContext, Engine, GroupBy, PlacedResource, Submission, SubmittedExam};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use uuid::Uuid;

use super::devices::Sender;
use super::{Expected, LARGEST_BODY, Refusal, Target, devices, identifier_criterion, rules};
use crate::store::{StoredExam, TokenMatch};

/// Most JSON values taken in. The largest exams have a twentieth of them.
const MOST_VALUES: usize = 100_000;

/// Large bodies are worked on one after the other: one alone can take as long as thousands of ordinary ones.
#[derive(Debug, Clone)]
pub struct LargeBodies(Arc<Semaphore>);

impl Default for LargeBodies {
    fn default() -> LargeBodies {
        LargeBodies(Arc::new(Semaphore::new(1)))
    }
}

impl LargeBodies {
    pub(super) async fn turn(&self) -> Result<OwnedSemaphorePermit, Refusal> {
        Arc::clone(&self.0).acquire_owned().await.map_err(|_| Refusal::Crashed)
    }
}

/// A checked submission, ready to be held against the store as often as needed.
pub(super) struct Work {
    pub(super) submission: Submission,
    pub(super) conditions: Vec<(Option<usize>, TokenMatch)>,
    /// The entries that name the id that they are to be stored under.
    pub(super) replacing: Vec<usize>,
    pub(super) entries: usize,
    pub(super) issues: Vec<Issue>,
    pub(super) root: String,
    pub(super) target: Option<Target>,
}

impl Work {
    /// Whether an entry names the id of a resource that the exam does not have. Within a clinic, ids are drawn apart from
    /// those of all others; an id that a caller names could be one of theirs.
    pub(super) fn names_an_id_of_another(&self, stored: Option<&StoredExam>, exam: &SubmittedExam) -> bool {
        let known = |resource: &PlacedResource| {
            let id = resource.id.to_string();
            stored.is_some_and(|stored| {
                let mut held = stored.resources.iter();
                held.any(|held| held.resource_type == resource.resource_type && held.id == id)
            })
        };
        let mut replacing = exam
            .resources
            .iter()
            .filter(|new| new.entry.is_some_and(|entry| self.replacing.contains(&entry)));
        !replacing.all(known)
    }

    pub(super) fn condition(&self, entry: Option<usize>) -> Option<&TokenMatch> {
        self.conditions.iter().find(|(number, _)| *number == entry).map(|(_, token)| token)
    }
}

/// Reads and checks a body that is handed in.
pub(super) fn examine(
    engine: &Engine,
    bytes: Vec<u8>,
    expected: Expected,
    context: &CheckContext,
    header: Option<&TokenMatch>,
    target: Option<Target>,
    devices: Sender<'_>,
) -> Result<Work, Refusal> {
    let document = parse(bytes)?;
    if expected == Expected::Observation {
        expect_type(&document, "Observation")?;
    }
    let mut context = *context;
    if let Some(target) = &target {
        target.expect_id(&document)?;
        // Which exam it belongs to is known; it need not say so by its encounter.
        context.group_by = GroupBy::SubjectAndDay;
    }
    let context = &context;
    // What is wrong with the document is told whole, in the words of the offline check, before what is wrong with
    // handing it in.
    let mut issues = engine.check(&document, context);
    if expected == Expected::Transaction {
        let mut own = rules::check_transaction(document.value());
        document.locate(&mut own);
        issues.extend(own);
    }
    let mut names = rules::check_names(document.value());
    document.locate(&mut names);
    issues.extend(names);
    if refused(&issues) {
        return Err(invalid(issues, &document));
    }
    let submission = engine.submission(&document, context).map_err(|issues| invalid(issues, &document))?;
    if submission.exams.is_empty() {
        let message = "Nothing in the document belongs to a foot exam.";
        let mut issues = vec![Issue::new(&SUBMIT_NOTHING, "", message)];
        document.locate(&mut issues);
        return Err(invalid(issues, &document));
    }
    let mut of_devices = devices::check(engine, devices, &submission.exams);
    if !of_devices.is_empty() {
        document.locate(&mut of_devices);
        issues.extend(of_devices);
        return Err(invalid(issues, &document));
    }
    let conditions = conditions(&document, header)?;
    let entries = match expected {
        Expected::Transaction => document.value().get("entry").and_then(Value::as_array).map_or(0, Vec::len),
        Expected::Observation => 1,
    };
    let replacing = replacing(&document);
    Ok(Work { submission, conditions, replacing, entries, issues, root: root(&document), target })
}

fn replacing(document: &Document) -> Vec<usize> {
    let entries = document.value().get("entry").and_then(Value::as_array).into_iter().flatten();
    let names_an_id = |entry: &Value| {
        let text = |pointer: &str| entry.pointer(pointer).and_then(Value::as_str);
        let id = text("/request/url").and_then(|url| url.rsplit('/').next());
        text("/request/method") == Some("PUT") && id.is_some_and(|id| Uuid::try_parse(id).is_ok())
    };
    entries.enumerate().filter(|(_, entry)| names_an_id(entry)).map(|(number, _)| number).collect()
}

/// The conditions of entries, or of the one resource.
fn conditions(
    document: &Document,
    header: Option<&TokenMatch>,
) -> Result<Vec<(Option<usize>, TokenMatch)>, Refusal> {
    if let Some(token) = header {
        return Ok(vec![(None, token.clone())]);
    }
    let mut conditions = Vec::new();
    let mut issues = Vec::new();
    let entries = document.value().get("entry").and_then(Value::as_array);
    for (number, entry) in entries.into_iter().flatten().enumerate() {
        let Some(text) = entry.pointer("/request/ifNoneExist").and_then(Value::as_str) else { continue };
        match identifier_criterion(text) {
            Some(token) => conditions.push((Some(number), token)),
            None => issues.push(rules::criterion_issue(format!("/entry/{number}/request/ifNoneExist"))),
        }
    }
    if issues.is_empty() {
        return Ok(conditions);
    }
    document.locate(&mut issues);
    Err(invalid(issues, document))
}

pub(super) fn parse(bytes: Vec<u8>) -> Result<Document, Refusal> {
    let limits = Limits { bytes: LARGEST_BODY, values: MOST_VALUES, ..Limits::default() };
    Document::parse(bytes, limits).map_err(Refusal::Unreadable)
}

fn expect_type(document: &Document, expected: &str) -> Result<(), Refusal> {
    if root(document) == expected {
        return Ok(());
    }
    let mut issues = vec![rules::type_issue(expected)];
    document.locate(&mut issues);
    Err(issues
        .pop()
        .map_or_else(|| invalid(Vec::new(), document), |issue| Refusal::WrongType(Box::new(issue))))
}

pub(super) fn invalid(issues: Vec<Issue>, document: &Document) -> Refusal {
    Refusal::Invalid { issues, root: root(document) }
}

/// The resource type, if it looks like one; it ends up in expressions.
pub(super) fn root(document: &Document) -> String {
    let named = document.value().get("resourceType").and_then(Value::as_str);
    named
        .filter(|name| name.len() <= 64 && name.bytes().all(|byte| byte.is_ascii_alphabetic()))
        .unwrap_or("Resource")
        .to_owned()
}
