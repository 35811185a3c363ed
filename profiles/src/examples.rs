//! For every rule an example that breaks it and one that keeps it: the pages that explain the rules show them.
//!
//! Fragments of JSON, cut down to what the rule looks at; `...` stands for what is left out.

/// A fragment that breaks a rule, and the same mended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Example {
    /// What breaks the rule.
    pub wrong: &'static str,
    /// What keeps it.
    pub right: &'static str,
}

/// The example for a rule, by its id. Every rule of [`crate::rules`] has one.
#[must_use]
pub fn example(rule: &str) -> Option<Example> {
    EXAMPLES.iter().find(|row| row.0 == rule).map(|&(_, wrong, right)| Example { wrong, right })
}

/// Rule, wrong, right.
#[rustfmt::skip]
const EXAMPLES: &[(&str, &str, &str)] = &[
    ("json-syntax",
     r#"{ "status": "final", }"#,
     r#"{ "status": "final" }"#),
    ("json-duplicate-key",
     r#"{ "status": "preliminary", "status": "final" }"#,
     r#"{ "status": "final" }"#),
    ("json-encoding",
     "a file saved as UTF-16 (the first bytes are FF FE)",
     "the same file saved as UTF-8"),
    ("json-limit",
     "a message of a hundred megabytes, or brackets nested a hundred deep",
     "one exam in a message, without pictures in it"),
    ("json-reserved-key",
     r#"{ "$serde_json::private::Number": "12" }"#,
     r#"{ "value": 12 }"#),
    ("json-byte-order-mark",
     "EF BB BF before the first bracket",
     "the first byte is the first bracket"),

    ("structure-resource-type",
     r#"{ "resourceType": "FootObservation", "status": "final", ... }"#,
     r#"{ "resourceType": "Observation", "status": "final", ... }"#),
    ("structure-unknown-property",
     r#"{ "resourceType": "Observation", "valueCodeableconcept": { ... } }"#,
     r#"{ "resourceType": "Observation", "valueCodeableConcept": { ... } }"#),
    ("structure-type",
     r#""valueQuantity": { "value": "14", "unit": "V" }"#,
     r#""valueQuantity": { "value": 14, "unit": "V" }"#),
    ("structure-required",
     r#"{ "resourceType": "Observation", "code": { ... } }"#,
     r#"{ "resourceType": "Observation", "status": "final", "code": { ... } }"#),
    ("structure-cardinality",
     r#""hasMember": []"#,
     r#"leave "hasMember" out, or list the results in it"#),
    ("structure-choice",
     r#""valueString": "felt", "valueCodeableConcept": { "coding": [ ... ] }"#,
     r#""valueCodeableConcept": { "coding": [ ... ] }"#),
    ("structure-primitive",
     r#""effectiveDateTime": "2026-02-30T10:20:00Z""#,
     r#""effectiveDateTime": "2026-02-28T10:20:00Z""#),
    ("structure-code",
     r#""status": "complete""#,
     r#""status": "final""#),
    ("structure-reference-target",
     r#""encounter": { "reference": "Patient/p1" }"#,
     r#""encounter": { "reference": "Encounter/e1" }"#),
    ("structure-contained",
     r##""contained": [{ "resourceType": "Device" }], "device": { "reference": "#pen" }"##,
     r##""contained": [{ "resourceType": "Device", "id": "pen" }], "device": { "reference": "#pen" }"##),
    ("structure-more-issues",
     "a document with more than a thousand breaches of R4",
     "the same with the listed breaches mended"),
    ("bundle-full-url-duplicate",
     r#""entry": [{ "fullUrl": "urn:uuid:...01", ... }, { "fullUrl": "urn:uuid:...01", ... }]"#,
     r#""entry": [{ "fullUrl": "urn:uuid:...01", ... }, { "fullUrl": "urn:uuid:...02", ... }]"#),
    ("bundle-full-url-mismatch",
     r#"{ "fullUrl": "https://harbourlane.example/fhir/Observation/1", "resource": { "id": "2", ... } }"#,
     r#"{ "fullUrl": "https://harbourlane.example/fhir/Observation/2", "resource": { "id": "2", ... } }"#),
    ("bundle-reference-unresolved",
     r#""hasMember": [{ "reference": "urn:uuid:...09" }]   (no entry has this fullUrl)"#,
     r#""hasMember": [{ "reference": "urn:uuid:...02" }]   (the fullUrl of an entry)"#),

    ("profile-required",
     r#"a panel without "performer""#,
     r#""performer": [{ "identifier": { "system": "https://harbourlane.example/staff", "value": "HL-STAFF-01" } }]"#),
    ("profile-cardinality",
     r#"a grouped pulse result with "valueCodeableConcept" on the Observation itself"#,
     r#""component": [{ "code": { ... dorsalis-pedis ... }, "valueCodeableConcept": { ... present ... } }]"#),
    ("profile-type",
     r#""valueString": "felt""#,
     r#""valueCodeableConcept": { "coding": [{ "system": ".../foot-result", "code": "felt" }] }"#),
    ("profile-fixed",
     r#"another value than the one that the profile gives in fixed[x]"#,
     r#"exactly the value of fixed[x]"#),
    ("profile-pattern",
     r#""valueQuantity": { "value": 14, "system": "http://unitsofmeasure.org", "code": "mV" }"#,
     r#""valueQuantity": { "value": 14, "system": "http://unitsofmeasure.org", "code": "V" }"#),
    ("profile-binding",
     r#""valueCodeableConcept": { "coding": [{ "system": ".../foot-result", "code": "feels" }] }"#,
     r#""valueCodeableConcept": { "coding": [{ "system": ".../foot-result", "code": "felt" }] }"#),
    ("profile-binding-extensible",
     "a code of the clinic's own where the preferred value set has one that says the same",
     "the code of the value set, alone or beside the clinic's own"),
    ("profile-not-loaded",
     r#""meta": { "profile": ["https://harbourlane.example/fhir/StructureDefinition/own"] }   (not loaded)"#,
     "the same, with the folder of that StructureDefinition given"),
    ("profile-unusable",
     "a profile that this program loaded and then could not run",
     "nothing that a document can do"),

    ("terminology-unmapped-code",
     r#""code": { "coding": [{ "system": "https://harbourlane.example/device", "code": "X9" }] }"#,
     r#"the same with { "system": ".../foot-test", "code": "monofilament-10g" } beside it, or X9 in a ConceptMap"#),
    ("terminology-not-checked",
     r#"{ "system": "https://harbourlane.example/own-codes", "code": "A1" }   (CodeSystem not loaded)"#,
     "the same with the CodeSystem in the site's folder"),
    ("terminology-unknown-code",
     r#"{ "system": "https://harbourlane.example/own-codes", "code": "A11" }   (the CodeSystem lists A1)"#,
     r#"{ "system": "https://harbourlane.example/own-codes", "code": "A1" }"#),

    ("invariant",
     r#"obs-6: "valueQuantity": { ... }, "dataAbsentReason": { ... }"#,
     r#""valueQuantity": { ... }"#),

    ("exam-panel-missing",
     r#"{ "resourceType": "Bundle", "type": "transaction", "entry": [] }"#,
     r#"a panel Observation (foot-test|foot-exam) whose "hasMember" lists the results"#),
    ("exam-encounter-missing",
     "a single result of a device, without a panel and without \"encounter\"",
     r#""encounter": { "identifier": { "system": "https://harbourlane.example/visit", "value": "HL-VISIT-0007" } }"#),
    ("exam-member-ambiguous",
     r#"two panels in one Bundle, and a result that stands in "hasMember" of neither"#,
     r#"the result stands in "hasMember" of one of the two"#),
    ("exam-member-unlisted",
     r#""hasMember": [{ "reference": "urn:uuid:...01" }]   (the Bundle has a result ...02 as well)"#,
     r#""hasMember": [{ "reference": "urn:uuid:...01" }, { "reference": "urn:uuid:...02" }]"#),
    ("exam-member-unresolved",
     r#""hasMember": [{ "reference": "Observation/77" }]   (not in the document)"#,
     r#""hasMember": [{ "reference": "urn:uuid:...01" }]   (the fullUrl of an entry)"#),
    ("exam-subject-missing",
     r#"an Observation without "subject""#,
     r#""subject": { "identifier": { "system": "https://harbourlane.example/person", "value": "HL-PERSON-0004" } }"#),
    ("exam-subject-mismatch",
     "the panel is about HL-PERSON-0004, a result in it about HL-PERSON-0005",
     "the panel and all its results are about HL-PERSON-0004"),
    ("exam-subject-unidentified",
     r#"{ "resourceType": "Patient", "name": [ ... ] }"#,
     r#"{ "resourceType": "Patient", "identifier": [{ "system": "https://harbourlane.example/person", "value": "HL-PERSON-0004" }] }"#),
    ("exam-time-offset",
     r#""effectiveDateTime": "2026-09-14""#,
     r#""effectiveDateTime": "2026-09-14T10:20:00+01:00""#),
    ("exam-time-future",
     r#""effectiveDateTime": "2126-09-14T10:20:00+01:00""#,
     r#""effectiveDateTime": "2026-09-14T10:20:00+01:00""#),
    ("exam-side-conflict",
     r#""bodySite": left-foot, "component": [{ "code": right-hallux-plantar, ... }]"#,
     r#""bodySite": left-foot, "component": [{ "code": hallux-plantar, ... }]"#),
    ("exam-result-missing",
     r#"{ "code": { ... mth-5 ... } }"#,
     r#"{ "code": { ... mth-5 ... }, "dataAbsentReason": { "coding": [{ ... "code": "not-performed" }] } }"#),
    ("exam-result-and-reason",
     r#"{ "code": { ... mth-5 ... }, "valueCodeableConcept": { ... felt ... }, "dataAbsentReason": { ... } }"#,
     r#"{ "code": { ... mth-5 ... }, "valueCodeableConcept": { ... felt ... } }"#),
    ("exam-ratio",
     r#""valueRatio": { "numerator": { "value": 4 }, "denominator": { "value": 3 } }"#,
     r#""valueRatio": { "numerator": { "value": 2 }, "denominator": { "value": 3 } }"#),
    ("exam-range",
     r#"an ankle-brachial index with "value": 92, "code": "1""#,
     r#"an ankle-brachial index with "value": 0.92, "code": "1""#),
    ("exam-unit",
     r#""valueQuantity": { "value": 18.4, "system": "http://unitsofmeasure.org", "code": "kilopascal" }"#,
     r#""valueQuantity": { "value": 18.4, "system": "http://unitsofmeasure.org", "code": "kPa" }"#),
    ("exam-site-contradiction",
     "left hallux-plantar felt in one Observation, not-felt in another of the same exam",
     "one of the two with status entered-in-error"),
    ("exam-not-counted",
     r#""status": "cancelled""#,
     r#""status": "final""#),

    ("submit-bundle-type",
     r#"{ "resourceType": "Bundle", "type": "collection", "entry": [ ... ] }"#,
     r#"{ "resourceType": "Bundle", "type": "transaction", "entry": [ ... ] }   (a request in each entry)"#),
    ("submit-request",
     r#""request": { "method": "DELETE", "url": "Observation/1" }"#,
     r#""request": { "method": "POST", "url": "Observation" }"#),
    ("submit-criterion",
     r#""ifNoneExist": "code=foot-exam""#,
     r#""ifNoneExist": "identifier=https://harbourlane.example/exam|HL-EXAM-2026-0004""#),
    ("submit-resource-type",
     "a Bundle sent to /fhir/Observation",
     "the Bundle sent to /fhir, or one Observation sent to /fhir/Observation"),
    ("submit-nothing",
     r#"a transaction that holds a Patient and nothing else"#,
     "a transaction with the panel Observation and its findings"),
    ("submit-too-many-later",
     "an exam dated before more than 256 exams of the same person",
     "the exam with the date on which it was made"),
    ("submit-name-too-long",
     "an identifier whose value is a report of two pages",
     r#""identifier": [{ "system": "https://harbourlane.example/exam", "value": "HL-EXAM-2026-0004" }]"#),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rule_has_one_example_and_no_example_is_without_a_rule() {
        let mut rules: Vec<&str> = crate::rules().iter().map(|rule| rule.id).collect();
        let mut shown: Vec<&str> = EXAMPLES.iter().map(|row| row.0).collect();
        rules.sort_unstable();
        shown.sort_unstable();
        assert_eq!(shown, rules);
        for (rule, wrong, right) in EXAMPLES {
            assert!(!wrong.is_empty() && !right.is_empty() && wrong != right, "{rule}");
        }
    }
}
