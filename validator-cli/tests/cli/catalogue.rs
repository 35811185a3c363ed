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

#[test]
fn every_rule_and_condition_that_is_listed_is_explained() {
    let bench = Bench::new();
    let listed: Value = serde_json::from_str(&bench.run(&["rules", "--format", "json"]).ends(0).out).unwrap();
    let ids = |name: &str| -> Vec<String> {
        let list = listed[name].as_array().unwrap();
        list.iter().map(|rule| rule["id"].as_str().unwrap().to_owned()).collect()
    };
    let (rules, conditions) = (ids("rules"), ids("conditions"));
    // Those that stand for the whole of R4, one of them checked by code, and those of the service.
    for id in ["obs-6", "ele-1", "dom-3", "ref-1", "con-3"] {
        assert!(conditions.iter().any(|known| known == id), "{id}");
    }
    assert!(rules.iter().any(|id| id == "submit-bundle-type"));
    // Each call loads everything anew, so of the many conditions a few stand for all.
    let some = ["obs-6", "ele-1", "con-3", "dom-6", "inv-1"].map(str::to_owned);
    for id in rules.iter().chain(&some) {
        let out = bench.run(&["explain", id]).ends(0).out;
        for label in ["severity", "why", "mend", "source"] {
            assert!(out.contains(&format!("\n  {label} ")), "{id}: {label}");
        }
        assert!(out.starts_with(&format!("{id}\n")), "{out}");
        let shown = if conditions.contains(id) { ["on", "checked"] } else { ["wrong", "right"] };
        for label in shown {
            assert!(out.contains(&format!("\n  {label} ")), "{id}: {label}");
        }
    }
}

#[test]
fn a_condition_of_r4_is_explained() {
    insta::assert_snapshot!(Bench::new().run(&["explain", "con-3"]).ends(0).out);
}

#[test]
fn a_condition_of_a_site_is_explained_where_its_folder_is_named() {
    let bench = Bench::with("site/visit.json", super::site::NARROWED);
    bench.run(&["explain", "hl-1"]).ends(2);
    let out = bench.run(&["explain", "hl-1", "--profiles", "site"]).ends(0).out;
    assert!(
        out.contains("  source    profile https://harbourlane.example/fhir/StructureDefinition/"),
        "{out}"
    );
}

#[test]
fn what_is_loaded_is_listed_with_version_hash_and_origin() {
    let bench = Bench::with("site/visit.json", super::site::NARROWED);
    let arguments = ["profiles", "list", "--profiles", "site"];
    let human = bench.run(&arguments).ends(0).out;
    let machine: Value =
        serde_json::from_str(&bench.run(&[&arguments[..], &["--format", "json"]].concat()).ends(0).out)
            .unwrap();
    let definitions = machine["definitions"].as_array().unwrap();
    for definition in definitions {
        let url = definition["url"].as_str().unwrap();
        let digest = definition["sha256"].as_str().unwrap();
        assert!(human.contains(url) && human.contains(digest) && digest.len() == 64, "{url}");
        assert!(definition["version"].is_string(), "{url}");
    }
    let own = definitions.last().unwrap();
    assert_eq!((own["origin"].as_str(), own["file"].as_str()), (Some("site"), Some("site/visit.json")));
    let shipped = definitions.iter().filter(|definition| definition["origin"] == "shipped").count();
    assert_eq!(shipped + 1, definitions.len());
    // The same number stands in the version, and a site's definitions stand in the evidence.
    let version = bench.run(&["--version"]).ends(0).out;
    assert!(version.contains(&format!(", {shipped} definitions, SHA-256 ")), "{version}");
    bench.put("a.json", super::CLINIC);
    bench.run(&["validate", "a.json", "--profiles", "site", "--evidence", "e.json"]).ends(0);
    let evidence: Value = serde_json::from_str(&bench.text("e.json")).unwrap();
    assert_eq!(evidence["profiles"]["shipped"]["definitions"], shipped);
    assert_eq!(evidence["profiles"]["site"][0], *own);
}
