//! The rules of handing in: what a service asks of a document beside being valid. They are raised where documents are
//! taken in, and stand here so that whoever explains rules knows them all.

use crate::issue::{IssueType, Rule, Severity};

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

/// An identifier, code or reference longer than what names anything.
pub static SUBMIT_NAME_TOO_LONG: Rule = Rule {
    id: "submit-name-too-long",
    severity: Severity::Error,
    issue_type: IssueType::TooLong,
    summary: "An identifier, code or reference is longer than 512 bytes",
    why: "Resources are found by it, and a text of this length is not one that a system gave to tell things apart.",
    mend: "Send the identifier that the issuing system gave, and keep texts in elements that are meant for them.",
    source: "project rule",
};

/// The rules of this family.
pub static RULES: &[&Rule] = &[
    &SUBMIT_BUNDLE_TYPE,
    &SUBMIT_REQUEST,
    &SUBMIT_CRITERION,
    &SUBMIT_RESOURCE_TYPE,
    &SUBMIT_NOTHING,
    &SUBMIT_TOO_MANY_LATER,
    &SUBMIT_NAME_TOO_LONG,
];
