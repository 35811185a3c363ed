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
/// An update whose body is of another resource.
pub static SUBMIT_RESOURCE_ID: Rule = Rule {
    id: "submit-resource-id",
    severity: Severity::Error,
    issue_type: IssueType::Invalid,
    summary: "The resource has no id, or another one than the address it was sent to",
    why: "An update that names two resources could overwrite the wrong one.",
    mend: "Read the resource, change what has to change, and send it back under the same id.",
    source: "HL7 FHIR R4, RESTful API: update",
};
/// An update that would make another result of a result.
pub static SUBMIT_UPDATE_IDENTITY: Rule = Rule {
    id: "submit-update-identity",
    severity: Severity::Error,
    issue_type: IssueType::Conflict,
    summary: "An update changes what a result is about, and not only what it says",
    why: "The person, the encounter, the test and the identifier are what a result is found again by, here and in the record system. With another one it would be filed in a second place, and the first would go on being believed.",
    mend: "Withdraw the result (status entered-in-error) and send the right one as a new result, or send the whole exam again.",
    source: "project rule",
};
/// Something older than what is stored.
pub static SUBMIT_LATE_ORIGINAL: Rule = Rule {
    id: "submit-late-original",
    severity: Severity::Warning,
    issue_type: IssueType::Conflict,
    summary: "What came is older than the stored version, which stands",
    why: "A message that was held up on its way must not undo a correction or a withdrawal that went past it.",
    mend: "Nothing, if it is an old message. To change the stored version, send it with status amended or corrected, or update it with If-Match.",
    source: "HL7 FHIR R4, observation-status: amended and corrected follow final",
};
/// A device that is not registered, where only registered ones are let in.
pub static SUBMIT_DEVICE_UNKNOWN: Rule = Rule {
    id: "submit-device-unknown",
    severity: Severity::Error,
    issue_type: IssueType::Forbidden,
    summary: "The result comes from a device that is not registered",
    why: "Nobody has said what this device measures, how far its clock may be trusted, and that it belongs to the site.",
    mend: "Register the device under devices.known with the identifier that stands in Observation.device.",
    source: "project rule",
};
/// A test that the device is not there for.
pub static SUBMIT_DEVICE_TEST: Rule = Rule {
    id: "submit-device-test",
    severity: Severity::Error,
    issue_type: IssueType::BusinessRule,
    summary: "The device sends a test that it may not send",
    why: "A device that reports what it cannot measure is set up wrongly or is not the one it says it is.",
    mend: "Correct the code of the result, or add the test to the device under devices.known.",
    source: "project rule",
};
/// A stated time far from the time of receipt.
pub static SUBMIT_DEVICE_CLOCK: Rule = Rule {
    id: "submit-device-clock",
    severity: Severity::Warning,
    issue_type: IssueType::Value,
    summary: "The time that the device states is far from the time of receipt",
    why: "The result came late, or the clock of the device is wrong. The stated time is kept as it is, and the time of receipt stands in meta.lastUpdated of the first version; which result replaces which never follows from stated times.",
    mend: "Set the clock of the device, or raise clock_tolerance_seconds where results often come late.",
    source: "project rule",
};
/// A resource of a kind that only the service makes.
pub static SUBMIT_DERIVED: Rule = Rule {
    id: "submit-derived",
    severity: Severity::Warning,
    issue_type: IssueType::NotSupported,
    summary: "A resource of a kind that only the service makes is neither stored nor sent on",
    why: "Assessments, referrals, provenance and audit are made here, from the findings alone. One that came from elsewhere would be believed as if these rules had made it.",
    mend: "Leave it out, unless it is only there for references to lead to. The assessment and the referral of the exam are read here once it is taken.",
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
    &SUBMIT_RESOURCE_ID,
    &SUBMIT_UPDATE_IDENTITY,
    &SUBMIT_LATE_ORIGINAL,
    &SUBMIT_DEVICE_UNKNOWN,
    &SUBMIT_DEVICE_TEST,
    &SUBMIT_DEVICE_CLOCK,
    &SUBMIT_DERIVED,
];
