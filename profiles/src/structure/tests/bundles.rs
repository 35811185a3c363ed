//! fullUrls and references across a Bundle.

use serde_json::{Value, json};

use super::{assert_places, observation};

const PATIENT: &str = "urn:uuid:0f2c1e5a-0000-4000-8000-00000000000a";

fn bundle(entries: Value) -> Value {
    json!({"resourceType": "Bundle", "type": "collection", "entry": entries})
}

fn patient(id: &str) -> Value {
    json!({"resourceType": "Patient", "id": id})
}

#[test]
fn a_full_url_stands_once_unless_versions_differ() {
    let entry = |version: Option<&str>| {
        let mut resource = patient("1");
        if let Some(version) = version {
            resource["meta"] = json!({"versionId": version});
        }
        json!({"fullUrl": "https://harbourlane.example/fhir/Patient/1", "resource": resource})
    };
    let duplicate = [("bundle-full-url-duplicate", "/entry/1/fullUrl")];
    assert_places(&bundle(json!([entry(None), entry(None)])), &duplicate);
    assert_places(&bundle(json!([entry(Some("1")), entry(Some("1"))])), &duplicate);
    assert_places(&bundle(json!([entry(Some("1")), entry(Some("2")), entry(None)])), &[]);
    let mut history = bundle(json!([entry(Some("1")), entry(Some("1"))]));
    history["type"] = json!("history");
    assert_places(&history, &[]);
}

#[test]
fn a_restful_full_url_agrees_with_its_resource() {
    let place =
        |full_url: &str, resource: Value| bundle(json!([{"fullUrl": full_url, "resource": resource}]));
    let mismatch = [("bundle-full-url-mismatch", "/entry/0/fullUrl")];
    for full_url in [
        "https://harbourlane.example/fhir/Patient/2",
        "https://harbourlane.example/fhir/Device/1",
        "https://harbourlane.example/fhir/Patient/1A",
    ] {
        assert_places(&place(full_url, patient("1")), &mismatch);
    }
    for full_url in [
        "https://harbourlane.example/fhir/Patient/1",
        "https://harbourlane.example/wards/12",
        PATIENT,
        "urn:oid:1.2.3",
    ] {
        assert_places(&place(full_url, patient("1")), &[]);
    }
    assert_places(&place("Patient/1", patient("1")), &[("structure-primitive", "/entry/0/fullUrl")]);
    let without_id = json!({"resourceType": "Patient", "active": true});
    assert_places(&place("https://harbourlane.example/fhir/Patient/2", without_id), &[]);
}

#[test]
fn a_urn_reference_has_an_entry() {
    let finding = |reference: &str| observation(json!({"subject": {"reference": reference}}));
    let entries = |reference: &str| {
        bundle(json!([
            {"fullUrl": PATIENT, "resource": {"resourceType": "Patient", "active": true}},
            {"fullUrl": "urn:oid:1.2.3", "resource": finding(reference)}
        ]))
    };
    let unresolved = [("bundle-reference-unresolved", "/entry/1/resource/subject/reference")];
    assert_places(&entries(PATIENT), &[]);
    assert_places(&entries("Patient/1"), &[]);
    assert_places(&entries("urn:oid:1.2.4"), &unresolved);
    assert_places(&entries(&PATIENT.replace("0a", "0A")), &unresolved);
    // Alone, a resource has no Bundle to look in.
    assert_places(&finding(PATIENT), &[]);
}

#[test]
fn an_inner_bundle_resolves_its_own_references() {
    let finding = observation(json!({"subject": {"reference": PATIENT}}));
    let inner = bundle(json!([{"fullUrl": "urn:oid:1.2.3", "resource": finding}]));
    let outer = bundle(json!([
        {"fullUrl": PATIENT, "resource": {"resourceType": "Patient", "active": true}},
        {"fullUrl": "urn:oid:1.2.4", "resource": inner}
    ]));
    assert_places(
        &outer,
        &[("bundle-reference-unresolved", "/entry/1/resource/entry/0/resource/subject/reference")],
    );
}

#[test]
fn a_resolved_reference_leads_to_a_type_allowed() {
    let nurse = "urn:uuid:0f2c1e5a-0000-4000-8000-00000000000b";
    let finding = observation(json!({
        "subject": {"reference": nurse},
        "performer": [{"reference": nurse}],
        "component": [{"code": {"text": "x"}, "extension": [
            {"url": "http://harbourlane.example/x", "valueReference": {"reference": nurse}}]}]
    }));
    assert_places(
        &bundle(json!([
            {"fullUrl": nurse, "resource": {"resourceType": "Practitioner", "active": true}},
            {"fullUrl": PATIENT, "resource": finding}
        ])),
        &[("structure-reference-target", "/entry/1/resource/subject/reference")],
    );
    assert_places(
        &observation(json!({
            "contained": [
                {"resourceType": "Practitioner", "id": "n"},
                {"resourceType": "Specimen", "id": "s", "subject": {"reference": "#n"}, "parent": [{"reference": "#"}]}
            ],
            "subject": {"reference": "#n"},
            "performer": [{"reference": "#n"}],
            "specimen": {"reference": "#s"},
            "device": {"reference": "#absent"}
        })),
        &[
            ("structure-reference-target", "/contained/1/parent/0/reference"),
            ("structure-reference-target", "/contained/1/subject/reference"),
            ("structure-reference-target", "/subject/reference"),
        ],
    );
}

#[test]
fn references_inside_parameters_of_a_bundle_resolve_in_it() {
    let finding = observation(json!({"subject": {"reference": PATIENT}}));
    let parameters = json!({"resourceType": "Parameters", "parameter": [
        {"name": "a", "resource": finding}, {"name": "b", "valueReference": {"reference": "urn:oid:1.2.3"}}]});
    assert_places(
        &bundle(json!([
            {"fullUrl": PATIENT, "resource": {"resourceType": "Patient", "active": true}},
            {"resource": parameters}
        ])),
        &[("bundle-reference-unresolved", "/entry/1/resource/parameter/1/valueReference/reference")],
    );
}
