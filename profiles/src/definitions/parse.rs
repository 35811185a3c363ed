//! From the text of the tables to [`BaseTables`]. The format is told in `profiles/base/SOURCES.md`.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ahash::{AHashMap, AHashSet};
use serde::Deserialize;

use super::entries::{Entries, Entry};
use super::{BaseTables, Element, Invariant, JsonForm, TypeDefinition, TypeKind, TypeUse, ValueSet};
use crate::issue::Severity;
use crate::load_error::LoadError;

const TYPES_FILE: &str = "profiles/base/types.json";
const INVARIANTS_FILE: &str = "profiles/base/invariants.json";
const VALUE_SETS_FILE: &str = "profiles/base/value-sets.json";

#[derive(Deserialize)]
struct TypeEntry {
    kind: &'static str,
    base: &'static str,
    #[serde(default, rename = "abstract")]
    is_abstract: bool,
    #[serde(default)]
    json: Option<&'static str>,
    #[serde(default)]
    elements: Vec<Vec<&'static str>>,
}

#[derive(Deserialize)]
struct ValueSetEntry {
    name: &'static str,
    #[serde(default)]
    systems: Option<BTreeMap<&'static str, Vec<&'static str>>>,
}

#[derive(Deserialize)]
struct InvariantEntry(
    &'static str,
    &'static str,
    #[serde(borrow)] Cow<'static, str>,
    #[serde(borrow)] Cow<'static, str>,
);

/// The resource types, sorted, without the abstract ones. The head of a type stands on the line of its name.
pub(super) fn resource_types(types: &Entries<Vec<TypeDefinition>>) -> Vec<&'static str> {
    let is_one = |head: &str| head.contains(r#""kind":"resource""#) && !head.contains(r#""abstract":true"#);
    types
        .iter()
        .filter(|entry| entry.text.lines().next().is_some_and(is_one))
        .map(|entry| entry.name)
        .collect()
}

/// A type with its groups, the type itself first.
pub(super) fn type_with_groups(
    tables: &BaseTables,
    entry: &Entry<Vec<TypeDefinition>>,
) -> Result<Vec<TypeDefinition>, LoadError> {
    let read: TypeEntry = read_entry(entry, TYPES_FILE)?;
    own_elements(entry.name, &read)?.into_iter().map(|(path, group)| flatten(tables, path, group)).collect()
}

fn read_entry<T, R: Deserialize<'static>>(entry: &Entry<T>, file: &str) -> Result<R, LoadError> {
    serde_json::from_str(entry.text).map_err(|error| fault(file, format!("{}: {error}", entry.name)))
}

fn fault(file: &str, reason: impl Into<String>) -> LoadError {
    let reason = format!("{}; make the tables again with profiles/base/generate.py", reason.into());
    LoadError { file: file.to_owned(), reason }
}

struct Group {
    kind: TypeKind,
    base: Option<&'static str>,
    is_abstract: bool,
    elements: Vec<Element>,
}

/// Splits the rows of one type into its groups: `coverage.priority` of `Account` belongs to `Account.coverage`. The
/// type itself comes first.
fn own_elements(name: &'static str, entry: &TypeEntry) -> Result<Vec<(String, Group)>, LoadError> {
    let kind = match (entry.kind, entry.json) {
        ("resource", _) => TypeKind::Resource,
        ("complex-type", _) => TypeKind::DataType,
        ("primitive-type", Some("boolean")) => TypeKind::Primitive(JsonForm::Boolean),
        ("primitive-type", Some("number")) => TypeKind::Primitive(JsonForm::Number),
        ("primitive-type", Some("string")) => TypeKind::Primitive(JsonForm::String),
        _ => return Err(fault(TYPES_FILE, format!("{name} is of an unknown kind"))),
    };
    let base = Some(entry.base).filter(|base| !base.is_empty());
    let root = Group { kind, base, is_abstract: entry.is_abstract, elements: Vec::new() };
    let mut groups = vec![(name.to_owned(), root)];
    for row in &entry.elements {
        let (path, cardinality, types, required_binding) = match row.as_slice() {
            [path, cardinality, types] => (*path, *cardinality, *types, None),
            [path, cardinality, types, binding] => (*path, *cardinality, *types, Some(*binding)),
            _ => return Err(fault(TYPES_FILE, format!("{name} has a row of a wrong length"))),
        };
        let bad = |what: &str| fault(TYPES_FILE, format!("{name}.{path} has {what}"));
        let (min, max) = cardinality.split_once("..").ok_or_else(|| bad("no cardinality"))?;
        let min = min.parse().map_err(|_| bad("a minimum that is no number"))?;
        let max = match max {
            "*" => None,
            number => Some(number.parse().map_err(|_| bad("a maximum that is no number"))?),
        };
        let mut types: Vec<TypeUse> = types.split(',').filter_map(|text| type_use(name, text)).collect();
        let full_path = format!("{name}.{path}");
        if let [only] = types.as_mut_slice()
            && (only.code == "BackboneElement" || only.code == "Element")
        {
            let base = if only.code == "Element" { "Element" } else { "BackboneElement" };
            only.code = Cow::Owned(full_path.clone());
            let group =
                Group { kind: TypeKind::Group, base: Some(base), is_abstract: false, elements: Vec::new() };
            groups.push((full_path, group));
        }
        let (parent, last) = match path.rsplit_once('.') {
            Some((parent, last)) => (format!("{name}.{parent}"), last),
            None => (name.to_owned(), path),
        };
        let parent = groups.iter_mut().find(|(known, _)| *known == parent);
        let (_, parent) = parent.ok_or_else(|| bad("no parent above it"))?;
        parent.elements.push(Element { name: last, min, max, types, required_binding });
    }
    Ok(groups)
}

fn type_use(owner: &str, text: &'static str) -> Option<TypeUse> {
    if text.is_empty() {
        return None;
    }
    if let Some(path) = text.strip_prefix('#') {
        let known = path.starts_with(owner);
        return known.then(|| TypeUse { code: Cow::Borrowed(path), plain: false, targets: Vec::new() });
    }
    let (code, targets) = match text.strip_suffix(')').and_then(|text| text.split_once('(')) {
        Some((code, targets)) => (code, targets.split('|').collect()),
        None => (text, Vec::new()),
    };
    let (code, plain) = code.strip_prefix("plain:").map_or((code, code == "xhtml"), |code| (code, true));
    Some(TypeUse { code: Cow::Borrowed(code), plain, targets })
}

/// Puts the elements of the base type in front; an element of the same name takes the inherited one's place.
fn flatten(tables: &BaseTables, path: String, group: Group) -> Result<TypeDefinition, LoadError> {
    // A primitive is one value; the elements of its base type live in its companion property.
    let base = group.base.filter(|_| !matches!(group.kind, TypeKind::Primitive(_)));
    let mut elements = match base {
        Some(name) => {
            let base = tables.type_definition(name);
            let unknown = || fault(TYPES_FILE, format!("{path} is based on an unknown {name}"));
            base.ok_or_else(unknown)?.elements.clone()
        }
        None => Vec::new(),
    };
    for element in group.elements {
        match elements.iter_mut().find(|known| known.name == element.name) {
            Some(known) => *known = element,
            None => elements.push(element),
        }
    }
    let properties = properties(&elements);
    let Group { kind, base, is_abstract, .. } = group;
    Ok(TypeDefinition { name: path, kind, base, is_abstract, elements, properties })
}

fn properties(elements: &[Element]) -> AHashMap<String, (usize, usize)> {
    let mut properties = AHashMap::new();
    for (number, element) in elements.iter().enumerate() {
        for (type_number, type_use) in element.types.iter().enumerate() {
            // An element of several types that is no choice would be ambiguous; R4 has none.
            properties.entry(element.property_name(type_use)).or_insert((number, type_number));
        }
    }
    properties
}

/// The rows of an entry of `invariants.json`.
pub(super) fn invariants(entry: &Entry<Vec<Invariant>>) -> Result<Vec<Invariant>, LoadError> {
    let rows: Vec<InvariantEntry> = read_entry(entry, INVARIANTS_FILE)?;
    rows.into_iter()
        .map(|InvariantEntry(key, severity, human, expression)| {
            let severity = match severity {
                "error" => Severity::Error,
                "warning" => Severity::Warning,
                _ => return Err(fault(INVARIANTS_FILE, format!("{key} has an unknown severity"))),
            };
            Ok(Invariant { key, severity, human, expression })
        })
        .collect()
}

/// An entry of `value-sets.json`.
pub(super) fn value_set(entry: &Entry<ValueSet>) -> Result<ValueSet, LoadError> {
    let read: ValueSetEntry = read_entry(entry, VALUE_SETS_FILE)?;
    let codes = read.systems.map(|systems| systems.into_iter().collect());
    Ok(ValueSet { url: entry.name, name: read.name, codes })
}

/// The codes of value sets, by system.
pub(super) fn listed<'v>(
    value_sets: impl Iterator<Item = &'v ValueSet>,
) -> AHashMap<&'static str, AHashSet<&'static str>> {
    let mut listed: AHashMap<&'static str, AHashSet<&'static str>> = AHashMap::new();
    for (system, codes) in value_sets.flat_map(|value_set| value_set.codes.iter().flatten()) {
        listed.entry(system).or_default().extend(codes);
    }
    listed
}

/// Reads all entries, and holds the types together.
///
/// # Errors
/// The first that does not fit.
#[cfg(test)]
pub(super) fn read_all(tables: &BaseTables) -> Result<(), LoadError> {
    fn sound<T>(entry: &Entry<T>, read: bool) -> Result<(), LoadError> {
        entry.fault().filter(|_| !read).map_or(Ok(()), |fault| Err(fault.clone()))
    }
    for entry in tables.types.iter() {
        sound(entry, tables.type_definition(entry.name).is_some())?;
    }
    for entry in tables.invariants.iter() {
        sound(entry, !tables.invariants(entry.name).is_empty())?;
    }
    for entry in tables.value_sets.iter() {
        sound(entry, tables.value_set(entry.name).is_some())?;
    }
    for definition in tables.types.iter().filter_map(|entry| tables.type_with_groups(entry.name)).flatten() {
        for element in &definition.elements {
            let place = || format!("{}.{}", definition.name, element.name);
            if element.types.is_empty() {
                return Err(fault(TYPES_FILE, format!("{} has no type", place())));
            }
            for type_use in &element.types {
                if tables.type_definition(&type_use.code).is_none() {
                    let reason = format!("{} is of the unknown type {}", place(), type_use.code);
                    return Err(fault(TYPES_FILE, reason));
                }
            }
            if let Some(url) = element.required_binding.filter(|url| tables.value_set(url).is_none()) {
                let reason = format!("{} is bound to {url}, which {VALUE_SETS_FILE} lacks", place());
                return Err(fault(TYPES_FILE, reason));
            }
        }
    }
    Ok(())
}
