//! What a submission must be beside valid: the rules of handing in.

use std::borrow::Cow;

use serde_json::Value;
use solewire_profiles::issue::{Issue, IssueType, Rule, Severity};

/// A Bundle of another type than `transaction`.
pub static SUBMIT_BUNDLE_TYPE: Rule = Rule {
    id: "submit-bundle-type",
    severity: Severity::Error,
    issue_type: IssueType::NotSupported,
    summary: "What is handed in is not a transaction Bundle",
    why: "An exam is stored whole or not at all, and only a transaction says so.",
    mend: "Send a Bundle of type transaction with a request in each entry.",
    source: "HL7 FHIR R4, RESTful API: transaction",
};
/// A request that no exam needs.
pub static SUBMIT_REQUEST: Rule = Rule {
    id: "submit-request",
    severity: Severity::Error,
    issue_type: IssueType::NotSupported,
    summary: "An entry asks for something other than creating or updating its resource",
    why: "Reading, deleting and patching inside an exam would make its result depend on what was there before.",
    mend: "Use request.method POST with the resource type as request.url, or PUT with a search by identifier.",
    source: "HL7 FHIR R4, RESTful API: transaction",
};
/// A criterion other than one identifier.
pub static SUBMIT_CRITERION: Rule = Rule {
    id: "submit-criterion",
    severity: Severity::Error,
    issue_type: IssueType::NotSupported,
    summary: "A conditional create does not name exactly one identifier",
    why: "Only an identifier with its system tells for certain that a resource is there already.",
    mend: "Write identifier=SYSTEM|VALUE.",
    source: "project rule",
};
/// Another resource type than the address takes.
pub static SUBMIT_RESOURCE_TYPE: Rule = Rule {
    id: "submit-resource-type",
    severity: Severity::Error,
    issue_type: IssueType::Invalid,
    summary: "The resource is of another type than the address it was sent to",
    why: "A resource under the address of another type could not be read back.",
    mend: "Send it to the address of its own type, or the whole exam as a transaction.",
    source: "HL7 FHIR R4, RESTful API: create",
};
/// A document without any exam.
pub static SUBMIT_NOTHING: Rule = Rule {
    id: "submit-nothing",
    severity: Severity::Error,
    issue_type: IssueType::Required,
    summary: "The document holds no finding of a foot exam",
    why: "There is nothing to store and nothing to assess.",
    mend: "Send the exam's panel Observation with its findings.",
    source: "project rule",
};

/// An exam with more later exams of the same person than can be assessed again.
pub static SUBMIT_TOO_MANY_LATER: Rule = Rule {
    id: "submit-too-many-later",
    severity: Severity::Error,
    issue_type: IssueType::BusinessRule,
    summary: "Too many later exams of the same person would have to be assessed again",
    why: "What an exam says bears on every later one; leaving some as they are would keep results that no longer hold.",
    mend: "Check the time of the exam and the identity of the person: an exam this far back is most likely an error.",
    source: "project rule",
};

/// The rules of handing in.
pub static RULES: &[&Rule] = &[
    &SUBMIT_BUNDLE_TYPE,
    &SUBMIT_REQUEST,
    &SUBMIT_CRITERION,
    &SUBMIT_RESOURCE_TYPE,
    &SUBMIT_NOTHING,
    &SUBMIT_TOO_MANY_LATER,
];

/// The issues of a document handed in as a transaction.
pub(super) fn check_transaction(bundle: &Value) -> Vec<Issue> {
    let text = |name| bundle.get(name).and_then(Value::as_str);
    if text("resourceType") != Some("Bundle") {
        let message = "The document is not a Bundle; this address takes transaction Bundles.";
        return vec![Issue::new(&SUBMIT_BUNDLE_TYPE, "/resourceType", message)];
    }
    if text("type") != Some("transaction") {
        let message = match text("type") {
            Some("collection") => "A collection Bundle is a file format; it does not ask to store anything.",
            _ => "The Bundle is not of type transaction.",
        };
        return vec![Issue::new(&SUBMIT_BUNDLE_TYPE, "/type", message)];
    }
    let entries = bundle.get("entry").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    entries.iter().enumerate().filter_map(|(number, entry)| check_request(number, entry)).collect()
}

fn check_request(number: usize, entry: &Value) -> Option<Issue> {
    let resource_type = entry.pointer("/resource/resourceType").and_then(Value::as_str)?;
    let request = |name: &str| entry.get("request")?.get(name)?.as_str();
    let issue = |name: &str, message: &'static str| {
        Some(Issue::new(&SUBMIT_REQUEST, format!("/entry/{number}/request/{name}"), message))
    };
    let url = request("url").unwrap_or_default();
    match request("method") {
        Some("POST") if url == resource_type => None,
        Some("POST") => {
            issue("url", "The url of a POST is the type of the entry's resource and nothing else.")
        }
        Some("PUT") => {
            let rest = url.strip_prefix(resource_type);
            match rest {
                Some(rest) if rest.starts_with(['/', '?']) => None,
                _ => issue("url", "The url of a PUT begins with the type of the entry's resource."),
            }
        }
        _ => issue("method", "The method is neither POST nor PUT."),
    }
}

/// An issue of an entry's criterion.
pub(super) fn criterion_issue(pointer: String) -> Issue {
    Issue::new(&SUBMIT_CRITERION, pointer, "The criterion is not one identifier with its system.")
}

/// The issue of a resource sent to the address of another type.
pub(super) fn type_issue(expected: &str) -> Issue {
    let mut issue = Issue::new(&SUBMIT_RESOURCE_TYPE, "/resourceType", "The resource is not of this type.");
    issue.message = format!("This address takes a resource of type {expected}.");
    issue.mend = Cow::Borrowed(SUBMIT_RESOURCE_TYPE.mend);
    issue
}
