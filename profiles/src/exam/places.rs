//! Where a resource of the exam says in codes what was tested, where, and with what result.

use serde_json::Value;

use crate::terminology::{LocalSystem, Terminology};

/// A CodeableConcept that the exam is read from.
#[derive(Debug, Clone)]
pub(super) struct CodedPlace {
    /// JSON pointer from the resource.
    pub(super) pointer: String,
    /// The code systems of ours that it is read by.
    pub(super) systems: &'static [LocalSystem],
}

const TEST: &str = "/code";

impl CodedPlace {
    fn new(pointer: impl Into<String>, systems: &'static [LocalSystem]) -> CodedPlace {
        CodedPlace { pointer: pointer.into(), systems }
    }

    /// The place of the test, or of the problem or procedure.
    pub(super) fn test() -> CodedPlace {
        CodedPlace::new(TEST, &[LocalSystem::FootTest])
    }

    /// Whether it names the test.
    pub(super) fn is_test(&self) -> bool {
        self.pointer == TEST
    }

    /// What it stands for, in words.
    pub(super) fn meaning(&self) -> &'static str {
        match self.systems {
            [LocalSystem::FootTest] => "the test",
            [LocalSystem::FootSite] => "the site",
            [LocalSystem::FootResult] => "the result",
            _ => "the part of the test",
        }
    }
}

/// The coded places of an Observation, Condition or Procedure, in a fixed order, whether anything stands there or not.
pub(super) fn coded_places(resource: &Value) -> Vec<CodedPlace> {
    let mut places = vec![CodedPlace::test()];
    if resource.get("resourceType").and_then(Value::as_str) != Some("Observation") {
        return places;
    }
    places.push(CodedPlace::new("/bodySite", &[LocalSystem::FootSite]));
    places.push(CodedPlace::new("/valueCodeableConcept", &[LocalSystem::FootResult]));
    let components = resource.get("component").and_then(Value::as_array).map_or(0, Vec::len);
    for number in 0..components {
        let of = |name: &str| format!("/component/{number}/{name}");
        places.push(CodedPlace::new(of("code"), &[LocalSystem::FootTest, LocalSystem::FootSite]));
        places.push(CodedPlace::new(of("valueCodeableConcept"), &[LocalSystem::FootResult]));
    }
    places
}

/// Puts our coding behind the codings of a device that stand for it, so that whoever receives the resource can read it
/// without the site's map. What was sent stays as it is, and stays first.
pub(super) fn add_local_codings(terminology: &Terminology, resource: &mut Value) {
    // Without a site's map there are no such codings, and to look for them takes a sixth of a submission.
    if !terminology.has_device_systems() {
        return;
    }
    for place in coded_places(resource) {
        let Some(concept) = resource.pointer(&place.pointer) else { continue };
        let ours: Vec<Value> =
            place.systems.iter().filter_map(|&system| terminology.local_coding(system, concept)).collect();
        let codings =
            resource.pointer_mut(&format!("{}/coding", place.pointer)).and_then(Value::as_array_mut);
        if let Some(codings) = codings {
            codings.extend(ours);
        }
    }
}
