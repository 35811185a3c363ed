//! What ships, as others load it: each definition in published form, profiles with their snapshots.
//!
//! A snapshot has every element with its cardinality, types, invariants and required bindings, which is what the tables
//! of R4 in this library hold. It lacks what they do not: R4's own texts, its weaker bindings and its summary marks.

mod snapshot;

use serde_json::{Value, json};

use crate::definitions::BaseTables;
use crate::load_error::LoadError;
use crate::profile;
use crate::terminology;

/// A definition as it is published.
#[derive(Debug, Clone)]
pub struct Published {
    /// Its place, such as `structure-definitions/foot-exam.json`.
    pub path: &'static str,
    /// The resource.
    pub resource: Value,
}

/// Every definition that ships, profiles with snapshots.
///
/// # Errors
/// What is wrong with a shipped file; it is a defect of this library.
pub fn published() -> Result<Vec<Published>, LoadError> {
    let files = profile::shipped().iter().chain(terminology::shipped());
    let mut all = Vec::new();
    for (path, content) in files {
        let resource: Value =
            serde_json::from_str(content).map_err(|cause| error(path, &cause.to_string()))?;
        all.push(Published { path, resource });
    }
    let tables = BaseTables::builtin();
    let differentials: Vec<Value> = all.iter().map(|one| one.resource.clone()).collect();
    for one in all.iter_mut().filter(|one| text(&one.resource, "resourceType") == "StructureDefinition") {
        let elements = elements(tables, &differentials, &one.resource)
            .map_err(|id| error(one.path, &format!("nothing is at `{id}`")))?;
        with_snapshot(&mut one.resource, elements);
    }
    Ok(all)
}

fn error(path: &str, reason: &str) -> LoadError {
    LoadError { file: path.to_owned(), reason: reason.to_owned() }
}

fn text<'r>(resource: &'r Value, name: &str) -> &'r str {
    resource.get(name).and_then(Value::as_str).unwrap_or_default()
}

fn elements(tables: &BaseTables, all: &[Value], profile: &Value) -> Result<snapshot::Elements, String> {
    let base = text(profile, "baseDefinition");
    let mut elements = match all.iter().find(|one| text(one, "url") == base) {
        Some(base) => elements(tables, all, base)?,
        None => snapshot::of_type(tables, text(profile, "type")),
    };
    let differential = profile.pointer("/differential/element").and_then(Value::as_array);
    snapshot::apply(tables, &mut elements, differential.map_or(&[], Vec::as_slice))?;
    Ok(elements)
}

/// The snapshot stands before the differential, as R4 orders them.
fn with_snapshot(resource: &mut Value, elements: snapshot::Elements) {
    let Some(object) = resource.as_object_mut() else { return };
    let differential = object.shift_remove("differential");
    let elements: Vec<Value> = elements.into_iter().map(Value::Object).collect();
    object.insert("snapshot".to_owned(), json!({ "element": elements }));
    object.extend(differential.map(|differential| ("differential".to_owned(), differential)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::json::Document;
    use crate::{CheckContext, Engine};

    #[test]
    fn every_profile_has_a_whole_snapshot_that_r4_takes() {
        let engine = Engine::builtin().unwrap();
        let context = CheckContext::at("2026-11-26T12:00:00Z".parse().unwrap());
        let mut profiles = 0;
        for one in published().unwrap() {
            let bytes = serde_json::to_vec(&one.resource).unwrap();
            let document = Document::parse(bytes, crate::json::Limits::default()).unwrap();
            let issues: Vec<_> = engine.check(&document, &context);
            let refusing: Vec<_> = issues.iter().filter(|issue| issue.severity.refuses()).collect();
            assert!(refusing.is_empty(), "{}: {refusing:#?}", one.path);
            let Some(elements) = one.resource.pointer("/snapshot/element").and_then(Value::as_array) else {
                continue;
            };
            profiles += 1;
            let ids: Vec<&str> = elements.iter().map(|element| element["id"].as_str().unwrap()).collect();
            let mut unique = ids.clone();
            unique.sort_unstable();
            unique.dedup();
            assert_eq!(unique.len(), ids.len(), "{}: an id stands twice", one.path);
            for change in one.resource["differential"]["element"].as_array().unwrap() {
                let element = elements.iter().find(|element| element["id"] == change["id"]).unwrap();
                for (name, value) in change.as_object().unwrap() {
                    assert_eq!(&element[name], value, "{}: {}", one.path, change["id"]);
                }
            }
            for element in elements {
                let id = element["id"].as_str().unwrap();
                let parent = id.rsplit_once('.').map(|(parent, _)| parent);
                assert!(
                    parent.is_none_or(|parent| ids.contains(&parent)),
                    "{}: {id} has no parent",
                    one.path
                );
            }
        }
        assert!(profiles > 40);
    }

    #[test]
    fn a_slice_carries_what_is_within_the_element_that_it_slices() {
        let all = published().unwrap();
        let ulcer = all.iter().find(|one| one.path.ends_with("foot-ulcer.json")).unwrap();
        let elements = ulcer.resource["snapshot"]["element"].as_array().unwrap();
        let by_id =
            |id: &str| elements.iter().find(|element| element["id"] == id).unwrap_or_else(|| panic!("{id}"));
        assert_eq!(
            by_id("Observation.component:ulcer-area.interpretation")["base"]["path"],
            "Observation.component.interpretation"
        );
        assert_eq!(by_id("Observation.referenceRange.low")["type"][0]["code"], "Quantity");
        assert_eq!(
            by_id("Observation.component.referenceRange")["contentReference"],
            "#Observation.referenceRange"
        );
        assert_eq!(by_id("Observation.text")["base"]["path"], "DomainResource.text");
    }
}
