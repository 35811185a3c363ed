use serde_json::json;

use super::*;

const SCT: &str = "http://snomed.info/sct";
const VALUE_SET: &str = "https://solewire.example/fhir/ValueSet/";

fn terminology() -> Terminology {
    Terminology::builtin()
}

fn coding(system: &str, code: &str) -> Value {
    json!({ "system": system, "code": code })
}

fn concept(codings: &[(&str, &str)]) -> Value {
    let codings: Vec<Value> = codings.iter().map(|(system, code)| coding(system, code)).collect();
    json!({ "coding": codings })
}

#[test]
fn a_local_coding_alone_is_read() {
    let terminology = terminology();
    let given = concept(&[(LocalSystem::FootTest.url(), "pulse")]);
    assert_eq!(terminology.resolve(LocalSystem::FootTest, &given), Resolved::Code("pulse"));
    let given = coding(LocalSystem::FootTest.url(), "pulse");
    assert_eq!(terminology.resolve(LocalSystem::FootTest, &given), Resolved::Code("pulse"));
}

#[test]
fn a_standard_coding_alone_is_read_where_the_map_is_clear() {
    let terminology = terminology();
    let cases = [
        (LocalSystem::FootTest, SCT, "134388005", "monofilament-10g"),
        (LocalSystem::FootTest, "http://loinc.org", "44974-4", "pulse"),
        (LocalSystem::FootTest, SCT, "428835005", "previous-amputation"),
        (LocalSystem::FootSite, "urn:oid:2.16.840.1.113883.6.119", "38107", "hallux-plantar"),
        (LocalSystem::FootSite, SCT, "22335008", "left-foot"),
        (LocalSystem::FootResult, SCT, "2667000", "absent"),
        (LocalSystem::FootRisk, SCT, "714664001", "foot-ulcer"),
    ];
    for (system, of, code, local) in cases {
        assert_eq!(terminology.resolve(system, &concept(&[(of, code)])), Resolved::Code(local), "{code}");
    }
}

#[test]
fn a_code_of_another_local_system_says_nothing() {
    let given = concept(&[(LocalSystem::FootResult.url(), "present")]);
    assert_eq!(terminology().resolve(LocalSystem::FootTest, &given), Resolved::Unknown);
}

#[test]
fn a_standard_code_beside_its_own_local_code_agrees() {
    let terminology = terminology();
    let given = concept(&[(SCT, "134388005"), (LocalSystem::FootTest.url(), "monofilament-10g")]);
    assert_eq!(terminology.resolve(LocalSystem::FootTest, &given), Resolved::Code("monofilament-10g"));
    let given = concept(&[(LocalSystem::FootSite.url(), "left-heel"), (SCT, "84607009")]);
    assert_eq!(terminology.resolve(LocalSystem::FootSite, &given), Resolved::Code("left-heel"));
}

#[test]
fn codings_that_stand_for_different_codes_are_a_conflict() {
    let terminology = terminology();
    let test = LocalSystem::FootTest;
    let given = concept(&[(test.url(), "pulse"), (SCT, "134388005")]);
    assert_eq!(terminology.resolve(test, &given), Resolved::Conflict(vec!["pulse", "monofilament-10g"]));
    let given = concept(&[(test.url(), "pulse"), (test.url(), "skin")]);
    assert_eq!(terminology.resolve(test, &given), Resolved::Conflict(vec!["pulse", "skin"]));
    let given = concept(&[(SCT, "52101004"), (SCT, "2667000")]);
    let found = terminology.resolve(LocalSystem::FootResult, &given);
    assert_eq!(found, Resolved::Conflict(vec!["present", "absent"]));
    let given = concept(&[(LocalSystem::FootSite.url(), "left-heel"), (SCT, "7769000")]);
    let found = terminology.resolve(LocalSystem::FootSite, &given);
    assert_eq!(found, Resolved::Conflict(vec!["left-heel", "right-foot"]));
}

#[test]
fn what_is_not_in_the_code_system_is_unknown_whatever_stands_beside_it() {
    let terminology = terminology();
    let test = LocalSystem::FootTest;
    for given in [
        concept(&[(test.url(), "pulze")]),
        concept(&[(test.url(), "pulze"), ("http://loinc.org", "44974-4")]),
        concept(&[("http://loinc.org", "1-8")]),
        json!({ "text": "pulse" }),
        json!({ "coding": "pulse" }),
        json!([]),
    ] {
        assert_eq!(terminology.resolve(test, &given), Resolved::Unknown, "{given}");
    }
}

#[test]
fn a_weakly_sourced_or_sideless_code_is_never_read_as_more_than_it_says() {
    let terminology = terminology();
    assert_eq!(terminology.resolve(LocalSystem::FootTest, &concept(&[(SCT, "40353003")])), Resolved::Unknown);
    assert_eq!(
        terminology.resolve(LocalSystem::FootSite, &concept(&[(SCT, "84607009")])),
        Resolved::Code("heel")
    );
}

#[test]
fn every_standard_code_stands_for_one_local_code() {
    let terminology = terminology();
    for (system, codes) in &terminology.reverse {
        for (code, readings) in codes {
            let mut systems: Vec<_> = readings.iter().map(|(local, _)| *local).collect();
            systems.sort_unstable();
            let all = systems.len();
            systems.dedup();
            assert_eq!(all, systems.len(), "{system} {code}: {readings:?}");
        }
    }
}

#[test]
fn translations_leave_out_what_needs_a_licence() {
    let terminology = terminology();
    let of = |system, code| terminology.translations(system, code).collect::<Vec<_>>();
    assert_eq!(of(LocalSystem::FootSite, "heel"), [(SCT, "84607009", "Skin structure of heel")]);
    assert_eq!(of(LocalSystem::FootSite, "left-heel"), [(SCT, "84607009", "Skin structure of heel")]);
    assert!(of(LocalSystem::FootSite, "left-foot").is_empty());
    assert!(of(LocalSystem::FootTest, "fissure").is_empty());
    assert_eq!(of(LocalSystem::FootTest, "previous-amputation").len(), 6);
}

#[test]
fn displays_and_properties_are_those_of_the_table() {
    let terminology = terminology();
    let (test, site) = (LocalSystem::FootTest, LocalSystem::FootSite);
    assert_eq!(terminology.display(test, "pulse"), Some("Pulse by palpation"));
    assert_eq!(terminology.display(test, "nonsense"), None);
    assert_eq!(terminology.display(site, "left-popliteal"), Some("Popliteal artery, left foot"));
    assert_eq!(terminology.property(test, "egfr", "unit"), Some("mL/min/{1.73_m2}"));
    assert_eq!(terminology.property(test, "egfr", "scope"), Some("person"));
    assert_eq!(terminology.property(test, "pulse", "single-site"), Some("true"));
    assert_eq!(terminology.property(test, "callus", "belongs-to"), Some("skin"));
    assert_eq!(terminology.property(site, "right-mth-1", "side"), Some("right"));
    assert_eq!(terminology.property(site, "right-mth-1", "unsided"), Some("mth-1"));
    let results: Vec<_> = terminology.properties(test, "pulse", "result").collect();
    assert_eq!(results, ["present", "reduced", "absent"]);
    assert_eq!(terminology.system_codes(LocalSystem::FootRisk).count(), 29);
}

#[test]
fn membership_is_known_or_not_checked() {
    let terminology = terminology();
    let set = format!("{VALUE_SET}foot-monofilament-10g-components");
    let site = LocalSystem::FootSite.url();
    assert_eq!(terminology.contains(&set, site, "mth-1"), Some(true));
    assert_eq!(terminology.contains(&format!("{set}|0.1.0"), site, "mth-1"), Some(true));
    assert_eq!(terminology.contains(&format!("{set}|0.2.0"), site, "mth-1"), None);
    assert_eq!(terminology.contains(&set, site, "popliteal"), Some(false));
    assert_eq!(terminology.contains(&set, SCT, "mth-1"), Some(false));
    assert_eq!(terminology.contains("http://example.org/other", site, "mth-1"), None);
    assert_eq!(terminology.codes(&set).unwrap().count(), 10);
    let pressures = format!("{VALUE_SET}foot-systolic-pressure-components");
    let codes: Vec<_> = terminology.codes(&pressures).unwrap().map(|(_, code)| code).collect();
    assert_eq!(codes, ["dorsalis-pedis", "posterior-tibial", "brachial", "hallux-pressure"]);
}

#[test]
fn every_code_of_the_table_is_loaded() {
    let terminology = terminology();
    let table = include_str!("../../local/exam-codes.csv");
    let mut seen = 0;
    for line in table.lines().skip(1) {
        let mut fields = line.split(',');
        let system = format!("https://solewire.example/fhir/CodeSystem/{}", fields.next().unwrap());
        let system = LocalSystem::from_url(&system).unwrap();
        let code = fields.next().unwrap();
        assert!(terminology.display(system, code).is_some(), "{code}");
        seen += 1;
    }
    assert!(seen > 150, "{seen}");
}

/// Every SNOMED CT and LOINC code that ships anywhere in the local definitions, however it is written there.
#[test]
fn every_shipped_standard_code_has_a_right_check_digit() {
    fn walk(value: &Value, system: &str, seen: &mut usize) {
        match value {
            Value::Object(map) => {
                let own = ["system", "target"].iter().find_map(|name| map.get(*name).and_then(Value::as_str));
                let system = own.unwrap_or(system);
                let is_target = map.contains_key("equivalence") || map.contains_key("system");
                if let (true, Some(code)) = (is_target, map.get("code").and_then(Value::as_str)) {
                    assert!(check_digit::passes(system, code), "{system} {code}");
                    *seen += usize::from(system == SCT || system == "http://loinc.org");
                }
                map.values().for_each(|child| walk(child, system, seen));
            }
            Value::Array(items) => items.iter().for_each(|child| walk(child, system, seen)),
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }
    let mut seen = 0;
    for (_, text) in load::TERMINOLOGY {
        walk(&serde_json::from_str(text).unwrap(), "", &mut seen);
    }
    assert!(seen > 60, "{seen}");
    for line in include_str!("../../local/standard-codes.csv").lines().skip(1) {
        let (system, rest) = line.split_once(',').unwrap();
        assert!(check_digit::passes(system, rest.split(',').next().unwrap()), "{line}");
    }
}

#[test]
fn the_tables_say_what_the_published_files_say() {
    fn list<'v>(value: &'v Value, name: &str) -> &'v [Value] {
        value[name].as_array().map_or(&[], Vec::as_slice)
    }
    fn said<'v>(value: &'v Value, name: &str) -> &'v str {
        value[name].as_str().unwrap_or_default()
    }
    let (mut systems, mut sets, mut maps) = (Vec::new(), Vec::new(), Vec::new());
    for (_, text) in load::TERMINOLOGY {
        let resource: Value = serde_json::from_str(text).unwrap();
        let url = said(&resource, "url");
        match said(&resource, "resourceType") {
            "CodeSystem" => {
                let property = |property: &Value| {
                    let (_, value) = property.as_object().unwrap().iter().next_back().unwrap();
                    let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
                    json!([property["code"], value])
                };
                let concept = |concept: &Value| {
                    assert!(concept.get("concept").is_none(), "{url} has concepts below others");
                    let properties: Vec<Value> = list(concept, "property").iter().map(property).collect();
                    json!([concept["code"], concept["display"], properties])
                };
                systems
                    .push(json!([url, list(&resource, "concept").iter().map(concept).collect::<Vec<_>>()]));
            }
            "ValueSet" => {
                let codes = |part: &Value| -> Vec<Value> {
                    list(part, "concept").iter().map(|concept| concept["code"].clone()).collect()
                };
                let parts: Vec<Value> = list(&resource["compose"], "include")
                    .iter()
                    .map(|part| json!([part["system"], codes(part)]))
                    .collect();
                sets.push(json!([url, resource["title"], resource["version"], parts]));
            }
            _ => {
                for group in list(&resource, "group") {
                    let targets = list(group, "element").iter().flat_map(|element| {
                        list(element, "target").iter().map(|target| {
                            let (code, display) = (&target["code"], said(target, "display"));
                            json!([element["code"], code, display, target["equivalence"]])
                        })
                    });
                    let targets: Vec<Value> = targets.collect();
                    maps.push(json!([url, group["source"], group["target"], targets]));
                }
            }
        }
    }
    assert_eq!(json!(load::CODE_SYSTEMS), json!(systems));
    assert_eq!(json!(load::VALUE_SETS), json!(sets));
    assert_eq!(json!(load::CONCEPT_MAPS), json!(maps));
}

#[test]
fn every_local_code_of_the_tables_is_in_its_code_system() {
    let terminology = terminology();
    let listed = load::VALUE_SETS.iter().flat_map(|(.., parts)| *parts);
    let listed = listed.flat_map(|(system, codes)| codes.iter().map(move |code| (*system, *code)));
    let mapped = load::CONCEPT_MAPS
        .iter()
        .flat_map(|(_, from, _, targets)| targets.iter().map(move |(code, ..)| (*from, *code)));
    for (system, code) in listed.chain(mapped) {
        assert!(!terminology.lacks(system, code), "{code} is not in {system}");
    }
}

fn load_error(text: &str) -> LoadError {
    terminology().with_files(&[("site.json", text)]).unwrap_err()
}

#[test]
fn a_site_adds_its_own_codes_and_maps() {
    let files = [
        (
            "set.json",
            r#"{"resourceType":"ValueSet","url":"https://harbourlane.example/vs","compose":{"include":[
                {"valueSet":["https://solewire.example/fhir/ValueSet/foot-sides"]},
                {"system":"https://harbourlane.example/cs"}]}}"#,
        ),
        (
            "system.json",
            r#"{"resourceType":"CodeSystem","url":"https://harbourlane.example/cs","content":"complete",
                "concept":[{"code":"a","concept":[{"code":"b"}]}]}"#,
        ),
        (
            "map.json",
            r#"{"resourceType":"ConceptMap","url":"https://harbourlane.example/cm","group":[{
                "source":"https://harbourlane.example/cs",
                "target":"https://solewire.example/fhir/CodeSystem/foot-test",
                "element":[{"code":"a","target":[{"code":"pulse","equivalence":"equivalent"}]},
                           {"code":"b","target":[{"code":"pulse","equivalence":"narrower"}]}]}]}"#,
        ),
    ];
    let terminology = terminology().with_files(&files).unwrap();
    let codes: Vec<_> =
        terminology.codes("https://harbourlane.example/vs").unwrap().map(|(_, code)| code).collect();
    assert_eq!(codes, ["left-foot", "right-foot", "a", "b"]);
    let given = concept(&[("https://harbourlane.example/cs", "a")]);
    assert_eq!(terminology.resolve(LocalSystem::FootTest, &given), Resolved::Code("pulse"));
    // A target that is narrower than the source says more than the source does.
    let given = concept(&[("https://harbourlane.example/cs", "b")]);
    assert_eq!(terminology.resolve(LocalSystem::FootTest, &given), Resolved::Unknown);
}

#[test]
fn what_cannot_be_used_is_refused_by_name() {
    let set = |include: &str| {
        format!(
            r#"{{"resourceType":"ValueSet","url":"https://harbourlane.example/vs","compose":{{"include":[{include}]}}}}"#
        )
    };
    let test = LocalSystem::FootTest.url();
    let cases = [
        ("{".to_owned(), "not JSON"),
        (set(r#"{"system":"http://loinc.org","filter":[{"property":"x","op":"=","value":"y"}]}"#), "filter"),
        (set(r#"{"system":"http://loinc.org"}"#), "http://loinc.org"),
        (set(r#"{"valueSet":["https://harbourlane.example/vs"]}"#), "https://harbourlane.example/vs"),
        (set(&format!(r#"{{"system":"{test}","concept":[{{"code":"pulze"}}]}}"#)), "pulze"),
        (set("{}"), "neither"),
        (r#"{"resourceType":"ValueSet","url":"https://harbourlane.example/vs"}"#.to_owned(), "compose"),
        (r#"{"resourceType":"ValueSet"}"#.to_owned(), "`url`"),
        (
            r#"{"resourceType":"CodeSystem","url":"https://harbourlane.example/cs","content":"fragment"}"#
                .to_owned(),
            "complete",
        ),
        (format!(r#"{{"resourceType":"CodeSystem","url":"{test}","content":"complete"}}"#), "already loaded"),
        (
            format!(
                r#"{{"resourceType":"ConceptMap","url":"https://harbourlane.example/cm","group":[{{"source":"{test}",
                "target":"http://snomed.info/sct","element":[{{"code":"skin","target":[{{"code":"64549002","equivalence":"equivalent"}}]}}]}}]}}"#
            ),
            "check digit",
        ),
    ];
    for (text, named) in cases {
        let error = load_error(&text);
        assert_eq!(error.file, "site.json");
        assert!(error.reason.contains(named), "{named}: {}", error.reason);
    }
}
