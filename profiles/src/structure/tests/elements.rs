//! Unknown, missing, repeated, empty, of the wrong form, chosen twice.

use serde_json::json;

use super::{assert_places, issues, observation};

#[test]
fn a_plain_observation_has_no_issue() {
    assert_places(&observation(json!({})), &[]);
    assert_places(
        &observation(json!({
            "id": "a.b-1",
            "meta": {"profile": ["https://solewire.example/fhir/StructureDefinition/foot-test"]},
            "text": {"status": "generated", "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">Left foot</div>"},
            "valueQuantity": {"value": 0.70, "unit": "ratio", "system": "http://unitsofmeasure.org", "code": "1"},
            "component": [{"code": {"text": "hallux"}, "valueRatio": {"numerator": {"value": 2}, "denominator": {"value": 3}}}]
        })),
        &[],
    );
}

#[test]
fn unknown_properties_are_named_at_their_key_with_the_nearest_known_one() {
    let value = observation(json!({
        "statu": "final",
        "component": [{"code": {"coding": [{"sytem": "x"}]}, "valueQuantiy": {"value": 1}}],
        "colour~/": 1
    }));
    assert_places(
        &value,
        &[
            ("structure-unknown-property", "/colour~0~1"),
            ("structure-unknown-property", "/component/0/code/coding/0/sytem"),
            ("structure-unknown-property", "/component/0/valueQuantiy"),
            ("structure-unknown-property", "/statu"),
        ],
    );
    let found = issues(&value);
    assert_eq!(found[1].mend, "Did you mean `system`?");
    assert!(found[2].mend.contains("`valueQuantity`"), "{}", found[2].mend);
    assert_eq!(found[3].mend, "Did you mean `status`?");
    assert!(!found.iter().any(|issue| issue.message.contains("colour")), "a message quotes the document");
}

#[test]
fn a_choice_tells_the_types_that_it_takes() {
    for name in ["value", "valueReference", "valuequantity"] {
        let found = issues(&observation(json!({ name: {"value": 1} })));
        assert_eq!((found[0].rule.as_ref(), found.len()), ("structure-unknown-property", 1), "{name}");
        if name != "valuequantity" {
            assert!(found[0].message.contains("Observation.value[x]"), "{}", found[0].message);
            assert!(found[0].message.contains("`valueQuantity`"), "{}", found[0].message);
        } else {
            assert_eq!(found[0].mend, "Did you mean `valueQuantity`?");
        }
    }
}

#[test]
fn things_that_no_type_has_are_refused() {
    assert_places(
        &observation(json!({
            "code": {"text": "x", "resourceType": "CodeableConcept"},
            "fhir_comments": ["x"],
            "_code": {"id": "a"},
            "_id": {"id": "a"}
        })),
        &[
            ("structure-unknown-property", "/_code"),
            ("structure-unknown-property", "/_id"),
            ("structure-unknown-property", "/code/resourceType"),
            ("structure-unknown-property", "/fhir_comments"),
        ],
    );
}

#[test]
fn required_elements_are_missed_by_name() {
    let value = json!({"resourceType": "Observation", "component": [{"valueString": "x"}]});
    assert_places(
        &value,
        &[
            ("structure-required", "/code"),
            ("structure-required", "/component/0/code"),
            ("structure-required", "/status"),
        ],
    );
    let found = issues(&value);
    assert_eq!(found[1].message, "Observation.component.code (1..1) is missing.");
    assert_places(
        &json!({"resourceType": "MedicationAdministration", "status": "completed",
            "subject": {"reference": "Patient/1"}, "effectiveDateTime": "2026"}),
        &[("structure-required", "/medication")],
    );
    assert_places(
        &observation(json!({"extension": [{"valueString": "x"}]})),
        &[("structure-required", "/extension/0/url")],
    );
}

#[test]
fn a_companion_satisfies_a_minimum() {
    let absent = json!({"extension": [{
        "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]});
    let mut value = observation(json!({"_status": absent}));
    value.as_object_mut().unwrap().shift_remove("status");
    assert_places(&value, &[]);
    let mut other = json!({"resourceType": "MedicationAdministration", "status": "completed",
        "medicationReference": {"reference": "Medication/1"}, "subject": {"reference": "Patient/1"}});
    other["_effectiveDateTime"] = absent;
    assert_places(&other, &[]);
}

#[test]
fn arrays_are_arrays_by_the_base_and_never_empty() {
    let value = observation(json!({
        "category": {"text": "exam"},
        "subject": [{"reference": "Patient/1"}],
        "performer": [],
        "method": {},
        "effectiveDateTime": ["2026"],
        "interpretation": [{}],
        "note": [[{"text": "x"}]]
    }));
    assert_places(
        &value,
        &[
            ("structure-type", "/category"),
            ("structure-type", "/effectiveDateTime"),
            ("structure-cardinality", "/interpretation/0"),
            ("structure-cardinality", "/method"),
            ("structure-type", "/note/0"),
            ("structure-cardinality", "/performer"),
            ("structure-type", "/subject"),
        ],
    );
    let found = issues(&value);
    assert!(found[0].message.contains("0..*") && found[0].message.contains("even of one"));
    assert!(found[6].message.contains("0..1") && found[6].message.contains("never an array"));
}

#[test]
fn values_have_the_json_form_of_their_type() {
    assert_places(
        &observation(json!({
            "status": true,
            "code": "x",
            "valueQuantity": {"value": "1.5"},
            "component": [null, "x"],
            "issued": null,
            "bodySite": null
        })),
        &[
            ("structure-type", "/bodySite"),
            ("structure-type", "/code"),
            ("structure-type", "/component/0"),
            ("structure-type", "/component/1"),
            ("structure-type", "/issued"),
            ("structure-type", "/status"),
            ("structure-type", "/valueQuantity/value"),
        ],
    );
    let found = issues(&observation(json!({"valueQuantity": {"value": "1.5"}})));
    assert_eq!(
        found[0].message,
        "Quantity.value is of type decimal: its JSON is a number, without quotes, not a string."
    );
    assert_eq!(found[0].value.as_deref(), Some("\"1.5\""));
}

#[test]
fn a_choice_is_made_once() {
    assert_places(
        &observation(json!({
            "valueQuantity": {"value": 1},
            "valueString": "x",
            "_valueBoolean": {"id": "a"},
            "_effectiveDateTime": {"id": "b"}
        })),
        &[("structure-choice", "/_valueBoolean"), ("structure-choice", "/valueString")],
    );
}

#[test]
fn a_simple_quantity_has_no_comparator() {
    assert_places(
        &observation(json!({"referenceRange": [{"low": {"value": 1, "comparator": "<"}}]})),
        &[("structure-cardinality", "/referenceRange/0/low/comparator")],
    );
    assert_places(&observation(json!({"valueQuantity": {"value": 1, "comparator": "<"}})), &[]);
}
