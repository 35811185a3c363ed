//! The shipped profiles against right and wrong resources of each kind.

use super::*;
use crate::terminology::LocalSystem;

#[test]
fn every_shipped_profile_builds() {
    let profiles = profiles();
    assert!(profiles.profiles.len() > 40);
    for (number, profile) in profiles.profiles.iter().enumerate() {
        assert_eq!(profiles.definition(number).unwrap().url, profile.url, "its file is called otherwise");
        let ready = profiles.try_ready(number).unwrap().unwrap();
        let built = keywords::options(&profiles.lookup, &ready.compiled).build(&ready.compiled.schema);
        assert!(built.is_ok(), "{}", profile.url);
    }
}

#[test]
fn every_test_has_a_profile_and_a_right_result_passes_it() {
    let terminology = profiles().terminology();
    let system = LocalSystem::FootTest;
    let mut seen = 0;
    for test in terminology
        .system_codes(system)
        .filter(|code| terminology.property(system, code, "role") == Some("test"))
    {
        let property = |code: &str, name: &str| terminology.property(system, code, name).map(str::to_owned);
        let result = |code: &str| {
            property(code, "result").map_or_else(
                || json!({ "valueQuantity": quantity(7.5, &property(code, "unit").unwrap()) }),
                |code| coded(&code),
            )
        };
        let mut resource = bare(test);
        let components =
            terminology.codes(&format!("https://solewire.example/fhir/ValueSet/foot-{test}-components"));
        match components {
            Some(codes) => {
                let components: Vec<Value> = codes
                    .map(|(of, code)| {
                        let own = of == TEST
                            && property(code, "result").or_else(|| property(code, "unit")).is_some();
                        component(of, code, result(if own { code } else { test }))
                    })
                    .collect();
                resource = with(resource, json!({ "component": components }));
            }
            None => resource = with(resource, result(test)),
        }
        let site = match property(test, "scope").as_deref() {
            Some("person") => Value::Null,
            Some("site") => concept(SITE, "right-toes"),
            _ => concept(SITE, "right-foot"),
        };
        resource = with(resource, json!({ "bodySite": site }));
        assert_found(&resource, &[]);
        seen += 1;
    }
    assert_eq!(seen, 27);
}

#[test]
fn every_single_site_form_takes_each_of_its_sites_on_both_sides() {
    let terminology = profiles().terminology();
    let mut seen = 0;
    for test in [
        "monofilament-10g",
        "vibration-128hz",
        "toe-touch",
        "pinprick",
        "temperature-sense",
        "position-sense",
        "pulse",
        "doppler-waveform",
        "systolic-pressure",
        "skin-temperature",
    ] {
        let value = match terminology.property(LocalSystem::FootTest, test, "result") {
            Some(code) => coded(code),
            None => {
                let unit = terminology.property(LocalSystem::FootTest, test, "unit").unwrap();
                json!({ "valueQuantity": quantity(30.0, unit) })
            }
        };
        let sites = format!("https://solewire.example/fhir/ValueSet/foot-{test}-sites");
        for (system, site) in terminology.codes(&sites).unwrap() {
            let resource =
                with(with(bare(test), value.clone()), json!({ "bodySite": concept(system, site) }));
            assert_found(&resource, &[]);
            seen += 1;
        }
    }
    assert!(seen > 100, "{seen}");
}

#[test]
fn what_every_finding_needs() {
    let right = grouped("pulse", json!([component(SITE, "dorsalis-pedis", coded("present"))]));
    assert_found(&right, &[]);
    assert_found(&with(right.clone(), json!({ "subject": null })), &[("profile-required", "/subject")]);
    assert_found(&with(right.clone(), json!({ "category": null })), &[("profile-required", "/category")]);
    let other = json!([concept("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")]);
    assert_found(&with(right.clone(), json!({ "category": other })), &[("profile-cardinality", "/category")]);
    let group = json!({ "reference": "Group/1" });
    assert_found(&with(right, json!({ "subject": group })), &[("profile-type", "/subject/reference")]);
}

#[test]
fn a_test_of_a_foot_needs_its_side() {
    let components = json!([component(SITE, "dorsalis-pedis", coded("present"))]);
    let right = grouped("pulse", components);
    assert_found(&with(right.clone(), json!({ "bodySite": null })), &[("profile-required", "/bodySite")]);
    let unknown = with(right.clone(), json!({ "bodySite": concept(SITE, "left-fot") }));
    assert_found(&unknown, &[("profile-binding", "/bodySite/coding/0")]);
    let issue = issues(&unknown).remove(0);
    assert!(
        issue.message.contains("profile `foot-pulse`, element Observation.bodySite"),
        "{}",
        issue.message
    );
    assert!(issue.message.contains("https://solewire.example/fhir/ValueSet/foot-sides (required)"));
    assert!(issue.message.contains("Allowed: left-foot, right-foot"), "{}", issue.message);
    assert!(issue.mend.contains("`left-foot`"), "{}", issue.mend);
    assert!(!issue.message.contains("left-fot"));
    assert_eq!(
        issue.value.as_deref(),
        Some(r#"{"system":"https://solewire.example/fhir/CodeSystem/foot-site","code":"left-fot"}"#)
    );
    let uncoded = with(right, json!({ "bodySite": { "text": "left" } }));
    assert_found(&uncoded, &[("profile-binding", "/bodySite")]);
}

#[test]
fn a_test_of_the_person_has_no_side() {
    let right = with(bare("egfr"), json!({ "valueQuantity": quantity(58.0, "mL/min/{1.73_m2}") }));
    assert_found(&right, &[]);
    let sided = with(right, json!({ "bodySite": concept(SITE, "left-foot") }));
    assert_found(&sided, &[("profile-cardinality", "/bodySite")]);
}

#[test]
fn a_component_belongs_to_its_test() {
    let resource = grouped(
        "monofilament-10g",
        json!([
            component(SITE, "mth-1", coded("felt")),
            component(SITE, "popliteal", coded("felt")),
            component(TEST, "callus", coded("felt")),
            component(SITE, "left-mth-1", coded("felt"))
        ]),
    );
    assert_found(
        &resource,
        &[
            ("profile-binding", "/component/1/code/coding/0"),
            ("profile-binding", "/component/2/code/coding/0"),
            ("profile-binding", "/component/3/code/coding/0"),
        ],
    );
}

#[test]
fn results_have_the_kinds_and_codes_of_their_test() {
    let resource = grouped(
        "monofilament-10g",
        json!([
            component(SITE, "mth-1", coded("present")),
            component(
                SITE,
                "mth-3",
                json!({ "valueRatio": { "numerator": { "value": 2 }, "denominator": { "value": 3 } } })
            ),
            component(SITE, "mth-5", json!({ "valueString": "felt" })),
            component(SITE, "heel", json!({ "valueBoolean": true })),
            component(
                SITE,
                "hallux-plantar",
                json!({ "dataAbsentReason": concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "not-performed") })
            )
        ]),
    );
    assert_found(
        &resource,
        &[
            ("profile-binding", "/component/0/valueCodeableConcept/coding/0"),
            ("profile-type", "/component/2/valueString"),
            ("profile-type", "/component/3/valueBoolean"),
        ],
    );
    let ratio = json!({ "valueRatio": { "numerator": { "value": 2 }, "denominator": { "value": 3 } } });
    let resource = grouped("pinprick", json!([component(SITE, "hallux-dorsal", ratio)]));
    assert_found(&resource, &[("profile-type", "/component/0/valueRatio")]);
}

#[test]
fn the_fork_takes_a_code_a_count_or_seconds() {
    let resource = grouped(
        "vibration-128hz",
        json!([
            component(SITE, "hallux-dorsal", json!({ "valueQuantity": quantity(8.0, "s") })),
            component(SITE, "mth-1-dorsal", json!({ "valueQuantity": quantity(8000.0, "ms") })),
            component(SITE, "tibial-tuberosity", json!({ "valueQuantity": quantity(8.0, "min") })),
            component(SITE, "medial-malleolus", coded("felt"))
        ]),
    );
    assert_found(&resource, &[("profile-binding", "/component/2/valueQuantity/code")]);
}

#[test]
fn units_are_held_to_the_code_not_to_the_words() {
    let right = with(
        bare("vibration-threshold"),
        json!({ "bodySite": concept(SITE, "left-foot"), "valueQuantity": quantity(31.0, "V") }),
    );
    assert_found(&right, &[]);
    let wrong = with(right.clone(), json!({ "valueQuantity": quantity(31.0, "mV") }));
    assert_found(&wrong, &[("profile-pattern", "/valueQuantity/code")]);
    let bare_number = with(right.clone(), json!({ "valueQuantity": { "value": 31, "unit": "V" } }));
    assert_found(&bare_number, &[("profile-pattern", "/valueQuantity")]);
    assert_eq!(issues(&bare_number).len(), 2, "system and code are both missing");
    let component = json!([component(SITE, "mth-1", coded("felt"))]);
    assert_found(&with(right, json!({ "component": component })), &[("profile-cardinality", "/component")]);
}

#[test]
fn a_unit_that_is_converted_is_as_good_as_that_of_the_test() {
    let of = |value: Value| {
        with(bare("tcpo2"), json!({ "bodySite": concept(SITE, "left-foot"), "valueQuantity": value }))
    };
    assert_found(&of(quantity(42.0, "mm[Hg]")), &[]);
    assert_found(&of(quantity(5.6, "kPa")), &[]);
    assert_found(&of(quantity(5.6, "Pa")), &[("profile-binding", "/valueQuantity/code")]);
    let labelled = json!({ "value": 42, "unit": "mmHg" });
    assert_found(&of(labelled), &[("profile-binding", "/valueQuantity/code")]);
    let without_system = json!({ "value": 42, "code": "mm[Hg]" });
    assert_found(&of(without_system), &[("profile-binding", "/valueQuantity/system")]);
}

#[test]
fn an_ulcer_has_its_own_components_each_with_its_kind() {
    let ulcer = |site: &str, components: Value| {
        with(bare("ulcer"), json!({ "bodySite": concept(SITE, site), "component": components }))
    };
    let right = json!([
        component(TEST, "ulcer-area", json!({ "valueQuantity": quantity(1.5, "cm2") })),
        component(TEST, "ulcer-depth", coded("bone-or-joint")),
        component(TEST, "ulcer-duration", json!({ "valueQuantity": quantity(21.0, "d") })),
        component(TEST, "ulcer-infection", coded("grade-3-bone"))
    ]);
    assert_found(&ulcer("left-web-spaces", right.clone()), &[]);
    assert_found(&ulcer("left-heel", right.clone()), &[]);
    assert_found(&ulcer("left-foot", right.clone()), &[("profile-binding", "/bodySite/coding/0")]);
    assert_found(&ulcer("left-popliteal", right), &[("profile-binding", "/bodySite/coding/0")]);
    let wrong = json!([
        component(TEST, "ulcer-area", json!({ "valueQuantity": quantity(150.0, "mm") })),
        component(TEST, "ulcer-depth", coded("grade-2")),
        component(TEST, "ulcer-duration", coded("present")),
        component(TEST, "callus", coded("present"))
    ]);
    assert_found(
        &ulcer("left-toes", wrong),
        &[
            ("profile-binding", "/component/0/valueQuantity/code"),
            ("profile-binding", "/component/1/valueCodeableConcept/coding/0"),
            ("profile-type", "/component/2/valueCodeableConcept"),
            ("profile-binding", "/component/3/code/coding/0"),
        ],
    );
}

#[test]
fn skin_may_name_a_place_and_keeps_its_findings() {
    let findings = json!([component(TEST, "maceration", coded("present"))]);
    let place = with(grouped("skin", findings), json!({ "bodySite": concept(SITE, "right-web-spaces") }));
    assert_found(&place, &[]);
    let artery = with(place, json!({ "bodySite": concept(SITE, "right-popliteal") }));
    assert_found(&artery, &[("profile-binding", "/bodySite/coding/0")]);
}

#[test]
fn a_single_site_result_has_a_sided_site_and_no_components() {
    let right = with(bare("monofilament-10g"), json!({ "bodySite": concept(SITE, "left-mth-1") }));
    let right = with(right, coded("not-felt"));
    assert_found(&right, &[]);
    let wrong_site = with(right.clone(), json!({ "bodySite": concept(SITE, "left-popliteal") }));
    assert_found(&wrong_site, &[("profile-binding", "/bodySite/coding/0")]);
    let no_side = with(right.clone(), json!({ "bodySite": concept(SITE, "mth-1") }));
    assert_found(&no_side, &[("profile-binding", "/bodySite/coding/0")]);
    assert!(issues(&no_side)[0].mend.contains("left-mth-1"), "{}", issues(&no_side)[0].mend);
    assert_found(&with(right.clone(), json!({ "bodySite": null })), &[("profile-required", "/bodySite")]);
    let both = json!([component(SITE, "mth-3", coded("felt"))]);
    assert_found(
        &with(right.clone(), json!({ "component": both })),
        &[("profile-cardinality", "/component")],
    );
    let wrong_value =
        with(with(right, json!({ "valueCodeableConcept": null })), json!({ "valueInteger": 1 }));
    assert_found(&wrong_value, &[("profile-type", "/valueInteger")]);
}

#[test]
fn a_test_without_a_single_site_form_takes_no_site() {
    let resource = grouped("strength", json!([component(TEST, "dorsiflexion", coded("mrc-4-minus"))]));
    assert_found(&resource, &[]);
    let sited = with(resource, json!({ "bodySite": concept(SITE, "left-ankle") }));
    assert_found(&sited, &[("profile-binding", "/bodySite/coding/0")]);
}

#[test]
fn a_grouped_result_stands_in_its_components() {
    let resource = grouped("pulse", json!([component(SITE, "dorsalis-pedis", coded("present"))]));
    assert_found(&with(resource, coded("present")), &[("profile-cardinality", "/valueCodeableConcept")]);
}

#[test]
fn standard_codings_alone_are_as_good_where_the_map_is_clear() {
    let resource = with(
        grouped(
            "monofilament-10g",
            json!([
                component(FMA, "38107", json!({ "valueCodeableConcept": concept(SCT, "33653009") })),
                component(SCT, "84607009", coded("felt"))
            ]),
        ),
        json!({ "code": concept(SCT, "134388005"), "bodySite": concept(SCT, "22335008") }),
    );
    assert_found(&resource, &[]);
    // Picked by the standard code, and held to the same rules.
    let wrong = with(resource, json!({ "bodySite": null }));
    assert_found(&wrong, &[("profile-required", "/bodySite")]);
    // A code that names the site and leaves the side open does not say which foot.
    let sideless =
        with(with(bare("monofilament-10g"), coded("felt")), json!({ "bodySite": concept(FMA, "38107") }));
    assert_found(&sideless, &[("profile-binding", "/bodySite/coding/0")]);
}

#[test]
fn codings_that_disagree_are_refused_at_the_one_that_disagrees() {
    let components = json!([component(SITE, "dorsalis-pedis", coded("present"))]);
    let right = grouped("pulse", components);
    let code =
        json!({ "coding": [{ "system": TEST, "code": "pulse" }, { "system": SCT, "code": "134388005" }] });
    assert_found(&with(right.clone(), json!({ "code": code })), &[("profile-binding", "/code/coding/1")]);
    let side =
        json!({ "coding": [{ "system": SITE, "code": "left-foot" }, { "system": SCT, "code": "7769000" }] });
    assert_found(
        &with(right.clone(), json!({ "bodySite": side })),
        &[("profile-binding", "/bodySite/coding/1")],
    );
    let result =
        json!({ "coding": [{ "system": SCT, "code": "52101004" }, { "system": RESULT, "code": "absent" }] });
    let components = json!([component(SITE, "dorsalis-pedis", json!({ "valueCodeableConcept": result }))]);
    let expected = [("profile-binding", "/component/0/valueCodeableConcept/coding/1")];
    assert_found(&with(right, json!({ "component": components })), &expected);
    let both = json!({ "coding": [{ "system": SITE, "code": "dorsalis-pedis" }, { "system": TEST, "code": "brachial" }] });
    let components = json!([{ "code": both, "valueQuantity": quantity(120.0, "mm[Hg]") }]);
    let pressure = grouped("systolic-pressure", components);
    assert_found(&pressure, &[("profile-binding", "/component/0/code/coding/1")]);
}

#[test]
fn a_code_of_ours_that_does_not_exist_names_the_nearest() {
    let resource = bare("monofilament-10-g");
    assert_found(&resource, &[("profile-binding", "/code/coding/0")]);
    assert!(issues(&resource)[0].mend.contains("`monofilament-10g`"));
    let code = json!({ "coding": [{ "system": "http://loinc.org", "code": "44974-4" }, { "system": TEST, "code": "pulze" }] });
    assert_found(&with(bare("pulse"), json!({ "code": code })), &[("profile-binding", "/code/coding/1")]);
    // Claiming the profile does not say it twice.
    let claiming = json!({ "profile": ["https://solewire.example/fhir/StructureDefinition/foot-pulse"] });
    let resource = with(bare("pulze"), json!({ "meta": claiming, "bodySite": concept(SITE, "left-foot") }));
    assert_found(&resource, &[("profile-binding", "/code/coding/0")]);
}

#[test]
fn a_finding_of_ours_is_no_test_and_a_foreign_observation_is_none_of_ours() {
    assert_found(&bare("callus"), &[("profile-binding", "/code/coding/0")]);
    assert_found(&with(bare("pulse"), json!({ "code": concept(SCT, "16386004") })), &[]);
    assert_found(
        &with(bare("pulse"), json!({ "code": concept("http://loinc.org", "4548-4"), "category": null })),
        &[],
    );
    assert_found(&json!({ "resourceType": "Patient" }), &[]);
    assert_found(&json!({ "resourceType": "Observation", "code": "pulse" }), &[]);
    assert_found(&json!("Observation"), &[]);
}

fn panel() -> Value {
    with(
        bare("foot-exam"),
        json!({
            "identifier": [{ "system": "https://harbourlane.example/exams", "value": "HL-1" }],
            "effectiveDateTime": "2026-03-02T10:00:00+00:00",
            "performer": [{ "reference": "Practitioner/1" }],
            "hasMember": [{ "reference": "Observation/1" }]
        }),
    )
}

#[test]
fn the_panel_says_what_when_who_and_by_whom() {
    assert_found(&panel(), &[]);
    for name in ["identifier", "subject", "effectiveDateTime", "performer", "category"] {
        assert_found(&with(panel(), json!({ name: null })), &[("profile-required", &format!("/{name}"))]);
    }
    let message = &issues(&with(panel(), json!({ "effectiveDateTime": null })))[0].message;
    assert!(message.starts_with("`effectiveDateTime` is missing; profile `foot-exam`"), "{message}");
    let period = json!({ "effectiveDateTime": null, "effectivePeriod": { "start": "2026-03-02" } });
    assert_found(
        &with(panel(), period),
        &[("profile-required", "/effectiveDateTime"), ("profile-type", "/effectivePeriod")],
    );
    let anonymous =
        with(panel(), json!({ "identifier": [{ "value": "HL-1" }, { "system": "urn:x", "_value": {} }] }));
    assert_found(&anonymous, &[("profile-required", "/identifier/0/system")]);
    assert_found(&with(panel(), coded("present")), &[("profile-cardinality", "/valueCodeableConcept")]);
    let member = json!([{ "reference": "Observation/1" }, { "reference": "MolecularSequence/2" }]);
    assert_found(
        &with(panel(), json!({ "hasMember": member })),
        &[("profile-type", "/hasMember/1/reference")],
    );
}

#[test]
fn references_inside_a_bundle_and_to_contained_resources_are_followed() {
    let member = |reference: &str| json!([{ "reference": reference }]);
    let bundle = |reference: &str| {
        json!({ "resourceType": "Bundle", "type": "collection", "entry": [
            { "fullUrl": "urn:uuid:1", "resource": with(panel(), json!({ "hasMember": member(reference) })) },
            { "fullUrl": "urn:uuid:2", "resource": { "resourceType": "Patient" } },
            { "fullUrl": "urn:uuid:3", "resource": with(bare("egfr"), json!({ "valueQuantity": quantity(60.0, "1") })) }
        ] })
    };
    let unit = ("profile-pattern".to_owned(), "/entry/2/resource/valueQuantity/code".to_owned());
    assert_eq!(pairs(profiles().check_document(&bundle("urn:uuid:3"))), std::slice::from_ref(&unit));
    let target = ("profile-type".to_owned(), "/entry/0/resource/hasMember/0/reference".to_owned());
    assert_eq!(pairs(profiles().check_document(&bundle("urn:uuid:2"))), [unit, target]);
    let contained =
        json!([{ "resourceType": "Patient", "id": "p" }, with(bare("egfr"), json!({ "valueString": "60" }))]);
    let found = profiles()
        .check_document(&with(panel(), json!({ "contained": contained, "hasMember": member("#p") })));
    let expected = [("profile-type", "/contained/1/valueString"), ("profile-type", "/hasMember/0/reference")];
    let expected = expected.map(|(rule, pointer)| (rule.to_owned(), pointer.to_owned()));
    assert_eq!(pairs(found), expected);
}

#[test]
fn claims_are_checked_and_unknown_ones_are_told() {
    let claiming = |resource: Value, name: &str| {
        let url = format!("https://solewire.example/fhir/StructureDefinition/{name}");
        with(resource, json!({ "meta": { "profile": [url] } }))
    };
    let foreign = with(bare("pulse"), json!({ "code": concept("http://loinc.org", "4548-4") }));
    assert_found(
        &claiming(foreign.clone(), "foot-pulse"),
        &[
            ("profile-pattern", "/code/coding/0"),
            ("profile-binding", "/code/coding/0"),
            ("profile-required", "/bodySite"),
        ],
    );
    assert_found(&claiming(foreign, "foot-unheard-of"), &[("profile-not-loaded", "/meta/profile/0")]);
    assert_found(
        &claiming(json!({ "resourceType": "Patient" }), "foot-pulse"),
        &[("profile-type", "/meta/profile/0")],
    );
}

fn assessment() -> Value {
    json!({
        "resourceType": "RiskAssessment",
        "meta": { "profile": ["https://solewire.example/fhir/StructureDefinition/foot-risk-assessment"] },
        "identifier": [{ "system": "https://solewire.example/fhir/identifier/assessment", "value": "1" }],
        "status": "preliminary",
        "method": { "coding": [{ "system": RISK, "code": "iwgdf-2023", "version": "0.1.0" }] },
        "code": concept(SCT, "394683006"),
        "subject": { "reference": "Patient/1" },
        "occurrenceDateTime": "2026-03-02T10:00:00+00:00",
        "basis": [{ "reference": "Observation/1" }],
        "prediction": [{
            "outcome": { "coding": [{ "system": RISK, "code": "foot-ulcer" }, { "system": SCT, "code": "714664001" }] },
            "qualitativeRisk": concept(RISK, "iwgdf-2023.1"),
            "rationale": "lowest: one of two"
        }]
    })
}

#[test]
fn an_assessment_names_guideline_outcome_and_category() {
    assert_found(&assessment(), &[]);
    assert_found(&with(assessment(), json!({ "status": "cancelled" })), &[("profile-binding", "/status")]);
    assert_found(&with(assessment(), json!({ "method": null })), &[("profile-required", "/method")]);
    assert_found(
        &with(assessment(), json!({ "code": concept(SCT, "401191002") })),
        &[("profile-pattern", "/code/coding/0")],
    );
    let mut three = assessment();
    let prediction = three["prediction"][0].clone();
    three["prediction"] = json!([prediction, prediction, prediction]);
    assert_found(&three, &[("profile-cardinality", "/prediction")]);
    let mut wrong = assessment();
    wrong["prediction"][0]["qualitativeRisk"] = concept(RISK, "iwgdf-2023");
    assert_found(&wrong, &[("profile-binding", "/prediction/0/qualitativeRisk/coding/0")]);
    let mut probability = assessment();
    probability["prediction"][0]["probabilityRange"] = json!({});
    assert_found(&probability, &[("profile-type", "/prediction/0/probabilityRange")]);
    let mut mute = assessment();
    mute["prediction"][0].as_object_mut().unwrap().remove("outcome");
    assert_found(&mute, &[("profile-required", "/prediction/0/outcome")]);
}

#[test]
fn recall_and_referral_are_proposals_with_a_window() {
    let request = |name: &str| {
        json!({
            "resourceType": "ServiceRequest",
            "meta": { "profile": [format!("https://solewire.example/fhir/StructureDefinition/{name}")] },
            "identifier": [{ "system": "https://solewire.example/fhir/identifier/request", "value": "1" }],
            "status": "active",
            "intent": "proposal",
            "priority": "urgent",
            "code": { "text": "Foot examination", "coding": [{ "system": SCT, "code": "401191002" }] },
            "subject": { "reference": "Patient/1" },
            "occurrencePeriod": { "start": "2026-06-01", "end": "2026-09-01" },
            "authoredOn": "2026-03-02T10:00:00+00:00"
        })
    };
    assert_found(&request("foot-recall"), &[]);
    assert_found(&request("foot-referral"), &[]);
    assert_found(
        &with(request("foot-recall"), json!({ "intent": "order" })),
        &[("profile-fixed", "/intent")],
    );
    assert_found(
        &with(request("foot-referral"), json!({ "priority": null })),
        &[("profile-required", "/priority")],
    );
    assert_found(&with(request("foot-recall"), json!({ "priority": null })), &[]);
    let timing = json!({ "occurrencePeriod": null, "occurrenceDateTime": "2026-06-01" });
    assert_found(
        &with(request("foot-recall"), timing),
        &[("profile-required", "/occurrencePeriod"), ("profile-type", "/occurrenceDateTime")],
    );
}

#[test]
fn no_message_holds_a_value_of_the_document() {
    let canary = "canary-9137";
    let resource = json!({
        "resourceType": "Observation",
        "meta": { "profile": [canary] },
        "category": [concept(canary, canary)],
        "code": { "coding": [{ "system": TEST, "code": "pulse" }], "text": canary },
        "subject": { "reference": format!("Group/{canary}"), "display": canary },
        "bodySite": { "coding": [{ "system": SITE, "code": canary, "display": canary }] },
        "valueString": canary,
        "component": [component(SITE, canary, json!({ "valueString": canary }))]
    });
    let issues = issues(&resource);
    assert!(issues.len() > 5);
    for issue in issues {
        assert!(!issue.message.contains(canary) && !issue.mend.contains(canary), "{issue:?}");
    }
}
