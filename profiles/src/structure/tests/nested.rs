//! Resource types, resources inside resources, extensions.

use serde_json::{Value, json};

use super::{assert_places, issues, observation};

#[test]
fn a_resource_says_which_type_it_is() {
    for (value, pointer) in [
        (json!([]), ""),
        (json!("Observation"), ""),
        (json!({"status": "final"}), "/resourceType"),
        (json!({"resourceType": 1}), "/resourceType"),
        (json!({"resourceType": "DomainResource"}), "/resourceType"),
        (json!({"resourceType": "Quantity"}), "/resourceType"),
    ] {
        assert_places(&value, &[("structure-resource-type", pointer)]);
    }
    let found = issues(&json!({"resourceType": "observation"}));
    assert_eq!(found[0].mend, "Did you mean `Observation`?");
}

#[test]
fn contained_resources_are_held_against_their_own_type() {
    assert_places(
        &observation(json!({"contained": [
            {"resourceType": "Patient", "id": "p", "gender": "Female"},
            {"resourceType": "Patient"},
            {"resourceType": "Device", "id": "p"},
            {"resourceType": "Device", "id": "q", "contained": [{"resourceType": "Device", "id": "r", "x": 1}]},
            7
        ]})),
        &[
            ("structure-code", "/contained/0/gender"),
            ("structure-contained", "/contained/1/id"),
            ("structure-contained", "/contained/2/id"),
            ("structure-contained", "/contained/3/contained"),
            ("structure-unknown-property", "/contained/3/contained/0/x"),
            ("structure-type", "/contained/4"),
        ],
    );
}

#[test]
fn entries_and_parameters_are_held_against_their_own_type() {
    assert_places(
        &json!({"resourceType": "Bundle", "type": "batch-response", "entry": [
            {"resource": {"resourceType": "Basic"}, "response": {"status": "200",
                "outcome": {"resourceType": "OperationOutcome", "issue": [{"severity": "bad", "code": "value"}]}}},
            {"resource": {"resourceType": "Basics"}},
            {"resource": "x"},
            {"resource": {"resourceType": "Bundle", "type": "collection", "entry": [
                {"resource": {"resourceType": "Basic"}}]}}
        ]}),
        &[
            ("structure-required", "/entry/0/resource/code"),
            ("structure-code", "/entry/0/response/outcome/issue/0/severity"),
            ("structure-resource-type", "/entry/1/resource/resourceType"),
            ("structure-type", "/entry/2/resource"),
            ("structure-required", "/entry/3/resource/entry/0/resource/code"),
        ],
    );
    assert_places(
        &json!({"resourceType": "Parameters", "parameter": [
            {"name": "a", "part": [{"name": "b", "resource": {"resourceType": "Basic"}}]},
            {"name": "c", "valueReference": {"reference": "x", "colour": 1}}
        ]}),
        &[
            ("structure-required", "/parameter/0/part/0/resource/code"),
            ("structure-unknown-property", "/parameter/1/valueReference/colour"),
        ],
    );
}

#[test]
fn extensions_are_checked_at_any_depth_with_whole_pointers() {
    assert_places(
        &observation(json!({
            "extension": [{"url": "http://harbourlane.example/a", "extension": [
                {"url": "b", "valueQuantity": {"value": 1, "extension": [{"url": "c", "valueDate": "2026-02-30"}]}}]}],
            "component": [{"code": {"text": "x"}, "modifierExtension": [{"url": "d", "valueX": 1}]}]
        })),
        &[
            ("structure-unknown-property", "/component/0/modifierExtension/0/valueX"),
            ("structure-primitive", "/extension/0/extension/0/valueQuantity/extension/0/valueDate"),
        ],
    );
    assert_places(
        &observation(
            json!({"extension": [{"url": "a b", "_url": {"id": "x"}, "valueString": "x", "valueCode": "y"}]}),
        ),
        &[
            ("structure-unknown-property", "/extension/0/_url"),
            ("structure-primitive", "/extension/0/url"),
            ("structure-choice", "/extension/0/valueCode"),
        ],
    );
}

#[test]
fn deep_nesting_stays_cheap() {
    // As deep as a document may be; the innermost is at fault, which every level above has to find.
    let mut extension = json!({"url": "x", "valueDate": "2026-02-30"});
    let mut pointer = "/valueDate".to_owned();
    for _ in 0..30 {
        extension = json!({"url": "x", "extension": [extension, {"url": "y", "valueInteger": 1}]});
        pointer.insert_str(0, "/extension/0");
    }
    let value = observation(json!({ "extension": [extension] }));
    assert_places(&value, &[("structure-primitive", &format!("/extension/0{pointer}"))]);
}

#[test]
fn recursive_groups_are_followed() {
    let item = json!({"linkId": "1", "type": "group", "item": [{"linkId": "2", "type": "group", "item": [
        {"type": "strin"}]}]});
    let value: Value = json!({"resourceType": "Questionnaire", "status": "draft", "item": [item]});
    assert_places(
        &value,
        &[
            ("structure-required", "/item/0/item/0/item/0/linkId"),
            ("structure-code", "/item/0/item/0/item/0/type"),
        ],
    );
    assert_eq!(issues(&value)[1].mend, "Did you mean `string`?");
}

#[test]
fn the_list_of_issues_is_bounded_and_says_so() {
    let notes: Vec<Value> = (0..12_000).map(|_| json!({"txt": "x"})).collect();
    let found = issues(&observation(json!({ "note": notes })));
    assert_eq!(found.len(), crate::issue::MOST_ISSUES + 1);
    assert_eq!((found[0].rule.as_ref(), found[0].pointer.as_str()), ("structure-more-issues", ""));
}
