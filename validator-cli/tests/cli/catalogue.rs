//! The list of rules and the explanation of one.

use serde_json::Value;

use super::Bench;

#[test]
fn the_list_for_people_and_for_programs_agree() {
    let bench = Bench::new();
    let human = bench.run(&["rules"]).ends(0).out;
    let machine: Value =
        serde_json::from_str(&bench.run(&["rules", "--format", "json"]).ends(0).out).unwrap();
    assert_eq!(machine["schema_version"], 1);
    let rules = machine["rules"].as_array().unwrap();
    assert!(rules.len() >= 6, "{human}");
    for rule in rules {
        let id = rule["id"].as_str().unwrap();
        assert!(human.lines().any(|line| line.split(' ').next() == Some(id)), "{id}");
    }
}

#[test]
fn what_is_from_memory_is_listed_as_unconfirmed() {
    let bench = Bench::new();
    let human = bench.run(&["rules"]).ends(0).out;
    let machine: Value =
        serde_json::from_str(&bench.run(&["rules", "--format", "json"]).ends(0).out).unwrap();
    let listed = machine["unconfirmed"].as_array().unwrap();
    let entry = |id: &str| {
        listed.iter().find(|one| one["id"] == id).unwrap_or_else(|| panic!("{id} is not listed: {human}"))
    };
    // Behind each row of the published oracles that is marked `memory` stands one of these.
    for id in [
        "artery-disease-unlikely",
        "sensation-one-abnormal-test",
        "hot-swollen-foot",
        "podus-2021.points",
        "monofilament-three-sites",
        "iwgdf-2023.integrated-care",
    ] {
        assert_eq!(entry(id)["certainty"], "from memory");
    }
    assert_eq!(entry("artery-disease-unlikely")["value"], "1.30");
    assert_eq!(entry("monofilament-felt-below")["certainty"], "common practice, no source");
    let uses = entry("podus-2021.points")["used_by"].as_array().unwrap();
    assert!(uses.iter().any(|used| used == "rule all-three"), "{uses:?}");
    for one in listed {
        let id = one["id"].as_str().unwrap();
        assert!(human.lines().any(|line| line.split(' ').next() == Some(id)), "{id}");
        assert!(one["source"].as_str().is_some_and(|source| !source.is_empty()), "{id}");
    }
    // What was read in its publication is not among them.
    assert!(listed.iter().all(|one| one["id"] != "vibration-threshold" && one["part"] != "nice-ng19"));
}

#[test]
fn a_rule_is_explained() {
    let ran = Bench::new().run(&["explain", "json-duplicate-key"]).ends(0);
    insta::assert_snapshot!(ran.out);
}

#[test]
fn a_rule_is_explained_to_programs() {
    let ran = Bench::new().run(&["explain", "json-limit", "--format", "json"]).ends(0);
    let rule: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(rule["id"], "json-limit");
    for member in ["severity", "type", "summary", "why", "mend", "source"] {
        assert!(rule[member].as_str().is_some_and(|text| !text.is_empty()), "{member}");
    }
}

#[test]
fn an_unknown_rule_names_the_nearest() {
    let ran = Bench::new().run(&["explain", "json-duplicate-keys"]).ends(2);
    assert_eq!(ran.out, "");
    assert!(ran.err.contains("The nearest is json-duplicate-key."), "{}", ran.err);
    let ran =
        Bench::new().run(&["explain", "\u{1b}[2Jqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqq"]).ends(2);
    assert!(!ran.err.contains("nearest") && !ran.err.contains('\u{1b}'), "{:?}", ran.err);
}
