//! A site's own profiles: what they change, and what is refused at load by name.

use super::*;

fn profile(base: &str, elements: Value) -> String {
    json!({
        "resourceType": "StructureDefinition",
        "id": "harbour-lane",
        "url": "https://harbourlane.example/fhir/StructureDefinition/harbour-lane",
        "name": "HarbourLane",
        "status": "active",
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": false,
        "type": "Observation",
        "baseDefinition": base,
        "derivation": "constraint",
        "differential": { "element": elements }
    })
    .to_string()
}

const PULSE: &str = "https://solewire.example/fhir/StructureDefinition/foot-pulse";
const ULCER: &str = "https://solewire.example/fhir/StructureDefinition/foot-ulcer";
const OBSERVATION: &str = "http://hl7.org/fhir/StructureDefinition/Observation|4.0.1";

fn load(base: &str, elements: Value) -> Result<Profiles, LoadError> {
    Profiles::with_files(terminology(), &[("harbour.json", profile(base, elements))])
}

fn expected(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
    let mut pairs: Vec<_> = pairs.iter().map(|(rule, at)| ((*rule).to_owned(), (*at).to_owned())).collect();
    pairs.sort();
    pairs
}

fn pulse() -> Value {
    grouped("pulse", json!([component(SITE, "dorsalis-pedis", coded("present"))]))
}

#[test]
fn a_profile_that_narrows_ours_applies_without_a_claim() {
    let elements = json!([
        { "id": "Observation.performer", "path": "Observation.performer", "min": 1 },
        { "id": "Observation.component", "path": "Observation.component", "min": 2, "max": "2" },
        { "id": "Observation.encounter", "path": "Observation.encounter", "max": "0" }
    ]);
    let site = load(PULSE, elements).unwrap();
    assert_eq!(
        found(&site, &with(pulse(), json!({ "encounter": {} }))),
        expected(&[
            ("profile-required", "/performer"),
            ("profile-cardinality", "/component"),
            ("profile-cardinality", "/encounter"),
        ])
    );
    // Another test is none of its business.
    let other = with(bare("egfr"), json!({ "valueQuantity": quantity(60.0, "mL/min/{1.73_m2}") }));
    assert_eq!(found(&site, &other), []);
    assert_eq!(found(profiles(), &pulse()), []);
}

#[test]
fn a_profile_on_an_r4_type_applies_where_claimed() {
    let elements = json!([
        { "id": "Observation.method", "path": "Observation.method", "min": 1,
            "binding": { "strength": "extensible", "valueSet": "https://solewire.example/fhir/ValueSet/foot-sides" } },
        { "id": "Observation.status", "path": "Observation.status", "fixedCode": "final" },
        { "id": "Observation.interpretation", "path": "Observation.interpretation",
          "binding": { "strength": "preferred", "valueSet": "http://example.org/not-here" } }
    ]);
    let site = load(OBSERVATION, elements).unwrap();
    assert_eq!(found(&site, &pulse()), []);
    let url = "https://harbourlane.example/fhir/StructureDefinition/harbour-lane|1";
    let claiming = with(pulse(), json!({ "meta": { "profile": [url] }, "status": "amended" }));
    assert_eq!(
        found(&site, &claiming),
        expected(&[("profile-required", "/method"), ("profile-fixed", "/status")])
    );
    let other = with(claiming, json!({ "status": "final", "method": concept(SCT, "113011001") }));
    assert_eq!(found(&site, &other), expected(&[("profile-binding-extensible", "/method/coding/0")]));
}

#[test]
fn a_binding_to_a_value_set_of_r4_is_checked() {
    let elements = json!([{ "id": "Observation.status", "path": "Observation.status",
        "binding": { "strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/observation-status|4.0.1" } }]);
    let site = load(PULSE, elements).unwrap();
    let wrong = with(pulse(), json!({ "status": "finished" }));
    assert_eq!(found(&site, &wrong), expected(&[("profile-binding", "/status")]));
}

#[test]
fn elements_below_a_choice_are_reached_in_every_way_of_writing_it() {
    let threshold = "https://solewire.example/fhir/StructureDefinition/foot-vibration-threshold";
    let given = with(
        bare("vibration-threshold"),
        json!({ "bodySite": concept(SITE, "left-foot"), "valueQuantity": quantity(31.0, "V") }),
    );
    // The base profile left one type, so the type need not be said again.
    for (id, path) in [
        ("Observation.value[x].unit", "Observation.value[x].unit"),
        ("Observation.valueQuantity.unit", "Observation.valueQuantity.unit"),
        ("Observation.value[x]:valueQuantity.unit", "Observation.value[x].unit"),
    ] {
        let elements = json!([{ "id": id, "path": path, "min": 1, "_short": {}, "extension": [] }]);
        let site = load(threshold, elements).unwrap();
        assert_eq!(found(&site, &given), expected(&[("profile-required", "/valueQuantity/unit")]), "{id}");
        let mut named = given.clone();
        named["valueQuantity"]["unit"] = json!("volt");
        assert_eq!(found(&site, &named), [], "{id}");
    }
    let several = load(PULSE, json!([{ "path": "Observation.component.value[x].text", "min": 1 }])).unwrap();
    let text = expected(&[("profile-required", "/component/0/valueCodeableConcept/text")]);
    assert_eq!(found(&several, &pulse()), text);
}

#[test]
fn slices_of_ours_can_be_narrowed_and_own_ones_counted() {
    let elements = json!([
        { "id": "Observation.component:ulcer-area", "path": "Observation.component", "sliceName": "ulcer-area", "min": 1, "max": "1" },
        { "id": "Observation.component:ulcer-area.interpretation", "path": "Observation.component.interpretation", "min": 1 }
    ]);
    let site = load(ULCER, elements).unwrap();
    let area = component(TEST, "ulcer-area", json!({ "valueQuantity": quantity(1.5, "cm2") }));
    let depth = component(TEST, "ulcer-depth", coded("skin-only"));
    let ulcer = |components: Value| {
        with(bare("ulcer"), json!({ "bodySite": concept(SITE, "left-heel"), "component": components }))
    };
    assert_eq!(found(&site, &ulcer(json!([depth]))), expected(&[("profile-cardinality", "/component")]));
    assert_eq!(
        found(&site, &ulcer(json!([depth, area]))),
        expected(&[("profile-required", "/component/1/interpretation")])
    );
    let interpreted = with(area, json!({ "interpretation": [{}] }));
    assert_eq!(found(&site, &ulcer(json!([interpreted]))), []);
    let none = with(ulcer(json!([])), json!({ "component": null }));
    assert_eq!(found(&site, &none), expected(&[("profile-required", "/component")]));
}

#[test]
fn closed_slices_refuse_everything_else() {
    let elements = json!([
        { "id": "Observation.identifier", "path": "Observation.identifier",
          "slicing": { "discriminator": [{ "type": "value", "path": "system" }, { "type": "value", "path": "type.coding.code" }], "rules": "closed" } },
        { "id": "Observation.identifier:local", "path": "Observation.identifier", "sliceName": "local", "max": "1" },
        { "id": "Observation.identifier:local.system", "path": "Observation.identifier.system", "fixedUri": "https://harbourlane.example/id" },
        { "id": "Observation.identifier:local.type.coding.code", "path": "Observation.identifier.type.coding.code", "fixedCode": "HL" }
    ]);
    let site = load(PULSE, elements).unwrap();
    let local =
        json!({ "system": "https://harbourlane.example/id", "type": { "coding": [{ "code": "HL" }] } });
    assert_eq!(found(&site, &with(pulse(), json!({ "identifier": [local] }))), []);
    let other = json!({ "system": "https://harbourlane.example/id" });
    let wrong = with(pulse(), json!({ "identifier": [local, other, local] }));
    assert_eq!(
        found(&site, &wrong),
        expected(&[("profile-cardinality", "/identifier"), ("profile-cardinality", "/identifier/1")])
    );
}

#[test]
fn constraints_are_issues_under_their_own_key() {
    let constraint = |key: &str, severity: &str, expression: &str| json!({ "key": key, "severity": severity, "human": "as the clinic agreed", "expression": expression });
    let elements = json!([
        { "path": "Observation", "constraint": [
            constraint("hl-1", "error", "method.exists() or note.exists()"),
            constraint("obs-6", "error", "outside.of(our, subset)")] },
        { "path": "Observation.component", "constraint": [constraint("hl-2", "warning", "code.text.exists()")] },
        { "path": "Observation.component.value[x]", "constraint": [constraint("hl-3", "error", "coding.count() = 1")] }
    ]);
    let site = load(PULSE, elements).unwrap();
    let two = json!({ "valueCodeableConcept": { "coding": [
        { "system": RESULT, "code": "present" }, { "system": SCT, "code": "52101004" }] } });
    let named = with(
        component(SITE, "popliteal", two),
        json!({ "code": {
        "coding": [{ "system": SITE, "code": "popliteal" }], "text": "popliteal" } }),
    );
    let resource = grouped("pulse", json!([component(SITE, "dorsalis-pedis", coded("present")), named]));
    let mut issues = Vec::new();
    site.check(&resource, "/entry/0/resource", &mut issues);
    assert_eq!(issues.iter().filter(|issue| issue.severity == crate::issue::Severity::Warning).count(), 1);
    assert_eq!(
        pairs(issues),
        expected(&[
            ("hl-1", "/entry/0/resource"),
            ("hl-2", "/entry/0/resource/component/0"),
            ("hl-3", "/entry/0/resource/component/1/valueCodeableConcept"),
        ])
    );
}

#[test]
fn a_constraint_that_cannot_be_enforced_is_refused_by_name() {
    let stated = |id: &str, constraint: Value| json!([{ "id": id, "path": "Observation", "constraint": [constraint] }]);
    let slice = json!([
        { "id": "Observation.component:ulcer-area", "path": "Observation.component", "sliceName": "ulcer-area",
          "constraint": [{ "key": "hl-1", "severity": "error", "human": "h", "expression": "true" }] }
    ]);
    let cases = [
        (stated("Observation", json!({ "severity": "error" })), "`key`"),
        (stated("Observation", json!({ "key": "hl-1", "severity": "fatal" })), "hl-1"),
        (stated("Observation", json!({ "key": "hl-1", "severity": "error", "human": "h" })), "expression"),
        (
            stated(
                "Observation",
                json!({ "key": "hl-1", "severity": "error", "human": "h", "expression": "subject.resolve().exists()" }),
            ),
            "resolve",
        ),
        (slice, "slice"),
    ];
    for (elements, named) in cases {
        let error = load(ULCER, elements).map(|_| ()).unwrap_err();
        assert!(error.reason.contains(named), "{named}: {}", error.reason);
    }
}

#[test]
fn a_profile_may_be_based_on_another_of_the_site() {
    let second = json!({
        "resourceType": "StructureDefinition", "id": "second", "name": "Second",
        "url": "https://harbourlane.example/fhir/StructureDefinition/second",
        "kind": "resource", "type": "Observation", "derivation": "constraint",
        "baseDefinition": "https://harbourlane.example/fhir/StructureDefinition/harbour-lane",
        "differential": { "element": [{ "path": "Observation.device", "min": 1 }] }
    });
    let first = profile(PULSE, json!([{ "path": "Observation.method", "min": 1 }]));
    let files = [("second.json", second.to_string()), ("first.json", first)];
    let site = Profiles::with_files(terminology(), &files).unwrap();
    let mut issues = Vec::new();
    site.check(&pulse(), "/x", &mut issues);
    let mut missing: Vec<_> = issues.iter().map(|issue| issue.message.split(' ').next().unwrap()).collect();
    missing.sort_unstable();
    assert_eq!(missing, ["`device`", "`method`"]);
    assert!(issues.iter().all(|issue| issue.pointer.starts_with("/x/")));
}

#[test]
fn what_cannot_be_enforced_is_refused_by_name() {
    let path = |path: &str, rules: Value| {
        let mut element = json!({ "id": path, "path": path });
        element.as_object_mut().unwrap().extend(rules.as_object().unwrap().clone());
        json!([element])
    };
    let slicing = |discriminator: Value| {
        json!([
            { "id": "Observation.component", "path": "Observation.component", "slicing": { "discriminator": [discriminator], "rules": "open" } },
            { "id": "Observation.component:a", "path": "Observation.component", "sliceName": "a" },
            { "id": "Observation.component:a.method", "path": "Observation.component.code" }
        ])
    };
    let cases = [
        (
            path("Observation.valueInteger", json!({ "minValueInteger": 1 })),
            vec!["Observation.valueInteger", "minValueInteger"],
        ),
        (path("Observation.issued", json!({ "maxLength": 10 })), vec!["Observation.issued", "maxLength"]),
        (path("Observation.nonsense", json!({ "min": 1 })), vec!["Observation.nonsense", "no element"]),
        (path("Patient.name", json!({ "min": 1 })), vec!["Patient.name", "Observation"]),
        (path("Observation.status", json!({ "max": "2" })), vec!["Observation.status", "max"]),
        (path("Observation.note", json!({ "min": 3, "max": "2" })), vec!["Observation.note", "less than"]),
        (path("Observation.note", json!({ "max": "many" })), vec!["Observation.note", "not a number"]),
        (
            path(
                "Observation.method",
                json!({ "binding": { "strength": "required", "valueSet": "http://example.org/vs" } }),
            ),
            vec!["Observation.method", "http://example.org/vs", "not loaded"],
        ),
        (
            path("Observation.method", json!({ "binding": { "strength": "required" } })),
            vec!["Observation.method", "valueSet"],
        ),
        (
            path("Observation.method", json!({ "binding": { "valueSet": "x" } })),
            vec!["Observation.method", "strength"],
        ),
        (
            path(
                "Observation.subject",
                json!({ "binding": { "strength": "required", "valueSet": "https://solewire.example/fhir/ValueSet/foot-sides" } }),
            ),
            vec!["Observation.subject", "does not fit"],
        ),
        (
            path("Observation.value[x]", json!({ "type": [{ "code": "Address" }] })),
            vec!["Observation.value[x]", "Address"],
        ),
        (
            path("Observation.value[x]", json!({ "patternQuantity": {} })),
            vec!["Observation.value[x]", "one `type`"],
        ),
        (
            path("Observation.status", json!({ "patternString": "final" })),
            vec!["Observation.status", "patternString"],
        ),
        (
            path(
                "Observation.subject",
                json!({ "type": [{ "code": "Reference", "targetProfile": [PULSE] }] }),
            ),
            vec!["Observation.subject", PULSE],
        ),
        (
            path(
                "Observation.subject",
                json!({ "type": [{ "code": "Reference", "aggregation": ["bundled"] }] }),
            ),
            vec!["Observation.subject", "type.aggregation"],
        ),
        (
            path("Observation.component:a", json!({ "sliceName": "a", "min": 1 })),
            vec!["Observation.component:a", "slicing"],
        ),
        (path("Observation.component:a/b", json!({ "sliceName": "a/b" })), vec!["slices of slices"]),
        (
            path("Observation.method:a", json!({ "sliceName": "a" })),
            vec!["Observation.method:a", "stands once"],
        ),
        (slicing(json!({ "type": "exists", "path": "code" })), vec!["Observation.component", "exists"]),
        (slicing(json!({ "type": "profile", "path": "code" })), vec!["Observation.component", "profile"]),
        (
            slicing(json!({ "type": "value", "path": "code.resolve()" })),
            vec!["Observation.component", "resolve()"],
        ),
        (slicing(json!({ "type": "value", "path": "nothing" })), vec!["Observation.component", "nothing"]),
        (
            slicing(json!({ "type": "value", "path": "code" })),
            vec!["Observation.component:a", "nothing tells"],
        ),
        (
            path(
                "Observation.category",
                json!({ "slicing": { "discriminator": [{ "type": "pattern", "path": "$this" }], "rules": "open", "ordered": true } }),
            ),
            vec!["Observation.category", "ordered"],
        ),
        (
            json!([{ "path": "Observation.note" }, { "path": "Observation.note", "min": 1 }]),
            vec!["Observation.note", "twice"],
        ),
        (json!([{ "min": 1 }]), vec!["no `path`"]),
    ];
    for (elements, names) in cases {
        let text = elements.to_string();
        let Err(error) = load(OBSERVATION, elements) else { panic!("loaded: {text}") };
        assert_eq!(error.file, "harbour.json");
        for name in names {
            assert!(error.reason.contains(name), "{name}: {}", error.reason);
        }
    }
}

#[test]
fn a_profile_that_stands_on_nothing_is_refused_by_name() {
    let cases = [
        (load("http://example.org/elsewhere", json!([])), "http://example.org/elsewhere"),
        (load("http://hl7.org/fhir/StructureDefinition/Patient", json!([])), "Patient"),
        (load("https://harbourlane.example/fhir/StructureDefinition/harbour-lane", json!([])), "leads back"),
    ];
    for (loaded, named) in cases {
        let error = loaded.map(|_| ()).unwrap_err();
        assert!(error.reason.contains(named), "{}", error.reason);
    }
    let bad = [
        ("{", "not JSON"),
        (
            r#"{"resourceType":"StructureDefinition","kind":"resource","derivation":"specialization"}"#,
            "constraint",
        ),
        (r#"{"resourceType":"StructureDefinition","kind":"resource","derivation":"constraint"}"#, "`url`"),
        (
            r#"{"resourceType":"StructureDefinition","kind":"resource","derivation":"constraint","fhirVersion":"5.0.0"}"#,
            "5.0.0",
        ),
        (
            r#"{"resourceType":"StructureDefinition","kind":"resource","derivation":"constraint","url":"u","name":"n","type":"Observation","baseDefinition":"b","snapshot":{}}"#,
            "differential",
        ),
    ];
    for (text, named) in bad {
        let loaded = Profiles::with_files(terminology(), &[("bad.json", text)]);
        let error = loaded.map(|_| ()).unwrap_err();
        assert!(error.reason.contains(named), "{named}: {}", error.reason);
    }
    let twice = profile(PULSE, json!([]));
    let files = [("a.json", twice.clone()), ("b.json", twice)];
    let loaded = Profiles::with_files(terminology(), &files);
    assert!(loaded.map(|_| ()).unwrap_err().reason.contains("already loaded"));
}
