//! Primitives and their companions, codes, reference targets.

use serde_json::{Value, json};

use super::{assert_places, issues, observation};

#[test]
fn primitives_are_judged_on_their_text() {
    let number = |text: &str| serde_json::from_str::<Value>(text).unwrap();
    assert_places(
        &observation(json!({
            "id": "a_b",
            "effectiveDateTime": "2026-02-30",
            "issued": "2026-03-02",
            "valueString": "",
            "implicitRules": "a b",
            "component": [
                {"code": {"text": "a\u{a0}b"}, "valueInteger": number("1.0")},
                {"code": {"text": "x"}, "valueInteger": number("2147483648")},
                {"code": {"text": "\u{1}"}, "valueInteger": number("-2147483648")},
                {"code": {"text": "x"}, "valueTime": "9:30:00"}
            ]
        })),
        &[
            ("structure-primitive", "/component/0/valueInteger"),
            ("structure-primitive", "/component/1/valueInteger"),
            ("structure-primitive", "/component/2/code/text"),
            ("structure-primitive", "/component/3/valueTime"),
            ("structure-primitive", "/effectiveDateTime"),
            ("structure-primitive", "/id"),
            ("structure-primitive", "/implicitRules"),
            ("structure-primitive", "/issued"),
            ("structure-primitive", "/valueString"),
        ],
    );
}

#[test]
fn messages_tell_the_form_and_keep_the_value_apart() {
    let found = issues(&observation(json!({"effectiveDateTime": "2026-03-02T09:30:00"})));
    assert!(
        found[0].message.starts_with("Observation.effective[x] has a time without a zone (type dateTime:")
    );
    assert_eq!(found[0].mend, "Add the zone: `Z`, or an offset such as `+01:00`.");
    assert_eq!(found[0].value.as_deref(), Some("\"2026-03-02T09:30:00\""));
    assert!(!found[0].message.contains("2026"));
}

#[test]
fn required_codes_are_exact_and_the_nearest_is_named() {
    let found = issues(&observation(json!({"status": "Final"})));
    assert_eq!((found[0].rule.as_ref(), found[0].pointer.as_str()), ("structure-code", "/status"));
    assert!(found[0].message.contains("ObservationStatus (required binding"), "{}", found[0].message);
    assert!(found[0].message.contains("`registered`"));
    assert_eq!(found[0].mend, "Did you mean `final`?");
    assert_places(&observation(json!({"status": ""})), &[("structure-primitive", "/status")]);
    assert_places(
        &observation(
            json!({"valueQuantity": {"value": 1, "comparator": "=<"}, "text": {"status": "done", "div": "<div/>"}}),
        ),
        &[("structure-code", "/text/status"), ("structure-code", "/valueQuantity/comparator")],
    );
}

#[test]
fn a_concept_under_a_required_binding_has_a_coding_from_it() {
    let condition = |status: Value| json!({"resourceType": "Condition", "subject": {"reference": "Patient/1"}, "clinicalStatus": status});
    let system = "http://terminology.hl7.org/CodeSystem/condition-clinical";
    let good = condition(
        json!({"coding": [{"system": "urn:x", "code": "y"}, {"system": system, "code": "active"}]}),
    );
    assert_places(&good, &[]);
    for bad in [
        json!({"text": "active"}),
        json!({"coding": [{"code": "active"}]}),
        json!({"coding": [{"system": system, "code": "ACTIVE"}]}),
    ] {
        let bad = condition(bad);
        assert_places(&bad, &[("structure-code", "/clinicalStatus")]);
        assert!(issues(&bad)[0].message.contains(system));
    }
}

#[test]
fn value_sets_that_cannot_be_listed_let_any_code_pass() {
    let media = json!({"resourceType": "Binary", "contentType": "application/x-harbour", "data": "aGVs"});
    assert_places(&media, &[]);
}

#[test]
fn companions_are_objects_of_id_and_extension() {
    assert_places(
        &observation(json!({
            "_status": {"id": "a", "value": 1},
            "_issued": {},
            "_effectiveDateTime": "x",
            "_implicitRules": null
        })),
        &[
            ("structure-type", "/_effectiveDateTime"),
            ("structure-type", "/_implicitRules"),
            ("structure-cardinality", "/_issued"),
            ("structure-unknown-property", "/_status/value"),
        ],
    );
}

#[test]
fn repeating_primitives_pair_with_their_companions() {
    let patient = |name: Value| json!({"resourceType": "Patient", "name": [name]});
    let absent = json!({"extension": [{"url": "http://harbourlane.example/x", "valueBoolean": true}]});
    assert_places(&patient(json!({"given": ["Ada", null], "_given": [null, absent]})), &[]);
    assert_places(&patient(json!({"_given": [absent]})), &[]);
    let cases = [
        (json!({"given": ["Ada"], "_given": [null, absent]}), "/name/0/_given"),
        (json!({"given": ["Ada", null], "_given": [absent, null]}), "/name/0/given/1"),
        (json!({"given": ["Ada", null]}), "/name/0/given/1"),
        (json!({"given": ["", "Ada"]}), "/name/0/given/0"),
        (json!({"_given": [null, absent]}), "/name/0/_given/0"),
    ];
    for (name, pointer) in cases {
        assert_places(&patient(name), &[("structure-primitive", pointer)]);
    }
    assert_places(
        &patient(json!({"given": ["Ada"], "_given": absent})),
        &[("structure-type", "/name/0/_given")],
    );
    assert_places(
        &patient(json!({"given": ["Ada"], "_given": ["x"]})),
        &[("structure-type", "/name/0/_given/0")],
    );
    assert_places(
        &patient(json!({"given": ["Ada", "B"], "_given": [null, null]})),
        &[("structure-cardinality", "/name/0/_given")],
    );
    assert_places(&patient(json!({"_given": [null]})), &[("structure-primitive", "/name/0/_given/0")]);
}

#[test]
fn repeating_codes_allow_padding_and_nothing_else() {
    let schedule = |days: Value| {
        json!({"resourceType": "ServiceRequest", "status": "active", "intent": "order",
            "subject": {"reference": "Patient/1"}, "occurrenceTiming": {"repeat": days}})
    };
    let absent = json!({"extension": [{"url": "http://harbourlane.example/x", "valueBoolean": true}]});
    assert_places(&schedule(json!({"dayOfWeek": ["mon", null], "_dayOfWeek": [null, absent]})), &[]);
    assert_places(
        &schedule(json!({"dayOfWeek": ["mon", "Monday"]})),
        &[("structure-code", "/occurrenceTiming/repeat/dayOfWeek/1")],
    );
}

#[test]
fn references_point_at_the_types_allowed() {
    let cases = [
        (json!({"reference": "Patient/1"}), None),
        (json!({"reference": "Patient/1/_history/3"}), None),
        (json!({"reference": "#p"}), None),
        (json!({"reference": "https://harbourlane.example/fhir/Device/1"}), None),
        (json!({"identifier": {"value": "1"}, "type": "Group"}), None),
        (json!({"reference": "Practitioner/1"}), Some("/subject/reference")),
        (json!({"reference": "Patients/1"}), Some("/subject/reference")),
        (json!({"reference": "https://harbourlane.example/fhir/Encounter/1"}), Some("/subject/reference")),
        (json!({"identifier": {"value": "1"}, "type": "Encounter"}), Some("/subject/type")),
        (json!({"reference": "Patient/1", "type": "Group"}), Some("/subject/type")),
    ];
    for (subject, pointer) in cases {
        let value = observation(json!({ "subject": subject }));
        match pointer {
            None => assert_places(&value, &[]),
            Some(pointer) => assert_places(&value, &[("structure-reference-target", pointer)]),
        }
    }
    let found = issues(&observation(json!({"subject": {"reference": "Practitioner/1"}})));
    assert_eq!(
        found[0].message,
        "Observation.subject may not point at this resource type. It takes `Patient`, `Group`, `Device`, `Location`."
    );
}
