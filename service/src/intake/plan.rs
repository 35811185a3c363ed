//! What a submission changes about one exam. Pure: what is stored, what came and what follows are arguments.

use serde_json::Value;
use solewire_profiles::{ExamKey, SubmittedExam};

use super::payload::{Occasion, Outgoing, payload};
use super::priority::{priority, withdraws};
use crate::store::{ExamChange, ResourceWrite, StoredExam, StoredResource};

/// What becomes of one submitted resource.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    Created,
    Updated,
    Unchanged,
}

/// What becomes of a submission's part in one exam.
#[derive(Debug)]
pub(super) struct Plan {
    /// What to write; none when the exam is known already just so.
    pub(super) change: Option<ExamChange>,
    /// For each submitted resource in order: its fate, its version, and the time of that version if it is an old one.
    pub(super) fates: Vec<(Fate, i64, Option<i64>)>,
    /// The RiskAssessments that hold from now on.
    pub(super) assessments: Vec<Value>,
}

/// The resources of an exam as they will stand, before anything is derived: stored and submitted ones, the submitted
/// in the place of stored ones of the same type and id.
pub(super) fn merged<'a>(stored: Option<&'a StoredExam>, submitted: &'a SubmittedExam) -> Vec<&'a Value> {
    let mut bodies: Vec<&Value> = Vec::new();
    for old in stored.iter().flat_map(|exam| &exam.resources).filter(|old| !old.derived) {
        let new = submitted
            .resources
            .iter()
            .rfind(|new| new.resource_type == old.resource_type && new.id.to_string() == old.id);
        bodies.push(new.map_or(&old.body, |new| &new.body));
    }
    for new in &submitted.resources {
        if stored_as(stored, &new.resource_type, &new.id.to_string()).is_none() {
            bodies.push(&new.body);
        }
    }
    bodies
}

/// Plans the change. `derive` is asked only when something is new.
pub(super) fn plan(
    stored: Option<&StoredExam>,
    submitted: &SubmittedExam,
    forward: bool,
    derive: impl FnOnce(&ExamKey, &[&Value]) -> Vec<Value>,
) -> Plan {
    let key = stored.map_or_else(|| submitted.key.clone(), |exam| exam.key.clone());
    let mut writes: Vec<ResourceWrite> = Vec::new();
    let mut fates = Vec::new();
    for new in &submitted.resources {
        let id = new.id.to_string();
        let old = stored_as(stored, &new.resource_type, &id);
        match old {
            Some(old) if same_content(&old.body, &new.body) => {
                fates.push((Fate::Unchanged, old.version, Some(old.updated)));
            }
            _ => {
                let version = old.map_or(1, |old| old.version + 1);
                let fate = if old.is_some() { Fate::Updated } else { Fate::Created };
                fates.push((fate, version, None));
                let text = new.body.to_string();
                let body = new.body.clone();
                writes.push(ResourceWrite {
                    resource_type: new.resource_type.clone(),
                    id,
                    version,
                    derived: false,
                    text,
                    body,
                });
            }
        }
    }
    // A panel that adopts results makes no new resource of them, yet the exam is another one now.
    let adopts =
        stored.is_some_and(|exam| exam.panel_identifier.is_none()) && submitted.panel_identifier.is_some();
    if writes.is_empty() && !adopts {
        let assessments = stored.iter().flat_map(|exam| &exam.resources).filter(|old| old.derived);
        let assessments = assessments.map(|old| old.body.clone()).filter(is_assessment).collect();
        return Plan { change: None, fates, assessments };
    }
    let bodies = merged(stored, submitted);
    let derived = derive(&key, &bodies);
    let assessments = derived.iter().filter(|body| is_assessment(body)).cloned().collect();
    let withdrawn = withdrawn(stored, &derived);
    for body in derived.iter().chain(&withdrawn) {
        if let Some(write) = derived_write(stored, body) {
            writes.push(write);
        }
    }
    let seen_version = stored.map_or(0, |exam| exam.version);
    let withdraws = withdraws(&bodies, &derived);
    let occasion = match seen_version {
        _ if withdraws => Occasion::Withdrawal,
        0 => Occasion::First,
        _ => Occasion::Change,
    };
    let payload = forward.then(|| {
        let all: Vec<Outgoing<'_>> =
            bodies.iter().copied().chain(&derived).chain(&withdrawn).filter_map(outgoing).collect();
        payload(&all, occasion).to_string()
    });
    let change = ExamChange {
        key,
        seen_version,
        subject: submitted.subject.clone(),
        subject_before: stored.map(|exam| exam.subject.clone()).filter(|before| *before != submitted.subject),
        encounter: submitted.encounter.clone(),
        panel_identifier: submitted.panel_identifier.clone(),
        writes,
        payload,
        priority: priority(&derived),
        withdraws,
    };
    Plan { change: Some(change), fates, assessments }
}

/// The submitted resources of a stored exam.
pub(super) fn submitted(stored: &StoredExam) -> Vec<&Value> {
    stored.resources.iter().filter(|resource| !resource.derived).map(|resource| &resource.body).collect()
}

/// Plans the change of an exam that follows from a change elsewhere: nothing new was submitted for it, and `derived`
/// takes the place of what was derived before.
pub(super) fn derived_again(
    stored: &StoredExam,
    subject: &str,
    forward: bool,
    derived: &[Value],
) -> ExamChange {
    let withdrawn = withdrawn(Some(stored), derived);
    let follows = || derived.iter().chain(&withdrawn);
    let bodies = submitted(stored);
    let payload = forward.then(|| {
        let all: Vec<Outgoing<'_>> = bodies.iter().copied().chain(follows()).filter_map(outgoing).collect();
        payload(&all, Occasion::Change).to_string()
    });
    ExamChange {
        key: stored.key.clone(),
        seen_version: stored.version,
        subject: subject.to_owned(),
        subject_before: None,
        encounter: None,
        panel_identifier: None,
        writes: follows().filter_map(|body| derived_write(Some(stored), body)).collect(),
        payload,
        priority: priority(derived),
        withdraws: withdraws(&bodies, derived),
    }
}

/// Whether two derivations say the same. When they were made is all that a Provenance adds.
pub(super) fn same_meaning(one: &[Value], other: &[Value]) -> bool {
    let said = |derived: &'_ Value| text(derived, "resourceType") != "Provenance";
    one.iter().filter(|body| said(body)).eq(other.iter().filter(|body| said(body)))
}

pub(super) fn stored_as<'a>(
    stored: Option<&'a StoredExam>,
    resource_type: &str,
    id: &str,
) -> Option<&'a StoredResource> {
    stored?.resources.iter().find(|old| old.resource_type == resource_type && old.id == id)
}

/// Whether two bodies say the same, apart from what a server notes in `meta`.
pub(super) fn same_content(old: &Value, new: &Value) -> bool {
    without_server_meta(old) == without_server_meta(new)
}

fn without_server_meta(body: &Value) -> Value {
    let mut body = body.clone();
    if let Some(object) = body.as_object_mut() {
        let emptied = object.get_mut("meta").and_then(Value::as_object_mut).is_some_and(|meta| {
            meta.shift_remove("versionId");
            meta.shift_remove("lastUpdated");
            meta.is_empty()
        });
        if emptied {
            object.shift_remove("meta");
        }
    }
    body
}

/// What was derived before and no longer follows, taken back: a request that is still active elsewhere would go on
/// asking for something.
fn withdrawn(stored: Option<&StoredExam>, derived: &[Value]) -> Vec<Value> {
    let stands = |old: &StoredResource| {
        derived
            .iter()
            .any(|body| text(body, "resourceType") == old.resource_type && text(body, "id") == old.id)
    };
    stored
        .iter()
        .flat_map(|exam| &exam.resources)
        .filter(|old| old.derived && !stands(old))
        .map(|old| {
            let mut body = old.body.clone();
            let status = match old.resource_type.as_str() {
                "ServiceRequest" => Some("revoked"),
                "RiskAssessment" => Some("entered-in-error"),
                _ => None,
            };
            if let (Some(status), Some(object)) = (status, body.as_object_mut()) {
                object.insert("status".to_owned(), Value::String(status.to_owned()));
            }
            body
        })
        .collect()
}

fn derived_write(stored: Option<&StoredExam>, body: &Value) -> Option<ResourceWrite> {
    let outgoing = outgoing(body)?;
    let text = body.to_string();
    let old = stored_as(stored, outgoing.resource_type, outgoing.id);
    if old.is_some_and(|old| old.text == text) {
        return None;
    }
    Some(ResourceWrite {
        resource_type: outgoing.resource_type.to_owned(),
        id: outgoing.id.to_owned(),
        version: old.map_or(1, |old| old.version + 1),
        derived: true,
        text,
        body: body.clone(),
    })
}

fn outgoing(body: &Value) -> Option<Outgoing<'_>> {
    Some(Outgoing { resource_type: body.get("resourceType")?.as_str()?, id: body.get("id")?.as_str()?, body })
}

pub(super) fn is_assessment(body: &Value) -> bool {
    text(body, "resourceType") == "RiskAssessment"
}

fn text<'a>(body: &'a Value, name: &str) -> &'a str {
    body.get(name).and_then(Value::as_str).unwrap_or_default()
}
