//! Tests of the expressions, of the published invariants and of the bounds.

mod bounds;
mod expressions;
mod narrative;
mod published;

use std::sync::LazyLock;

use serde_json::Value;

use super::{CompileError, EvaluationError, Expression, Focus, InvariantRow, InvariantTable, Steps};
use crate::issue::Severity;

/// Types of the elements that the tests use, as the base tables give them (R4 4.0.1).
#[rustfmt::skip]
const TYPES: &[(&str, &str, &str)] = &[
    ("Bundle", "type", "code"), ("Bundle", "identifier", "Identifier"), ("Bundle", "timestamp", "instant"),
    ("Bundle", "total", "unsignedInt"), ("Bundle", "entry", "Bundle.entry"), ("Bundle.entry", "fullUrl", "uri"),
    ("Bundle.entry", "resource", "Resource"), ("Bundle.entry", "search", "Bundle.entry.search"),
    ("Bundle.entry", "request", "Bundle.entry.request"), ("Bundle.entry", "response", "Bundle.entry.response"),
    ("Observation", "code", "CodeableConcept"), ("Observation", "status", "code"),
    ("Observation", "valueQuantity", "Quantity"), ("Observation", "valueRatio", "Ratio"),
    ("Observation", "valueCodeableConcept", "CodeableConcept"), ("Observation", "valueBoolean", "boolean"),
    ("Observation", "valueString", "string"), ("Observation", "valueInteger", "integer"),
    ("Observation", "dataAbsentReason", "CodeableConcept"), ("Observation", "subject", "Reference"),
    ("Observation", "effectivePeriod", "Period"), ("Observation", "effectiveDateTime", "dateTime"),
    ("Observation", "effectiveTiming", "Timing"), ("Observation", "issued", "instant"),
    ("Observation", "performer", "Reference"), ("Observation", "hasMember", "Reference"),
    ("Observation", "text", "Narrative"), ("Observation", "contained", "Resource"), ("Observation", "meta", "Meta"),
    ("Observation", "component", "Observation.component"), ("Observation", "id", "id"),
    ("Observation", "referenceRange", "Observation.referenceRange"),
    ("Observation.component", "code", "CodeableConcept"), ("Observation.component", "valueQuantity", "Quantity"),
    ("Observation.component", "valueString", "string"),
    ("Narrative", "div", "xhtml"), ("Narrative", "status", "code"), ("Meta", "security", "Coding"),
    ("CodeableConcept", "coding", "Coding"), ("CodeableConcept", "text", "string"), ("Coding", "system", "uri"),
    ("Coding", "code", "code"), ("Coding", "display", "string"), ("Quantity", "value", "decimal"),
    ("Quantity", "code", "code"), ("Quantity", "system", "uri"), ("Quantity", "unit", "string"),
    ("Period", "start", "dateTime"), ("Period", "end", "dateTime"), ("Range", "low", "Quantity"),
    ("Range", "high", "Quantity"), ("Ratio", "numerator", "Quantity"), ("Ratio", "denominator", "Quantity"),
    ("Reference", "reference", "string"), ("Reference", "identifier", "Identifier"),
    ("Identifier", "system", "uri"), ("Identifier", "value", "string"), ("Extension", "url", "uri"), ("Extension", "valueString", "string"),
    ("Timing", "repeat", "Timing.repeat"), ("Timing.repeat", "duration", "decimal"),
    ("Timing.repeat", "period", "decimal"), ("Timing.repeat", "when", "code"), ("Timing.repeat", "offset", "unsignedInt"),
    ("Timing.repeat", "timeOfDay", "time"), ("Timing.repeat", "count", "positiveInt"),
    ("Patient", "birthDate", "date"), ("Patient", "name", "HumanName"), ("Patient", "active", "boolean"),
    ("Patient", "contained", "Resource"), ("Patient", "id", "id"), ("Patient", "managingOrganization", "Reference"),
    ("Patient", "contact", "Patient.contact"), ("Patient", "multipleBirthInteger", "integer"),
    ("HumanName", "given", "string"), ("HumanName", "family", "string"), ("HumanName", "period", "Period"),
    ("Organization", "id", "id"), ("Organization", "partOf", "Reference"), ("Organization", "name", "string"),
    ("Organization", "address", "Address"), ("Address", "use", "code"),
    ("RiskAssessment", "prediction", "RiskAssessment.prediction"),
    ("RiskAssessment.prediction", "probabilityDecimal", "decimal"),
    ("RiskAssessment.prediction", "probabilityRange", "Range"),
    ("Condition", "clinicalStatus", "CodeableConcept"), ("Condition", "verificationStatus", "CodeableConcept"),
    ("Condition", "category", "CodeableConcept"), ("Condition", "abatementDateTime", "dateTime"),
    ("Condition", "abatementString", "string"), ("Appointment", "status", "code"),
    ("Appointment", "cancelationReason", "CodeableConcept"), ("TestScript", "setup", "TestScript.setup"),
    ("TestScript.setup", "action", "TestScript.setup.action"),
    ("TestScript.setup.action", "assert", "TestScript.setup.action.assert"),
    ("TestScript.setup.action.assert", "response", "code"),
    ("TestScript.setup.action.assert", "responseCode", "string"),
];

fn types(parent: &str, property: &str) -> Option<&'static str> {
    TYPES.iter().find(|row| row.0 == parent && row.1 == property).map(|row| row.2)
}

/// The published rows that are committed beside the code.
fn rows() -> Vec<InvariantRow<'static>> {
    include_str!("../r4-expressions.txt")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let fields: Vec<&str> = line.split('\t').collect();
            let [path, key, severity, expression, human] = fields[..] else { panic!("{line}") };
            let severity = match severity {
                "error" => Severity::Error,
                "warning" => Severity::Warning,
                other => panic!("{other}"),
            };
            InvariantRow { path, key, severity, human, expression }
        })
        .collect()
}

/// The table of all published invariants, compiled once.
fn table() -> &'static InvariantTable {
    static TABLE: LazyLock<InvariantTable> = LazyLock::new(|| InvariantTable::published(rows()));
    &TABLE
}

/// A decision about the element at `pointer` of a resource.
fn decide(source: &str, resource: &Value, pointer: &str) -> Result<Option<bool>, EvaluationError> {
    let expression = Expression::compile(source).unwrap_or_else(|error| panic!("{source}: {error}"));
    let steps = Steps::for_document(resource);
    let focus = Focus::resource(resource, &|a: &str, b: &str| types(a, b), &steps)
        .locate(pointer)
        .expect("the pointer names an element");
    expression.decide(&focus)
}

fn refusal(source: &str) -> CompileError {
    Expression::compile(source).expect_err(source)
}
