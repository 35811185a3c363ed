//! Snapshots: a profile with every element of its type, worked out from the tables of R4 and its differential.

use serde_json::{Map, Value, json};

use crate::definitions::{BaseTables, Element, TypeDefinition, TypeUse};

const STRUCTURE: &str = "http://hl7.org/fhir/StructureDefinition/";
/// HL7 FHIR R4, extension that names the type of what is no FHIR type in JSON.
const PLAIN_TYPE: &str = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type";
/// The modifier elements of the types that are constrained here, by the path that declares them; the tables do not say
/// which those are (memory; HL7 FHIR R4, the definitions of these types).
const MODIFIERS: &[&str] = &[
    "Resource.implicitRules",
    "DomainResource.modifierExtension",
    "BackboneElement.modifierExtension",
    "Observation.status",
    "RiskAssessment.status",
    "ServiceRequest.status",
    "ServiceRequest.intent",
    "ServiceRequest.doNotPerform",
];

/// Lists of an element that a profile adds to. Everything else it says takes the place of what is inherited (HL7 FHIR R4,
/// ElementDefinition, "Use in constraint").
const ADDED: [&str; 4] = ["constraint", "condition", "alias", "mapping"];

/// The elements of a snapshot.
pub(super) type Elements = Vec<Map<String, Value>>;

/// The snapshot of a base type itself.
pub(super) fn of_type(tables: &BaseTables, name: &str) -> Elements {
    let mut out = Vec::new();
    let Some(definition) = tables.type_definition(name) else { return out };
    let mut root = described(name, name, 0, "*", name, 0, "*");
    constrain(tables, &mut root, &[name]);
    out.push(root);
    children(tables, definition, name, name, &mut out);
    out
}

/// The elements within an element at `id`, whose type is `definition`.
fn children(tables: &BaseTables, definition: &TypeDefinition, id: &str, path: &str, out: &mut Elements) {
    for element in &definition.elements {
        let declared = declared(tables, definition, element.name);
        let (own_id, own_path) = (format!("{id}.{}", element.name), format!("{path}.{}", element.name));
        let max = element.max.map_or_else(|| "*".to_owned(), |max| max.to_string());
        let mut made = described(&own_id, &own_path, element.min, &max, &declared, element.min, &max);
        let group = element.types.first().map(|one| one.code.as_ref()).filter(|code| code.contains('.'));
        match group {
            Some(group) if *group != declared => {
                made.insert("contentReference".to_owned(), json!(format!("#{group}")));
            }
            _ => types(element, &mut made),
        }
        if let Some(set) = element.required_binding {
            let binding = json!({ "strength": "required", "valueSet": format!("{set}|4.0.1") });
            made.insert("binding".to_owned(), binding);
        }
        let first_type = element.types.first().map_or("", |one| one.code.as_ref());
        constrain(tables, &mut made, &[&declared, first_type]);
        if MODIFIERS.contains(&declared.as_str()) {
            made.insert("isModifier".to_owned(), json!(true));
            let reason = "It can change the meaning of what stands beside it, as R4 says.";
            made.insert("isModifierReason".to_owned(), json!(reason));
        }
        out.push(made);
        if group.is_some_and(|group| group == declared)
            && let Some(group) = tables.type_definition(&declared)
        {
            children(tables, group, &own_id, &own_path, out);
        }
    }
}

/// The path under which a type or what it is based on declares an element.
fn declared(tables: &BaseTables, definition: &TypeDefinition, name: &str) -> String {
    let mut owner = definition.name.as_str();
    while let Some(base) = tables.type_definition(owner).and_then(|one| one.base) {
        let inherits = tables.type_definition(base).is_some_and(|base| base.element(name).is_some());
        if !inherits {
            break;
        }
        owner = base;
    }
    format!("{owner}.{name}")
}

fn described(
    id: &str,
    path: &str,
    min: u32,
    max: &str,
    base: &str,
    base_min: u32,
    base_max: &str,
) -> Map<String, Value> {
    let value = json!({
        "id": id,
        "path": path,
        "short": base,
        "definition": format!("`{base}` as HL7 FHIR R4 (4.0.1) defines it."),
        "min": min,
        "max": max,
        "base": { "path": base, "min": base_min, "max": base_max }
    });
    match value {
        Value::Object(object) => object,
        _ => Map::new(),
    }
}

fn types(element: &Element, made: &mut Map<String, Value>) {
    let listed: Vec<Value> = element.types.iter().map(one_type).collect();
    made.insert("type".to_owned(), Value::Array(listed));
}

fn one_type(one: &TypeUse) -> Value {
    if one.plain {
        let code = if one.code == "boolean" { "Boolean" } else { "String" };
        return json!({
            "extension": [{ "url": PLAIN_TYPE, "valueUrl": one.code }],
            "code": format!("http://hl7.org/fhirpath/System.{code}")
        });
    }
    // A group is an element of its own to R4.
    let code = if one.code.contains('.') { "BackboneElement" } else { one.code.as_ref() };
    let mut out = Map::new();
    out.insert("code".to_owned(), json!(code));
    if !one.targets.is_empty() {
        let name = if matches!(code, "Reference" | "canonical") { "targetProfile" } else { "profile" };
        out.insert(
            name.to_owned(),
            one.targets.iter().map(|target| json!(format!("{STRUCTURE}{target}"))).collect(),
        );
    }
    Value::Object(out)
}

/// Adds the invariants of the places and of everything they are based on.
fn constrain(tables: &BaseTables, made: &mut Map<String, Value>, places: &[&str]) {
    let mut listed: Vec<Value> = Vec::new();
    for place in places {
        let lineage = tables.lineage(place).map(|one| one.name.as_str());
        let lineage: Vec<&str> = lineage.filter(|name| name != place).chain([*place]).collect();
        for name in lineage {
            for invariant in tables.invariants(name) {
                if listed.iter().any(|one| one.get("key").and_then(Value::as_str) == Some(invariant.key)) {
                    continue;
                }
                let mut one = json!({
                    "key": invariant.key,
                    "severity": invariant.severity.code(),
                    "human": invariant.human,
                    "expression": invariant.expression
                });
                if !name.contains('.')
                    && let Some(one) = one.as_object_mut()
                {
                    one.insert("source".to_owned(), json!(format!("{STRUCTURE}{name}")));
                }
                listed.push(one);
            }
        }
    }
    if !listed.is_empty() {
        made.insert("constraint".to_owned(), Value::Array(listed));
    }
}

/// Applies the elements of a differential in their order.
///
/// # Errors
/// The id of an element that is at no place of the type.
pub(super) fn apply(
    tables: &BaseTables,
    elements: &mut Elements,
    differential: &[Value],
) -> Result<(), String> {
    for change in differential {
        let id = change.get("id").and_then(Value::as_str).unwrap_or_default();
        let at = place(tables, elements, id).ok_or_else(|| id.to_owned())?;
        if let (Some(target), Some(change)) = (elements.get_mut(at), change.as_object()) {
            for (name, value) in change {
                match (target.get_mut(name), value) {
                    // What is asked for is asked for beside what R4 asks for.
                    (Some(Value::Array(inherited)), Value::Array(own)) if ADDED.contains(&name.as_str()) => {
                        inherited.extend(own.iter().cloned());
                    }
                    _ => drop(target.insert(name.clone(), value.clone())),
                }
            }
        }
    }
    Ok(())
}

fn find(elements: &Elements, id: &str) -> Option<usize> {
    elements.iter().position(|element| element.get("id").and_then(Value::as_str) == Some(id))
}

fn id_of(element: &Map<String, Value>) -> &str {
    element.get("id").and_then(Value::as_str).unwrap_or_default()
}

/// Where an element is, which is made where it is not there yet: a slice, or an element within a slice or a data type.
fn place(tables: &BaseTables, elements: &mut Elements, id: &str) -> Option<usize> {
    if let Some(found) = find(elements, id) {
        return Some(found);
    }
    let (parent, last) = id.rsplit_once('.')?;
    if let Some((sliced, slice)) = last.split_once(':') {
        let sliced = format!("{parent}.{sliced}");
        let base = place(tables, elements, &sliced)?;
        let mut made = elements.get(base)?.clone();
        made.remove("slicing");
        made.insert("id".to_owned(), json!(id));
        made.insert("sliceName".to_owned(), json!(slice));
        made.insert("min".to_owned(), json!(0));
        let end =
            base + 1 + elements.iter().skip(base + 1).take_while(|one| below(id_of(one), &sliced)).count();
        elements.insert(end, made);
        return Some(end);
    }
    let at = place(tables, elements, parent)?;
    unfold(tables, elements, at, parent)?;
    find(elements, id)
}

/// Whether an id is within an element or one of its slices.
fn below(id: &str, element: &str) -> bool {
    id.strip_prefix(element).is_some_and(|rest| rest.starts_with(['.', ':']))
}

/// Puts the elements within an element behind it.
fn unfold(tables: &BaseTables, elements: &mut Elements, at: usize, id: &str) -> Option<()> {
    let element = elements.get(at)?;
    let path = element.get("path")?.as_str()?.to_owned();
    let mut made = Vec::new();
    // Only a slice itself has what its element has; what stands within a slice has what its type has.
    let slice = id.rsplit('.').next().and_then(|last| last.split_once(':')).map(|(_, name)| name);
    let sliced =
        slice.and_then(|name| id.strip_suffix(name)?.strip_suffix(':')).map(|sliced| format!("{sliced}."));
    let inner = sliced.map(|sliced| {
        let copies = elements.iter().filter(move |one| id_of(one).starts_with(&sliced));
        copies.cloned().collect::<Vec<_>>()
    });
    match inner.filter(|inner| !inner.is_empty()) {
        Some(inner) => {
            let (sliced, _) = id.rsplit_once(':')?;
            for mut copy in inner {
                let own = format!("{id}{}", id_of(&copy).strip_prefix(sliced)?);
                copy.insert("id".to_owned(), json!(own));
                made.push(copy);
            }
        }
        None => {
            let code = element.get("type")?.get(0)?.get("code")?.as_str()?;
            children(tables, tables.type_definition(code)?, id, &path, &mut made);
        }
    }
    elements.splice(at + 1..at + 1, made);
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn applied(differential: &Value) -> Elements {
        let tables = BaseTables::builtin();
        let mut elements = of_type(tables, "Observation");
        apply(tables, &mut elements, differential.as_array().unwrap()).unwrap();
        elements
    }

    fn within<'e>(elements: &'e Elements, id: &str) -> Vec<&'e str> {
        let start = format!("{id}.");
        let inner = elements.iter().map(id_of).filter_map(|one| one.strip_prefix(start.as_str()));
        inner.filter(|rest| !rest.contains('.')).collect()
    }

    #[test]
    fn what_stands_within_a_slice_unfolds_by_its_own_type() {
        let elements = applied(&json!([
            { "id": "Observation.component", "path": "Observation.component" },
            { "id": "Observation.component:area", "path": "Observation.component", "sliceName": "area" },
            { "id": "Observation.component:area.code.coding", "path": "Observation.component.code.coding", "min": 1 },
            { "id": "Observation.component:area.code.coding.system", "path": "Observation.component.code.coding.system",
              "min": 1 }
        ]));
        assert_eq!(
            within(&elements, "Observation.component:area.code"),
            ["id", "extension", "coding", "text"]
        );
        let coding = within(&elements, "Observation.component:area.code.coding");
        assert_eq!(coding, ["id", "extension", "system", "version", "code", "display", "userSelected"]);
        assert_eq!(
            within(&elements, "Observation.component:area"),
            within(&elements, "Observation.component"),
        );
    }

    #[test]
    fn a_rule_of_a_profile_stands_beside_those_of_r4() {
        let rule = json!({ "key": "own-1", "severity": "error", "human": "It has a code.", "expression": "code.exists()" });
        let elements =
            applied(&json!([{ "id": "Observation", "path": "Observation", "constraint": [rule], "min": 1 }]));
        let constraints = elements[0]["constraint"].as_array().unwrap();
        let keys: Vec<&str> = constraints.iter().map(|one| one["key"].as_str().unwrap()).collect();
        assert!(
            keys.contains(&"obs-6") && keys.contains(&"dom-2") && keys.last() == Some(&"own-1"),
            "{keys:?}"
        );
        assert_eq!(elements[0]["min"], 1);
    }
}
