//! [`Issue`]: what is wrong, where, by which rule, and how to mend it.
//!
//! An issue is data. Rendering it, as an OperationOutcome or on a terminal, is the work of other modules. Its texts
//! never quote a value of the document: those may tell who somebody is. The value travels beside the text, for a
//! caller that was asked to show it.

use std::borrow::Cow;

use serde_json::Value;

use crate::position::Position;

/// The code list `issue-severity` of FHIR R4. Ordered from worst to least.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The check could not go on.
    Fatal,
    /// The document must not be used.
    Error,
    /// The document can be used; somebody should look.
    Warning,
    /// Worth knowing.
    Information,
}

impl Severity {
    /// The code on the wire.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Severity::Fatal => "fatal",
            Severity::Error => "error",
            Severity::Warning => "warning",
            Severity::Information => "information",
        }
    }

    /// Whether a document with such an issue is refused.
    #[must_use]
    pub fn refuses(self) -> bool {
        matches!(self, Severity::Fatal | Severity::Error)
    }
}

macro_rules! issue_types {
    ($($variant:ident => $code:literal),* $(,)?) => {
        /// The codes of the list `issue-type` of FHIR R4 that this project raises.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        #[allow(missing_docs)]
        pub enum IssueType { $($variant),* }

        impl IssueType {
            /// The code on the wire.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(IssueType::$variant => $code),* }
            }
        }
    };
}

issue_types! {
    BusinessRule => "business-rule",
    CodeInvalid => "code-invalid",
    Conflict => "conflict",
    Duplicate => "duplicate",
    Exception => "exception",
    Forbidden => "forbidden",
    Incomplete => "incomplete",
    Informational => "informational",
    Invalid => "invalid",
    Invariant => "invariant",
    Login => "login",
    MultipleMatches => "multiple-matches",
    NoStore => "no-store",
    NotFound => "not-found",
    NotSupported => "not-supported",
    Processing => "processing",
    Required => "required",
    Structure => "structure",
    Throttled => "throttled",
    TooCostly => "too-costly",
    TooLong => "too-long",
    Transient => "transient",
    Value => "value",
}

/// A check with a stable name. Rules are never renamed and their names never reused.
#[derive(Debug)]
pub struct Rule {
    /// `area-condition`, naming the defect.
    pub id: &'static str,
    /// How bad a breach is.
    pub severity: Severity,
    /// The FHIR issue type of a breach.
    pub issue_type: IssueType,
    /// The defect in one line.
    pub summary: &'static str,
    /// Why it matters.
    pub why: &'static str,
    /// How to mend it.
    pub mend: &'static str,
    /// The published source, or `common practice, no source`, or `project rule`.
    pub source: &'static str,
}

/// One finding of the checks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Issue {
    /// How bad.
    pub severity: Severity,
    /// The FHIR issue type.
    pub issue_type: IssueType,
    /// The id of the rule: one of ours, or the key of a published invariant.
    pub rule: Cow<'static, str>,
    /// JSON pointer (RFC 6901) into the document; empty for the whole of it.
    pub pointer: String,
    /// What is wrong, without a value of the document.
    pub message: String,
    /// How to mend it.
    pub mend: Cow<'static, str>,
    /// The offending value, for callers that may show it.
    pub value: Option<String>,
    /// Where it stands, once the document has been asked.
    pub position: Option<Position>,
}

/// Most issues that one family of checks lists. A document with more is wrong throughout, and a list of all of it costs
/// many times its own size.
pub const MOST_ISSUES: usize = 10_000;

impl Issue {
    /// A breach of `rule` at a JSON pointer.
    #[must_use]
    pub fn new(rule: &'static Rule, pointer: impl Into<String>, message: impl Into<String>) -> Issue {
        Issue {
            severity: rule.severity,
            issue_type: rule.issue_type,
            rule: Cow::Borrowed(rule.id),
            pointer: pointer.into(),
            message: message.into(),
            mend: Cow::Borrowed(rule.mend),
            value: None,
            position: None,
        }
    }

    /// Says more exactly how to mend it than the rule does.
    #[must_use]
    pub fn mend(mut self, mend: impl Into<Cow<'static, str>>) -> Issue {
        self.mend = mend.into();
        self
    }

    /// Keeps the offending value beside the texts.
    #[must_use]
    pub fn value(mut self, value: &Value) -> Issue {
        self.value = Some(value.to_string());
        self
    }

    /// Sets the place.
    #[must_use]
    pub fn at(mut self, position: Position) -> Issue {
        self.position = Some(position);
        self
    }

    /// The place as a FHIRPath: see [`expression`].
    #[must_use]
    pub fn expression(&self, root: &str) -> String {
        expression(root, &self.pointer)
    }
}

/// A JSON pointer as a FHIRPath of element names and indexes, such as `Bundle.entry[2].resource.component[0].code`.
///
/// `root` is the document's resource type, or anything that names the whole of it.
#[must_use]
pub fn expression(root: &str, pointer: &str) -> String {
    let mut path = root.to_owned();
    for token in pointer.split('/').skip(1) {
        let token = token.replace("~1", "/").replace("~0", "~");
        if !token.is_empty() && token.bytes().all(|byte| byte.is_ascii_digit()) {
            path.push('[');
            path.push_str(&token);
            path.push(']');
        } else {
            path.push('.');
            let plain =
                token.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_') && !token.is_empty();
            if plain {
                path.push_str(&token);
            } else {
                path.push('`');
                path.push_str(&token.replace('`', "\\`"));
                path.push('`');
            }
        }
    }
    path
}

/// Whether any of the issues refuses its document.
#[must_use]
pub fn refused(issues: &[Issue]) -> bool {
    issues.iter().any(|issue| issue.severity.refuses())
}
