//! Which resource type a Reference names, as far as its text tells.

use serde_json::{Map, Value};

use super::explain::listed;
use super::primitive::is_id;
use crate::definitions::BaseTables;
use crate::json::member;

/// The resource type in a RESTful reference: `Patient/1`, `Patient/1/_history/2`, `https://host/base/Patient/1`, or a
/// conditional `Patient?identifier=...`. None for fragments, URNs and anything whose text does not tell.
pub(super) fn named_type<'r>(tables: &BaseTables, reference: &'r str) -> Option<&'r str> {
    if let Some((kind, _)) = reference.split_once('?') {
        return Some(kind).filter(|kind| tables.is_resource_type(kind));
    }
    let (kind, _, relative) = restful(reference)?;
    let looks_like_type = kind.starts_with(|first: char| first.is_ascii_uppercase())
        && kind.bytes().all(|byte| byte.is_ascii_alphabetic());
    // In an absolute URL any segment may begin with a capital; a relative reference has no other reading.
    (looks_like_type && (relative || tables.is_resource_type(kind))).then_some(kind)
}

/// Splits a RESTful address into type, id, and whether it is relative; a version is left out.
pub(super) fn restful(address: &str) -> Option<(&str, &str, bool)> {
    let versionless = address.split_once("/_history/").map_or(address, |(before, _)| before);
    let (before, id) = versionless.rsplit_once('/')?;
    let (kind, relative) = match before.rsplit_once('/') {
        Some((base, kind)) if base.starts_with("http://") || base.starts_with("https://") => (kind, false),
        Some(_) => return None,
        None => (before, true),
    };
    is_id(id).then_some((kind, id, relative))
}

/// A breach by one Reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// `reference` names a type that is not allowed.
    Reference,
    /// `type` names a type that is not allowed.
    Type,
    /// `type` and `reference` name different types.
    Disagreement,
}

/// Whether a reference that takes some types takes this one. Without any named, it takes all.
pub(super) fn allows(targets: &[&str], resource_type: &str) -> bool {
    targets.is_empty() || targets.contains(&"Resource") || targets.contains(&resource_type)
}

/// What to say of a reference to another type.
pub(super) fn message(label: &str, targets: &[&str]) -> String {
    format!("{label} may not point at this resource type. It takes {}.", listed(targets.iter().copied()))
}

/// Holds a Reference against the resource types allowed.
pub(super) fn check(tables: &BaseTables, allowed: &[&str], reference: &Map<String, Value>) -> Option<Fault> {
    let text = |name: &str| member(reference, name).and_then(Value::as_str);
    let by_reference = text("reference").and_then(|reference| named_type(tables, reference));
    let by_type = text("type").filter(|kind| tables.is_resource_type(kind));
    if by_reference.is_some_and(|kind| !allows(allowed, kind)) {
        return Some(Fault::Reference);
    }
    if by_type.is_some_and(|kind| !allows(allowed, kind)) {
        return Some(Fault::Type);
    }
    match (by_reference, by_type) {
        (Some(a), Some(b)) if a != b => Some(Fault::Disagreement),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_type_of_a_reference_is_told_by_its_text_alone() {
        let tables = BaseTables::builtin();
        let cases = [
            ("Patient/1", Some("Patient")),
            ("Patient/1/_history/2", Some("Patient")),
            ("https://harbourlane.example/fhir/Patient/1", Some("Patient")),
            ("https://harbourlane.example/Wards/12", None),
            ("Pateint/1", Some("Pateint")),
            ("Patient?identifier=a|b", Some("Patient")),
            ("#p1", None),
            ("urn:uuid:0f2c1e5a-0000-4000-8000-00000000000a", None),
            ("patients/1", None),
            ("a/Patient/1", None),
            ("Patient/", None),
            ("", None),
        ];
        for (reference, expected) in cases {
            assert_eq!(named_type(tables, reference), expected, "{reference}");
        }
    }

    #[test]
    fn every_target_in_the_tables_is_a_resource_type() {
        let tables = BaseTables::builtin();
        for name in tables.resource_types() {
            let definition = tables.type_definition(name).unwrap();
            for form in definition.elements.iter().flat_map(|element| &element.types) {
                if form.code == "Reference" {
                    let known = |target: &&str| tables.is_resource_type(target) || **target == *"Resource";
                    assert!(form.targets.iter().all(known), "{name}: {:?}", form.targets);
                }
            }
        }
    }
}
