//! The rules of R4 that this family holds documents against.

use crate::issue::{IssueType, Rule, Severity};

/// No or an unknown resource type.
pub(super) static RESOURCE_TYPE: Rule = Rule {
    id: "structure-resource-type",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "The resource does not say which R4 resource type it is",
    why: "Without a known type nothing inside the resource can be checked or understood.",
    mend: "Set `resourceType` to the name of an R4 (4.0.1) resource type.",
    source: "HL7 FHIR R4, JSON representation and list of resource types",
};
/// A property that R4 does not define.
pub(super) static UNKNOWN_PROPERTY: Rule = Rule {
    id: "structure-unknown-property",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "A property is not defined by R4 at this place",
    why: "A receiver ignores what it does not know, so a misspelt result would be lost in silence.",
    mend: "Correct the name, remove the property, or carry its content in an extension.",
    source: "HL7 FHIR R4, JSON representation; definition of the type concerned",
};
/// Not the JSON form that the element has.
pub(super) static TYPE: Rule = Rule {
    id: "structure-type",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "A value is not of the JSON form that the element has",
    why: "R4 fixes for each element whether it is an object, an array or a bare value; readers rely on it.",
    mend: "Write the element in the form named.",
    source: "HL7 FHIR R4, JSON representation; definition of the element concerned",
};
/// A required element is missing.
pub(super) static REQUIRED: Rule = Rule {
    id: "structure-required",
    severity: Severity::Error,
    issue_type: IssueType::Required,
    summary: "An element that R4 requires is missing",
    why: "R4 gives the element a minimum of 1 because the rest cannot be understood without it.",
    mend: "Add the element. Where its value is truly unknown, add `_name` with a data-absent-reason extension.",
    source: "HL7 FHIR R4, definition of the element concerned",
};
/// Too few or too many.
pub(super) static CARDINALITY: Rule = Rule {
    id: "structure-cardinality",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "An element stands too often, or is there but empty",
    why: "R4 has no empty arrays and objects: an element is there with content, or it is left out.",
    mend: "Leave the empty element out, or give it its content.",
    source: "HL7 FHIR R4, JSON representation; definition of the element concerned",
};
/// Two forms of one choice.
pub(super) static CHOICE: Rule = Rule {
    id: "structure-choice",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "A choice of types is made twice",
    why: "Of an element like `value[x]` only one form may stand; with two, readers would differ in what they take.",
    mend: "Keep the form that holds the result and remove the other.",
    source: "HL7 FHIR R4, JSON representation: choice of data types",
};
/// Not a value of the primitive type.
pub(super) static PRIMITIVE: Rule = Rule {
    id: "structure-primitive",
    severity: Severity::Error,
    issue_type: IssueType::Value,
    summary: "A value breaks the rules of its primitive type",
    why: "A date, number or code that is not well-formed is read differently by each receiver, or not at all.",
    mend: "Write the value in the form named.",
    source: "HL7 FHIR R4, data types: primitive types",
};
/// A text that shows as another one.
pub(super) static HIDDEN_TEXT: Rule = Rule {
    id: "structure-hidden-text",
    severity: Severity::Error,
    issue_type: IssueType::Value,
    summary: "A text holds a character that turns or hides the text around it",
    why: "Such a text reads other than it shows: a foot that was left out, or a name, could look like another one.",
    mend: "Remove the character (U+007F to U+009F, U+202A to U+202E, U+2066 to U+2069, tags); direction marks are fine.",
    source: "Unicode Standard Annex 9, explicit directional formatting; R4 allows these characters, this service does not",
};
/// Not in the required value set.
pub(super) static CODE: Rule = Rule {
    id: "structure-code",
    severity: Severity::Error,
    issue_type: IssueType::CodeInvalid,
    summary: "A code is not in the value set that R4 requires",
    why: "Under a required binding no other code is allowed: receivers act on these codes.",
    mend: "Use one of the codes of the value set, in its exact spelling.",
    source: "HL7 FHIR R4, definition of the element concerned and its value set",
};
/// A reference to a wrong type.
pub(super) static REFERENCE_TARGET: Rule = Rule {
    id: "structure-reference-target",
    severity: Severity::Error,
    issue_type: IssueType::Value,
    summary: "A reference points at a resource type that is not allowed there",
    why: "R4 lists for each reference what it may point at; anything else changes what the resource says.",
    mend: "Point at a resource of one of the types named.",
    source: "HL7 FHIR R4, definition of the element concerned",
};
/// Contained resources.
pub(super) static CONTAINED: Rule = Rule {
    id: "structure-contained",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "A contained resource has no id of its own, or contains another",
    why: "A contained resource is reached only by its id within the resource around it.",
    mend: "Give each contained resource an `id` that is unique in its container; contain nothing inside it.",
    source: "HL7 FHIR R4, references: contained resources",
};
/// The same fullUrl twice.
pub(super) static FULL_URL_DUPLICATE: Rule = Rule {
    id: "bundle-full-url-duplicate",
    severity: Severity::Error,
    issue_type: IssueType::Duplicate,
    summary: "Two entries of a Bundle have the same fullUrl",
    why: "A reference to that fullUrl could mean either entry.",
    mend: "Give each entry a fullUrl of its own; only versions of one resource (other `meta.versionId`) share one.",
    source: "HL7 FHIR R4, Bundle, invariant bdl-7",
};
/// fullUrl and resource disagree.
pub(super) static FULL_URL_MISMATCH: Rule = Rule {
    id: "bundle-full-url-mismatch",
    severity: Severity::Error,
    issue_type: IssueType::Conflict,
    summary: "The fullUrl of an entry disagrees with the type or id of its resource",
    why: "References follow the fullUrl, stores follow the id: the two would lead to different resources.",
    mend: "End the fullUrl in the resource's own `Type/id`, or use a `urn:uuid:`.",
    source: "HL7 FHIR R4, Bundle.entry.fullUrl",
};
/// A urn that no entry has.
pub(super) static REFERENCE_UNRESOLVED: Rule = Rule {
    id: "bundle-reference-unresolved",
    severity: Severity::Error,
    issue_type: IssueType::NotFound,
    summary: "A reference by URN has no entry in the Bundle",
    why: "A `urn:uuid:` or `urn:oid:` has a meaning only inside its Bundle; nobody can find the resource elsewhere.",
    mend: "Add the entry with this fullUrl, or correct the reference; upper and lower case count.",
    source: "HL7 FHIR R4, Bundle: resolving references",
};

/// The list of issues was cut.
pub(super) static MORE_ISSUES: Rule = Rule {
    id: "structure-more-issues",
    severity: Severity::Information,
    issue_type: IssueType::Incomplete,
    summary: "The document has more issues than are listed",
    why: "A bound on the list keeps one broken message from using the memory and time of all others.",
    mend: "Mend what is listed and check again.",
    source: "project rule",
};

/// The rules of this family.
pub static RULES: &[&Rule] = &[
    &RESOURCE_TYPE,
    &UNKNOWN_PROPERTY,
    &TYPE,
    &REQUIRED,
    &CARDINALITY,
    &CHOICE,
    &PRIMITIVE,
    &HIDDEN_TEXT,
    &CODE,
    &REFERENCE_TARGET,
    &CONTAINED,
    &FULL_URL_DUPLICATE,
    &FULL_URL_MISMATCH,
    &REFERENCE_UNRESOLVED,
    &MORE_ISSUES,
];
