//! Whatever a document holds, the check ends, and each issue points at something that is there.

use proptest::prelude::*;

use super::*;

fn leaf() -> impl Strategy<Value = Value> {
    prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i32>().prop_map(Value::from),
        "[a-z#:/|]{0,8}".prop_map(Value::from),
        Just(concept(SITE, "right-heel")),
        Just(concept(SITE, "nowhere")),
        Just(concept(TEST, "skin")),
        Just(
            json!({ "coding": [{ "system": SITE, "code": "left-foot" }, { "system": SCT, "code": "7769000" }] })
        ),
        Just(json!({ "coding": [null, 1, { "code": 2 }] })),
        Just(json!([])),
        Just(json!({})),
    ]
}

/// Pointers to every value below the root.
fn pointers(value: &Value, at: &str, all: &mut Vec<String>) {
    let children: Vec<(String, &Value)> = match value {
        Value::Object(map) => map.iter().map(|(name, child)| (push_pointer(at, name), child)).collect(),
        Value::Array(items) => {
            items.iter().enumerate().map(|(n, child)| (format!("{at}/{n}"), child)).collect()
        }
        _ => Vec::new(),
    };
    for (pointer, child) in children {
        pointers(child, &pointer, all);
        all.push(pointer);
    }
}

fn documents() -> Vec<Value> {
    let ulcer = json!([
        component(TEST, "ulcer-area", json!({ "valueQuantity": quantity(1.5, "cm2") })),
        component(TEST, "ulcer-depth", coded("skin-only"))
    ]);
    vec![
        with(bare("ulcer"), json!({ "bodySite": concept(SITE, "left-heel"), "component": ulcer })),
        grouped(
            "vibration-128hz",
            json!([component(SITE, "hallux-dorsal", json!({ "valueQuantity": quantity(8.0, "s") }))]),
        ),
        with(with(bare("pulse"), coded("absent")), json!({ "bodySite": concept(SITE, "left-popliteal") })),
        with(
            bare("foot-exam"),
            json!({ "meta": { "profile": ["https://solewire.example/fhir/StructureDefinition/foot-risk-assessment"] } }),
        ),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_changed_document_is_judged_and_every_issue_points_into_it(
        number in 0_usize..4, place in any::<prop::sample::Index>(), value in leaf()
    ) {
        let mut resource = documents().swap_remove(number);
        let mut all = Vec::new();
        pointers(&resource, "", &mut all);
        let place: &String = place.get(&all);
        *resource.pointer_mut(place).unwrap() = value;
        let document = json!({ "resourceType": "Bundle", "entry": [{ "fullUrl": "urn:uuid:1", "resource": resource }] });
        for issue in profiles().check_document(&document) {
            // What is missing is named below the element that lacks it.
            let missing = issue.rule == "profile-required";
            let held = issue.pointer.rsplit_once('/').filter(|_| missing).map_or(&*issue.pointer, |(holder, _)| holder);
            prop_assert!(document.pointer(held).is_some(), "{} {}", issue.rule, issue.pointer);
            prop_assert_ne!(issue.rule, "profile-unusable");
        }
    }
}
