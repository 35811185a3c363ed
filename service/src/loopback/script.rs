//! Scripted misbehaviour, and what was asked.

use std::collections::VecDeque;
use std::time::Duration;

use serde_json::{Value, json};

/// An answer given word for word.
#[derive(Debug, Clone)]
pub struct Answer {
    /// The HTTP status.
    pub status: u16,
    /// Headers, beside the media type.
    pub headers: Vec<(String, String)>,
    /// The media type.
    pub media_type: String,
    /// The body.
    pub body: Vec<u8>,
}

impl Answer {
    /// An answer without a body.
    #[must_use]
    pub fn status(status: u16) -> Answer {
        Answer {
            status,
            headers: Vec::new(),
            media_type: "application/fhir+json".to_owned(),
            body: Vec::new(),
        }
    }

    /// Adds a header.
    #[must_use]
    pub fn header(mut self, name: &str, value: &str) -> Answer {
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }

    /// Sets the body and its media type.
    #[must_use]
    pub fn body(mut self, media_type: &str, body: impl Into<Vec<u8>>) -> Answer {
        media_type.clone_into(&mut self.media_type);
        self.body = body.into();
        self
    }

    /// Sets a JSON body.
    #[must_use]
    pub fn json(self, body: &Value) -> Answer {
        self.body("application/fhir+json", body.to_string())
    }

    /// Sets an OperationOutcome with one error, about an element where one is named.
    #[must_use]
    pub fn outcome(self, code: &str, text: &str, expression: Option<&str>) -> Answer {
        let mut issue = json!({ "severity": "error", "code": code, "details": { "text": text } });
        if let (Some(expression), Some(issue)) = (expression, issue.as_object_mut()) {
            issue.insert("expression".to_owned(), json!([expression]));
        }
        self.json(&json!({ "resourceType": "OperationOutcome", "issue": [issue] }))
    }
}

/// What the record system does instead of, or beside, its work.
#[derive(Debug, Clone)]
pub enum Behaviour {
    /// Stores nothing and gives this answer.
    Answer(Answer),
    /// Does its work and gives this answer instead of its own.
    AnswerAfterCommit(Answer),
    /// Waits, then does its work.
    Delay(Duration),
    /// Does its work, then waits before it answers.
    DelayAfterCommit(Duration),
    /// Stores nothing and closes the connection without a byte of answer.
    Close,
    /// Does its work and closes the connection without a byte of answer.
    CloseAfterCommit,
    /// Does its work and breaks off in the middle of the body of its answer.
    TruncateAfterCommit,
    /// Does its work and gives the body of its answer a byte at a time, with this pause between.
    DripAfterCommit(Duration),
}

/// Which requests a scripted behaviour is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// Any request.
    Any,
    /// POST and PUT, except a search by POST.
    Writes,
    /// Everything else.
    Reads,
}

impl When {
    fn holds(self, method: &str, path: &str) -> bool {
        let write = matches!(method, "POST" | "PUT") && !path.ends_with("/_search");
        match self {
            When::Any => true,
            When::Writes => write,
            When::Reads => !write,
        }
    }
}

/// A request as it arrived.
#[derive(Debug, Clone)]
pub struct Request {
    /// The method.
    pub method: String,
    /// Path and query.
    pub target: String,
    /// Headers in the order they came, names in small letters.
    pub headers: Vec<(String, String)>,
    /// The body.
    pub body: Vec<u8>,
    /// When it had arrived, after the start of the record system.
    pub after: Duration,
}

impl Request {
    /// The value of a header.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers
            .iter()
            .find(|(known, _)| known.eq_ignore_ascii_case(name))
            .map(|(_, value)| value.as_str())
    }

    /// Whether it asks to store something.
    #[must_use]
    pub fn is_write(&self) -> bool {
        When::Writes.holds(&self.method, self.target.split('?').next().unwrap_or_default())
    }
}

/// What is still to come: behaviours that are used up, then those that stay.
#[derive(Debug, Default)]
pub(super) struct Script {
    once: VecDeque<(When, Behaviour)>,
    always: Vec<(When, Behaviour)>,
}

impl Script {
    pub(super) fn push_once(&mut self, when: When, behaviour: Behaviour) {
        self.once.push_back((when, behaviour));
    }

    pub(super) fn push_always(&mut self, when: When, behaviour: Behaviour) {
        self.always.push((when, behaviour));
    }

    pub(super) fn clear(&mut self) {
        self.once.clear();
        self.always.clear();
    }

    pub(super) fn left(&self) -> usize {
        self.once.len()
    }

    /// The behaviour for a request; one of the queue is used up.
    pub(super) fn next(&mut self, method: &str, path: &str) -> Option<Behaviour> {
        if let Some(index) = self.once.iter().position(|(when, _)| when.holds(method, path)) {
            return self.once.remove(index).map(|(_, behaviour)| behaviour);
        }
        self.always.iter().find(|(when, _)| when.holds(method, path)).map(|(_, behaviour)| behaviour.clone())
    }
}
