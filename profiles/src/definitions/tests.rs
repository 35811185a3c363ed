use serde_json::Value;
use sha2::{Digest, Sha256};

use super::*;

fn tables() -> &'static BaseTables {
    BaseTables::builtin()
}

#[test]
fn the_tables_are_those_that_the_sources_page_names() {
    let page = include_str!("../../base/SOURCES.md");
    for (file, text) in
        [("types.json", TYPES), ("invariants.json", INVARIANTS), ("value-sets.json", VALUE_SETS)]
    {
        let digest: String = Sha256::digest(text).iter().map(|byte| format!("{byte:02x}")).collect();
        let row = page.lines().find(|line| line.contains(&format!("`{file}`"))).unwrap();
        assert!(row.contains(&digest), "{file} has checksum {digest}, SOURCES.md says otherwise");
    }
}

#[test]
fn properties_have_their_types() {
    let cases = [
        ("Observation", "valueQuantity", Some("Quantity")),
        ("Observation", "component", Some("Observation.component")),
        ("Observation.component", "valueCodeableConcept", Some("CodeableConcept")),
        ("Patient", "birthDate", Some("date")),
        ("Patient", "id", Some("id")),
        ("Quantity", "id", Some("string")),
        ("Timing", "repeat", Some("Timing.repeat")),
        ("Timing.repeat", "boundsPeriod", Some("Period")),
        ("Bundle.entry", "link", Some("Bundle.link")),
        ("Bundle.entry", "resource", Some("Resource")),
        ("Observation.referenceRange", "low", Some("Quantity")),
        ("Questionnaire.item", "item", Some("Questionnaire.item")),
        ("Age", "value", Some("decimal")),
        ("Extension", "valueDosage", Some("Dosage")),
        ("Observation", "value", None),
        ("Observation", "valueReference", None),
        ("NoSuchType", "value", None),
    ];
    for (parent, property, expected) in cases {
        assert_eq!(tables().element_type(parent, property), expected, "{parent}.{property}");
    }
}

#[test]
fn elements_have_cardinality_targets_and_bindings() {
    let value = tables().element("Observation", "value").unwrap();
    assert_eq!((value.name, value.cardinality().as_str(), value.types.len()), ("value[x]", "0..1", 11));
    let status = tables().element("Observation", "status").unwrap();
    assert_eq!(status.cardinality(), "1..1");
    let codes = tables().value_set(status.required_binding.unwrap()).unwrap();
    assert_eq!(codes.contains("http://hl7.org/fhir/observation-status", "final"), Some(true));
    assert_eq!(codes.contains("http://hl7.org/fhir/observation-status", "Final"), Some(false));
    let subject = tables().element("Observation", "subject").unwrap();
    assert_eq!(subject.types[0].targets, ["Patient", "Group", "Device", "Location"]);
    let open: Vec<_> = tables().value_sets().filter(|value_set| value_set.codes.is_none()).collect();
    assert_eq!((tables().value_sets().count(), open.len()), (224, 4), "{open:?}");
    let mime = tables().value_set("http://hl7.org/fhir/ValueSet/mimetypes").unwrap();
    assert_eq!(mime.contains("urn:ietf:bcp:13", "text/plain"), None);
}

#[test]
fn every_resource_type_is_there_and_the_abstract_ones_are_not() {
    assert_eq!(tables().resource_types().len(), 146);
    assert!(tables().is_resource_type("Observation") && !tables().is_resource_type("Quantity"));
    assert!(!tables().is_resource_type("Resource") && !tables().is_resource_type("DomainResource"));
    let lineage: Vec<_> = tables().lineage("Observation").map(|definition| &definition.name).collect();
    assert_eq!(lineage, ["Observation", "DomainResource", "Resource"]);
    assert!(tables().is_a("Age", "Quantity") && tables().is_a("Bundle.entry", "Element"));
    assert!(!tables().is_a("Bundle", "DomainResource"));
}

#[test]
fn invariants_are_found_at_the_path_that_declares_them() {
    let keys = |path: &str| tables().invariants(path).iter().map(|rule| rule.key).collect::<Vec<_>>();
    assert_eq!(keys("Observation"), ["obs-6", "obs-7"]);
    assert_eq!(keys("Observation.referenceRange"), ["obs-3"]);
    assert_eq!(keys("DomainResource"), ["dom-2", "dom-3", "dom-4", "dom-5", "dom-6"]);
    assert_eq!(keys("Narrative.div"), ["txt-1", "txt-2"]);
    assert_eq!(keys("Extension"), ["ext-1"]);
    assert!(keys("Patient").is_empty());
    let count: usize = tables().invariant_paths().map(|path| tables().invariants(path).len()).sum();
    assert_eq!(count, 241);
    for path in tables().invariant_paths() {
        let parent = path.rsplit_once('.').and_then(|(parent, name)| tables().element(parent, name));
        assert!(tables().type_definition(path).is_some() || parent.is_some(), "{path} names nothing");
    }
}

#[test]
fn every_entry_of_the_tables_is_found_and_can_be_read() {
    fn found<T>(entries: &Entries<T>) -> Vec<(String, Value)> {
        entries
            .iter()
            .map(|entry| (entry.name.to_owned(), serde_json::from_str(entry.text).unwrap()))
            .collect()
    }
    let all = |table: &str| -> Vec<(String, Value)> {
        let entries: serde_json::Map<String, Value> = serde_json::from_str(table).unwrap();
        entries.into_iter().collect()
    };
    assert_eq!(found(&tables().types), all(TYPES));
    assert_eq!(found(&tables().invariants), all(INVARIANTS));
    assert_eq!(found(&tables().value_sets), all(VALUE_SETS));
    parse::read_all(tables()).unwrap();
    let is_resource_type = |name: &str| {
        let definition = tables().type_definition(name).unwrap();
        definition.kind == TypeKind::Resource && !definition.is_abstract
    };
    let names = tables().types.iter().map(|entry| entry.name).filter(|name| is_resource_type(name));
    assert_eq!(names.collect::<Vec<_>>(), tables().resource_types());
}

#[test]
fn a_table_that_does_not_fit_is_refused_by_name() {
    let cases = [
        (r#""A":{"kind":"complex-type","base":"","elements":[["x","0..1","B"]]}"#, "unknown type B"),
        (r#""A":{"kind":"complex-type","base":"B","elements":[]}"#, "unknown B"),
        (r#""A":{"kind":"complex-type","base":"","elements":[["x","often","A"]]}"#, "no cardinality"),
        (r#""A":{"kind":"complex-type","base":"","elements":[["x.y","0..1","A"]]}"#, "no parent"),
        (r#""A":{"kind":"complex-type","base":"","elements":[["x","0..1","A","v"]]}"#, "lacks"),
        (r#""A":{"kind":"poem","base":"","elements":[]}"#, "unknown kind"),
        (r#""A":["#, "line 1"),
    ];
    for (entry, expected) in cases {
        let types = format!("{{\n{entry}\n}}\n").leak();
        let error = parse::read_all(&BaseTables::of(types, "{}", "{}")).unwrap_err().to_string();
        assert!(error.contains(expected) && error.contains("types.json"), "{error}");
    }
}
