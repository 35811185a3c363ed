//! The invariants that HL7 publishes for R4.

use serde_json::{Value, json};

use super::super::exceptions::{EXCEPTIONS, Treatment};
use super::super::{Constraint, Expression, Focus, InvariantTable, Origin, Steps, check};
use super::{rows, table, types};

/// Keys and pointers of the issues, in the order of keys.
fn broken(value: &Value) -> Vec<(String, String)> {
    let table = table();
    let mut issues = Vec::new();
    check(value, table, &types, &mut issues);
    let mut found: Vec<_> =
        issues.iter().map(|issue| (issue.rule.clone().into_owned(), issue.pointer.clone())).collect();
    found.sort();
    found
}

#[track_caller]
fn assert_broken(value: &Value, expected: &[(&str, &str)]) {
    let found = broken(value);
    let found: Vec<_> = found.iter().map(|(key, pointer)| (key.as_str(), pointer.as_str())).collect();
    assert_eq!(found, expected, "{value}");
}

#[test]
fn every_published_expression_compiles_or_is_an_exception() {
    let rows = rows();
    assert!(rows.len() > 200, "{}", rows.len());
    for row in &rows {
        if let Err(error) = Expression::compile(row.expression) {
            let listed = EXCEPTIONS.iter().any(|exception| exception.key == row.key);
            assert!(listed, "{} {}: {error}", row.key, row.expression);
        }
    }
    for exception in EXCEPTIONS {
        if let Treatment::Restated(expression) = exception.treatment {
            assert!(Expression::compile(expression).is_ok(), "{expression}");
        }
    }
}

#[test]
fn one_table_serves_many_threads() {
    let value =
        json!({"resourceType": "Observation", "valueBoolean": true, "dataAbsentReason": {"text": "no"}});
    let found: Vec<usize> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..4).map(|_| scope.spawn(|| broken(&value).len())).collect();
        workers.into_iter().map(|worker| worker.join().unwrap()).collect()
    });
    assert_eq!(found, [1, 1, 1, 1]);
}

#[test]
fn what_is_passed_by_without_a_property_is_true_without_it() {
    let mut names = Vec::new();
    for row in rows() {
        let Ok(expression) = Expression::compile(row.expression) else { continue };
        let Some(name) = expression.idle_without() else { continue };
        // As much as may stand in a resource, but not that property.
        let mut value = json!({
            "resourceType": "Bundle", "code": {"text": "x"}, "value": 1, "status": "final", "type": "x",
            "total": 1, "entry": [{"fullUrl": "urn:uuid:1", "search": {"mode": "match"}}], "component": [{}]
        });
        value.as_object_mut().unwrap().retain(|key, _| !key.starts_with(name));
        let types = |parent: &str, property: &str| types(parent, property);
        let focus = Focus::resource(&value, &types, &Steps::for_document(&value));
        assert_eq!(expression.decide(&focus), Ok(Some(true)), "{} {}", row.key, row.expression);
        names.push(name.to_owned());
    }
    for name in ["contained", "dataAbsentReason", "total"] {
        assert!(names.iter().any(|known| known == name), "{names:?}");
    }
}

#[test]
fn every_exception_is_published_and_has_a_reason() {
    let rows = rows();
    for exception in EXCEPTIONS {
        assert!(rows.iter().any(|row| row.key == exception.key), "{}", exception.key);
        assert!(exception.reason.len() > 20, "{}", exception.key);
        assert_eq!(EXCEPTIONS.iter().filter(|other| other.key == exception.key).count(), 1);
    }
}

#[test]
fn a_row_that_cannot_be_used_is_named() {
    let mut row = rows()[0];
    (row.path, row.key, row.expression) = ("Patient.name", "own-1", "given.resolve()");
    let error = Constraint::compile(row, Origin::Fhir).unwrap_err();
    assert_eq!(
        error.to_string(),
        "invariant own-1 on Patient.name: the function `resolve()` at offset 6 is outside the supported FHIRPath subset"
    );
}

#[test]
fn a_row_that_cannot_be_used_is_never_passed_over() {
    let mut row = rows()[0];
    (row.path, row.key, row.expression) = ("Patient", "own-1", "name.resolve()");
    let mut issues = Vec::new();
    let patient = json!({"resourceType": "Patient", "active": true});
    check(&patient, &InvariantTable::published([row]), &types, &mut issues);
    let [issue] = issues.as_slice() else { panic!("{issues:?}") };
    assert_eq!((issue.rule.as_ref(), issue.severity), ("invariant", row.severity));
    assert!(issue.message.contains("own-1 cannot be evaluated here"), "{}", issue.message);
}

#[test]
fn an_issue_tells_key_place_condition_and_remedy() {
    let value =
        json!({"resourceType": "Observation", "valueBoolean": true, "dataAbsentReason": {"text": "no"}});
    let mut issues = Vec::new();
    let table = table();
    check(&value, table, &types, &mut issues);
    let issue = &issues[0];
    assert_eq!(
        (issue.rule.as_ref(), issue.severity.code(), issue.issue_type.code()),
        ("obs-6", "error", "invariant")
    );
    assert!(issue.message.contains("dataAbsentReason SHALL only be present"), "{}", issue.message);
    assert!(!issue.mend.is_empty());
}

#[test]
fn observation_values_and_reasons() {
    let code = |code: &str| json!({"coding": [{"system": "https://harbourlane.example/c", "code": code}]});
    let with = |value: Value, component: &str| {
        let mut observation = json!({"resourceType": "Observation", "code": code("a"),
            "component": [{"code": code("x"), "valueString": "v"}, {"code": code(component), "valueString": "v"}]});
        observation.as_object_mut().unwrap().extend(value.as_object().unwrap().clone());
        observation
    };
    assert_broken(&with(json!({"valueString": "v"}), "b"), &[]);
    assert_broken(&with(json!({}), "a"), &[]);
    assert_broken(&with(json!({"valueString": "v"}), "a"), &[("obs-7", "")]);
    // A value that is only an extension is a value all the same.
    let extension = json!({"extension": [{"url": "u", "valueString": "x"}]});
    let value = json!({"_valueString": extension, "dataAbsentReason": {"text": "t"}});
    assert_broken(&with(value, "b"), &[("obs-6", "")]);
    let range =
        json!({"resourceType": "Observation", "referenceRange": [{"type": {"text": "t"}}, {"text": "t"}]});
    assert_broken(&range, &[("obs-3", "/referenceRange/0")]);
}

#[test]
fn bundles() {
    let bundle = |kind: &str, rest: Value| {
        let mut bundle = json!({"resourceType": "Bundle", "type": kind});
        bundle.as_object_mut().unwrap().extend(rest.as_object().unwrap().clone());
        bundle
    };
    let request = json!({"method": "POST", "url": "Patient"});
    let person = json!({"resourceType": "Patient", "active": true});
    let cases = [
        ("collection", json!({"total": 1}), vec![("bdl-1", "")]),
        ("searchset", json!({"total": 1}), vec![]),
        (
            "collection",
            json!({"entry": [{"resource": person, "search": {"mode": "match"}}]}),
            vec![("bdl-2", "")],
        ),
        (
            "collection",
            json!({"entry": [{"resource": person, "request": request}]}),
            vec![("bdl-3", "/entry/0")],
        ),
        ("transaction", json!({"entry": [{"resource": person, "request": request}]}), vec![]),
        ("transaction", json!({"entry": [{"resource": person}]}), vec![("bdl-3", "/entry/0")]),
        (
            "collection",
            json!({"entry": [{"resource": person, "response": {"status": "200"}}]}),
            vec![("bdl-4", "/entry/0")],
        ),
        ("batch-response", json!({"entry": [{"response": {"status": "200"}}]}), vec![]),
        ("collection", json!({"entry": [{"fullUrl": "urn:x"}]}), vec![("bdl-5", "/entry/0")]),
        (
            "collection",
            json!({"entry": [{"fullUrl": "urn:x", "resource": person}, {"fullUrl": "urn:x", "resource": person}]}),
            vec![("bdl-7", "")],
        ),
        (
            "collection",
            json!({"entry": [{"fullUrl": "https://harbourlane.example/Patient/1/_history/2", "resource": person}]}),
            vec![("bdl-8", "/entry/0")],
        ),
        (
            "document",
            json!({"entry": [{"resource": person}]}),
            vec![("bdl-10", ""), ("bdl-11", ""), ("bdl-9", "")],
        ),
        (
            "document",
            json!({
                "identifier": {"system": "https://harbourlane.example/d", "value": "1"},
                "timestamp": "2026-01-02T03:04:05Z",
                "entry": [{"resource": {"resourceType": "Composition", "title": "t"}}]
            }),
            vec![],
        ),
        ("message", json!({"entry": [{"resource": person}]}), vec![("bdl-12", "")]),
        ("message", json!({"entry": [{"resource": {"resourceType": "MessageHeader", "id": "m"}}]}), vec![]),
    ];
    for (kind, rest, expected) in cases {
        assert_broken(&bundle(kind, rest), &expected);
    }
    // Without a type nothing is said about what depends on it: the required element is another rule's matter.
    assert_broken(&json!({"resourceType": "Bundle", "entry": [{"resource": person}]}), &[]);
}

#[test]
fn nested_resources_are_their_own_context() {
    let observation =
        json!({"resourceType": "Observation", "valueBoolean": true, "dataAbsentReason": {"text": "t"}});
    let bundle = json!({"resourceType": "Bundle", "type": "collection", "entry": [
        {"resource": {"resourceType": "Patient", "active": true}}, {"resource": observation}]});
    assert_broken(&bundle, &[("obs-6", "/entry/1/resource")]);
}

#[test]
fn data_types() {
    let value = |name: &str, value: Value| json!({"resourceType": "Observation", name: value});
    let period = |start: &str, end: &str| value("effectivePeriod", json!({"start": start, "end": end}));
    assert_broken(&period("2026-01-01", "2026-01-02"), &[]);
    assert_broken(&period("2026-01-02", "2026-01-02"), &[]);
    assert_broken(&period("2026-01-03", "2026-01-02"), &[("per-1", "/effectivePeriod")]);
    assert_broken(
        &period("2026-01-02T12:00:00+02:00", "2026-01-02T09:59:59Z"),
        &[("per-1", "/effectivePeriod")],
    );
    // The end may lie after the start: nothing is known against it.
    assert_broken(&period("2026-03-01", "2026"), &[]);
    assert_broken(&value("effectivePeriod", json!({"start": "2026"})), &[]);

    let ucum = "http://unitsofmeasure.org";
    assert_broken(&value("valueQuantity", json!({"value": 1, "code": "V", "system": ucum})), &[]);
    assert_broken(&value("valueQuantity", json!({"value": 1, "code": "V"})), &[("qty-3", "/valueQuantity")]);

    let quantity = json!({"value": 2});
    assert_broken(&value("valueRatio", json!({"numerator": quantity, "denominator": quantity})), &[]);
    assert_broken(&value("valueRatio", json!({"numerator": quantity})), &[("rat-1", "/valueRatio")]);
    assert_broken(
        &value("valueRatio", json!({"id": "r"})),
        &[("ele-1", "/valueRatio"), ("rat-1", "/valueRatio")],
    );
    let extended = json!({"extension": [{"url": "u", "valueString": "x"}]});
    assert_broken(&value("valueRatio", extended), &[]);
}

#[test]
fn risk_predictions() {
    let with = |prediction: Value| json!({"resourceType": "RiskAssessment", "prediction": [prediction]});
    let percent = |value: u32| json!({"value": value, "code": "%", "system": "http://unitsofmeasure.org"});
    let range = "/prediction/0/probabilityRange";
    assert_broken(&with(json!({"probabilityDecimal": 100})), &[]);
    assert_broken(&with(json!({"probabilityDecimal": 100.01})), &[("ras-2", "/prediction/0")]);
    assert_broken(&with(json!({"probabilityRange": {"low": percent(1), "high": percent(2)}})), &[]);
    assert_broken(
        &with(json!({"probabilityRange": {"low": percent(3), "high": percent(2)}})),
        &[("rng-2", range)],
    );
    // A limit without a unit is no percentage either.
    for bare in [json!({"value": 1}), json!({"value": 1, "code": "1", "system": "http://unitsofmeasure.org"})]
    {
        assert_broken(&with(json!({"probabilityRange": {"low": bare}})), &[("ras-1", range)]);
    }
}

#[test]
fn conditions() {
    let coded = |list: &str, code: &str| json!({"coding": [{"system": format!("http://terminology.hl7.org/CodeSystem/{list}"), "code": code}]});
    let condition = |rest: Value| {
        let mut condition = json!({"resourceType": "Condition"});
        condition.as_object_mut().unwrap().extend(rest.as_object().unwrap().clone());
        condition
    };
    let status = |code: &str| coded("condition-clinical", code);
    let wrong = coded("condition-ver-status", "entered-in-error");
    assert_broken(&condition(json!({"clinicalStatus": status("resolved"), "abatementString": "x"})), &[]);
    assert_broken(
        &condition(json!({"clinicalStatus": status("active"), "abatementDateTime": "2020"})),
        &[("con-4", "")],
    );
    assert_broken(&condition(json!({"verificationStatus": wrong})), &[]);
    assert_broken(
        &condition(json!({"verificationStatus": wrong, "clinicalStatus": status("active")})),
        &[("con-5", "")],
    );
    assert_broken(&condition(json!({"category": [coded("condition-category", "encounter-diagnosis")]})), &[]);
    assert_broken(
        &condition(json!({"category": [coded("condition-category", "problem-list-item")]})),
        &[("con-3", "")],
    );
}

#[test]
fn contained_resources_and_references() {
    let with = |contained: Value, reference: &str| json!({"resourceType": "Observation", "contained": [contained], "subject": {"reference": reference}});
    let person = json!({"resourceType": "Patient", "id": "p", "active": true});
    assert_broken(&with(person.clone(), "#p"), &[]);
    assert_broken(&with(person.clone(), "Patient/p"), &[("dom-3", "/contained/0")]);
    assert_broken(&with(person.clone(), "#q"), &[("dom-3", "/contained/0"), ("ref-1", "/subject")]);
    let upward = json!({"resourceType": "Patient", "id": "p", "managingOrganization": {"reference": "#"}});
    assert_broken(&with(upward, "Patient/x"), &[]);
    let nested = json!({"resourceType": "Patient", "id": "p", "contained": [person]});
    assert!(broken(&with(nested, "#p")).contains(&("dom-2".to_owned(), String::new())));
    let dated = json!({"resourceType": "Patient", "id": "p", "meta": {"versionId": "1"}});
    assert_broken(&with(dated, "#p"), &[("dom-4", "")]);
    let marked = json!({"resourceType": "Patient", "id": "p", "meta": {"security": [{"code": "R"}]}});
    assert_broken(&with(marked, "#p"), &[("dom-5", "")]);
    // Contained resources refer to each other through their container.
    let chain = json!({"resourceType": "Observation", "subject": {"reference": "#p"}, "contained": [
        {"resourceType": "Patient", "id": "p", "managingOrganization": {"reference": "#o"}},
        {"resourceType": "Organization", "id": "o", "name": "Harbour Lane"}]});
    assert_broken(&chain, &[]);
    // A logical reference has no address that could be wrong.
    let logical = json!({"resourceType": "Observation", "subject": {"identifier": {"value": "1"}}});
    assert_broken(&logical, &[]);
}

#[test]
fn extensions_and_empty_elements() {
    let with =
        |extension: Value| json!({"resourceType": "Patient", "active": true, "extension": [extension]});
    let nested = json!([{"url": "n", "valueString": "x"}]);
    assert_broken(&with(json!({"url": "u", "valueBoolean": false})), &[]);
    assert_broken(&with(json!({"url": "u", "extension": nested})), &[]);
    assert_broken(&with(json!({"url": "u"})), &[("ext-1", "/extension/0")]);
    assert_broken(
        &with(json!({"url": "u", "extension": nested, "valueString": "x"})),
        &[("ext-1", "/extension/0")],
    );
    let deep = json!({"resourceType": "Patient", "birthDate": "1970", "_birthDate": {"extension": [{"url": "u"}]},
        "name": [{"given": ["A", null], "_given": [null, {"extension": [{"url": "v"}]}]}, {"id": "only"}],
        "_active": {"id": "x"}});
    assert_broken(
        &deep,
        &[
            ("ele-1", "/_active"),
            ("ele-1", "/name/1"),
            ("ext-1", "/_birthDate/extension/0"),
            ("ext-1", "/name/0/_given/1/extension/0"),
        ],
    );
}

#[test]
fn timings() {
    let with = |repeat: Value| json!({"resourceType": "Observation", "effectiveTiming": {"repeat": repeat}});
    let place = "/effectiveTiming/repeat";
    for (repeat, keys) in [
        (json!({"duration": 1, "durationUnit": "h"}), vec![]),
        (json!({"duration": 1}), vec!["tim-1"]),
        (json!({"duration": -1, "durationUnit": "h"}), vec!["tim-4"]),
        (json!({"period": 1}), vec!["tim-2"]),
        (json!({"period": -1, "periodUnit": "d"}), vec!["tim-5"]),
        (json!({"periodMax": 1}), vec!["tim-6"]),
        (json!({"durationMax": 1}), vec!["tim-7"]),
        (json!({"countMax": 1}), vec!["tim-8"]),
        (json!({"offset": 5, "when": ["WAKE", "HS"]}), vec![]),
        (json!({"offset": 5, "when": ["WAKE", "CM"]}), vec!["tim-9"]),
        (json!({"offset": 5}), vec!["tim-9"]),
        (json!({"timeOfDay": ["10:00:00"], "when": ["HS"]}), vec!["tim-10"]),
    ] {
        let expected: Vec<_> = keys.iter().map(|key| (*key, place)).collect();
        assert_broken(&with(repeat), &expected);
    }
}

#[test]
fn element_paths_narratives_and_leading_types() {
    let address =
        json!({"resourceType": "Organization", "name": "n", "address": [{"use": "work"}, {"use": "home"}]});
    assert_broken(&address, &[("org-2", "/address/1")]);
    let contact = json!({"resourceType": "Patient", "contact": [{"gender": "female"}]});
    assert_broken(&contact, &[("pat-1", "/contact/0")]);
    let text =
        |div: &str| json!({"resourceType": "Observation", "text": {"status": "generated", "div": div}});
    let open = "<div xmlns=\"http://www.w3.org/1999/xhtml\">";
    assert_broken(&text(&format!("{open}x</div>")), &[]);
    assert_broken(&text(&format!("{open} </div>")), &[("txt-2", "/text/div")]);
    assert_broken(&text(&format!("{open}<script/>x</div>")), &[("txt-1", "/text/div")]);
    let cancelled = |status: &str| {
        json!({"resourceType": "Appointment", "status": status, "start": "2026-01-01T00:00:00Z",
            "end": "2026-01-01T00:10:00Z", "cancelationReason": {"text": "t"}})
    };
    assert_broken(&cancelled("cancelled"), &[]);
    assert_broken(&cancelled("booked"), &[("app-4", "")]);
}

#[test]
fn best_practice_about_narratives_is_left_out() {
    assert_broken(&json!({"resourceType": "Observation", "status": "final"}), &[]);
}

#[test]
fn an_element_is_not_taken_for_a_choice_because_its_name_begins_with_that_of_another() {
    // `responseCode` is an element of its own and no form of `response`, though `Code` ends the names of choices.
    let with =
        |assert: Value| json!({"resourceType": "TestScript", "setup": {"action": [{"assert": assert}]}});
    assert_broken(&with(json!({"responseCode": "200"})), &[]);
    assert_broken(
        &with(json!({"responseCode": "200", "response": "okay"})),
        &[("tst-5", "/setup/action/0/assert")],
    );
}
