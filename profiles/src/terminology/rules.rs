//! The rules about codes that no profile judges.

use crate::issue::{IssueType, Rule, Severity};

/// A code of a device that no map covers.
pub(crate) static TERMINOLOGY_UNMAPPED_CODE: Rule = Rule {
    id: "terminology-unmapped-code",
    severity: Severity::Error,
    issue_type: IssueType::CodeInvalid,
    summary: "No map covers a code of a device",
    why: "What a test, a site or a result is called by its device alone cannot be read here; leaving it out in silence \
          could hide a finding. Beside a code that can be read it is only a warning.",
    mend: "Add the code to the site's ConceptMap, or send a code of the exam beside it.",
    source: "project rule",
};

/// A code that nothing loaded here knows.
pub(crate) static TERMINOLOGY_NOT_CHECKED: Rule = Rule {
    id: "terminology-not-checked",
    severity: Severity::Information,
    issue_type: IssueType::Informational,
    summary: "Codes of a code system were not checked, because it is not loaded",
    why: "Nothing is looked up elsewhere. Silence would read as though these codes had been found right.",
    mend: "Nothing, if the codes are not yours to check; else add the CodeSystem or a ConceptMap to the site's folder.",
    source: "project rule",
};

/// A code that its own code system does not have.
pub(crate) static TERMINOLOGY_UNKNOWN_CODE: Rule = Rule {
    id: "terminology-unknown-code",
    severity: Severity::Error,
    issue_type: IssueType::CodeInvalid,
    summary: "A code is not in its code system, which is loaded here whole",
    why: "A code that its own system does not have means nothing, to no reader; it is a slip of the pen or of a version.",
    mend: "Use a code of the code system, in its exact spelling, or load the version of the CodeSystem that has it.",
    source: "HL7 FHIR R4, Coding.code: a symbol in the syntax of its system",
};

/// The rules of this family. Other codes are judged where a profile or an element of R4 asks for them.
pub static RULES: &[&Rule] =
    &[&TERMINOLOGY_UNMAPPED_CODE, &TERMINOLOGY_NOT_CHECKED, &TERMINOLOGY_UNKNOWN_CODE];
