//! The rules of this family.

use crate::issue::{IssueType, Rule, Severity};

const LOCAL: &str = "profiles/local/structure-definitions, or the site's own StructureDefinition";

/// An element that a profile requires is missing.
pub(super) static PROFILE_REQUIRED: Rule = Rule {
    id: "profile-required",
    severity: Severity::Error,
    issue_type: IssueType::Required,
    summary: "An element that the profile requires is missing",
    why: "What a reader of the exam relies on must be said; a gap would have to be guessed.",
    mend: "Add the element.",
    source: LOCAL,
};
/// An element stands too often, or where the profile has no place for it.
pub(super) static PROFILE_CARDINALITY: Rule = Rule {
    id: "profile-cardinality",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "An element stands more or less often than the profile allows",
    why: "A value in a place that the profile leaves empty would not be read, and would look as if it had been.",
    mend: "Remove what is too much, or add what is too few.",
    source: LOCAL,
};
/// A value or a reference is of a type that the profile does not allow.
pub(super) static PROFILE_TYPE: Rule = Rule {
    id: "profile-type",
    severity: Severity::Error,
    issue_type: IssueType::Structure,
    summary: "A value, or what a reference points at, is of a type that the profile does not allow",
    why: "Each test has its kinds of result; another kind cannot be read as one.",
    mend: "Send the value as one of the allowed types.",
    source: LOCAL,
};
/// A value differs from the one that the profile fixes.
pub(super) static PROFILE_FIXED: Rule = Rule {
    id: "profile-fixed",
    severity: Severity::Error,
    issue_type: IssueType::Value,
    summary: "A value differs from the one the profile fixes",
    why: "The fixed value tells what kind of resource this is.",
    mend: "Use the fixed value.",
    source: LOCAL,
};
/// A value lacks what the profile's pattern asks for.
pub(super) static PROFILE_PATTERN: Rule = Rule {
    id: "profile-pattern",
    severity: Severity::Error,
    issue_type: IssueType::Value,
    summary: "A value lacks what the profile's pattern asks for",
    why: "The pattern holds the code or unit by which the value is understood.",
    mend: "Use the code or unit of the pattern.",
    source: LOCAL,
};
/// A code is outside a value set that is required.
pub(super) static PROFILE_BINDING: Rule = Rule {
    id: "profile-binding",
    severity: Severity::Error,
    issue_type: IssueType::CodeInvalid,
    summary: "A code is not in the value set that the profile requires",
    why: "A code that nobody here knows reads as nothing; a wrong site or result reads as another one.",
    mend: "Use a code of the value set.",
    source: LOCAL,
};
/// A code is outside a value set that is extensible.
pub(super) static PROFILE_BINDING_EXTENSIBLE: Rule = Rule {
    id: "profile-binding-extensible",
    severity: Severity::Warning,
    issue_type: IssueType::CodeInvalid,
    summary: "A code is not in the value set that the profile prefers to all others (extensible)",
    why: "Another code is right only where the value set has none for it; somebody should look.",
    mend: "Use a code of the value set if one says the same.",
    source: LOCAL,
};
/// A profile that a resource claims is not loaded.
pub(super) static PROFILE_NOT_LOADED: Rule = Rule {
    id: "profile-not-loaded",
    severity: Severity::Information,
    issue_type: IssueType::NotFound,
    summary: "The resource claims a profile that is not loaded, so it was not checked against it",
    why: "Not checked is not the same as right.",
    mend: "Add the StructureDefinition to the folder of profiles, or remove the claim.",
    source: "project rule",
};
/// A profile that was loaded could not be applied.
pub(super) static PROFILE_UNUSABLE: Rule = Rule {
    id: "profile-unusable",
    severity: Severity::Fatal,
    issue_type: IssueType::Exception,
    summary: "A loaded profile could not be applied",
    why: "What was not checked must not pass as checked. This is a fault of this program.",
    mend: "Report the profile named.",
    source: "project rule",
};

/// The rules of this family.
pub static RULES: &[&Rule] = &[
    &PROFILE_REQUIRED,
    &PROFILE_CARDINALITY,
    &PROFILE_TYPE,
    &PROFILE_FIXED,
    &PROFILE_PATTERN,
    &PROFILE_BINDING,
    &PROFILE_BINDING_EXTENSIBLE,
    &PROFILE_NOT_LOADED,
    &PROFILE_UNUSABLE,
];
