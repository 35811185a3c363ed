//! Whatever is done to a resource, the check ends, its pointers lead somewhere, and its texts quote nothing.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::{issues, observation};

const SECRET: &str = "Zebedee-Quagmire-0417";

fn seed() -> Value {
    json!({"resourceType": "Bundle", "type": "transaction", "entry": [
        {"fullUrl": "urn:uuid:0f2c1e5a-0000-4000-8000-00000000000a", "resource": {
            "resourceType": "Patient", "name": [{"given": ["Ada", null], "_given": [null, {"id": "x"}]}],
            "contained": [{"resourceType": "Device", "id": "d"}], "deceasedBoolean": false},
            "request": {"method": "POST", "url": "Patient"}},
        {"resource": observation(json!({
            "extension": [{"url": "a", "extension": [{"url": "b", "valueDecimal": 1.50}]}],
            "component": [{"code": {"text": "x"}, "valueQuantity": {"value": 1, "comparator": "<"}}]}))},
        {"resource": {"resourceType": "Parameters", "parameter": [{"name": "x", "part": [{"name": "y"}]}]}}
    ]})
}

fn any_value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::Bool),
        any::<i64>().prop_map(|number| json!(number)),
        Just(serde_json::from_str("1e400").unwrap()),
        Just(json!(SECRET)),
        ".{0,12}".prop_map(Value::String),
    ];
    let name = prop_oneof![
        "[a-z_~/]{0,8}",
        prop::sample::select(vec![
            "resourceType",
            "extension",
            "_given",
            "coding",
            "reference",
            "id",
            "contained"
        ])
        .prop_map(str::to_owned)
    ];
    leaf.prop_recursive(3, 16, 4, move |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(Value::Array),
            prop::collection::vec((name.clone(), inner), 0..4)
                .prop_map(|pairs| Value::Object(pairs.into_iter().collect())),
        ]
    })
}

/// Every place in a value, as pointers.
fn every_place(value: &Value, here: String, places: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            for (name, inner) in object {
                every_place(inner, crate::json::push_pointer(&here, name), places);
            }
        }
        Value::Array(items) => {
            for (number, inner) in items.iter().enumerate() {
                every_place(inner, format!("{here}/{number}"), places);
            }
        }
        _ => {}
    }
    places.push(here);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn a_changed_resource_is_judged_and_never_quoted(at in any::<prop::sample::Index>(), new in any_value()) {
        let mut value = seed();
        let mut places = Vec::new();
        every_place(&value, String::new(), &mut places);
        *value.pointer_mut(at.get::<String>(&places)).unwrap() = new;
        for issue in issues(&value) {
            let parent = issue.pointer.rsplit_once('/').map_or("", |(parent, _)| parent);
            prop_assert!(value.pointer(parent).is_some(), "{} leads nowhere", issue.pointer);
            prop_assert!(!issue.message.contains(SECRET) && !issue.mend.contains(SECRET), "{}", issue.message);
        }
    }
}

#[test]
fn the_seed_of_the_changes_is_right() {
    assert_eq!(issues(&seed()), []);
}

#[test]
fn every_single_breach_of_form_is_noticed_at_its_place() {
    let seed = seed();
    let mut places = Vec::new();
    every_place(&seed, String::new(), &mut places);
    for place in places.iter().filter(|place| !place.is_empty()) {
        let old = seed.pointer(place).unwrap();
        let changes = [Value::Null, json!([]), json!({}), json!([old.clone()]), json!([[old.clone()]])];
        for new in changes.iter().filter(|new| *new != old) {
            let mut value = seed.clone();
            *value.pointer_mut(place).unwrap() = new.clone();
            // A companion that becomes null leaves its value to be the one at fault.
            let around = place.split_once("/_given/").map_or(place.as_str(), |(name, _)| name);
            let noticed = issues(&value).iter().any(|issue| issue.pointer.starts_with(around));
            assert!(noticed, "{new} at {place} passes");
        }
        let (parent, name) = place.rsplit_once('/').unwrap();
        let mut value = seed.clone();
        if let Some(object) = value.pointer_mut(parent).unwrap().as_object_mut() {
            let moved = object.shift_remove(name).unwrap();
            object.insert(format!("{name}Zz"), moved);
            let noticed = issues(&value).iter().any(|issue| issue.pointer.starts_with(parent));
            assert!(noticed, "{place} under another name passes");
        }
    }
}
