//! From the text of the tables to [`BaseTables`]. The format is told in `profiles/base/SOURCES.md`.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ahash::{AHashMap, AHashSet};
use serde::Deserialize;

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

type TypeEntries = BTreeMap<&'static str, TypeEntry>;

pub(super) fn tables(
    types: &'static str,
    invariants: &'static str,
    value_sets: &'static str,
) -> Result<BaseTables, LoadError> {
    let value_sets = parse_value_sets(value_sets)?;
    let entries: TypeEntries =
        serde_json::from_str(types).map_err(|error| fault(TYPES_FILE, error.to_string()))?;
    let mut own = AHashMap::new();
    for (name, entry) in &entries {
        own_elements(name, entry, &mut own)?;
    }
    let mut types = AHashMap::with_capacity(own.len());
    for (path, group) in &own {
        let elements = flatten(&entries, &own, path, group)?;
        let properties = properties(&elements);
        let definition = TypeDefinition {
            name: path.clone(),
            kind: group.kind,
            base: group.base,
            is_abstract: group.is_abstract,
            elements,
            properties,
        };
        types.insert(path.clone(), definition);
    }
    let tables = BaseTables {
        resource_types: entries
            .iter()
            .filter(|(_, entry)| entry.kind == "resource" && !entry.is_abstract)
            .map(|(name, _)| *name)
            .collect(),
        types,
        invariants: parse_invariants(invariants)?,
        listed: listed(&value_sets),
        value_sets,
    };
    every_name_resolves(&tables)?;
    Ok(tables)
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

/// Splits the rows of one type into its groups: `coverage.priority` of `Account` belongs to `Account.coverage`.
fn own_elements(
    name: &'static str,
    entry: &TypeEntry,
    groups: &mut AHashMap<String, Group>,
) -> Result<(), LoadError> {
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
    groups.insert(name.to_owned(), root);
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
            groups.insert(full_path, group);
        }
        let (parent, last) = match path.rsplit_once('.') {
            Some((parent, last)) => (format!("{name}.{parent}"), last),
            None => (name.to_owned(), path),
        };
        let parent = groups.get_mut(&parent).ok_or_else(|| bad("no parent above it"))?;
        parent.elements.push(Element { name: last, min, max, types, required_binding });
    }
    Ok(())
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

/// Puts the elements of the base types in front; an element of the same name takes the inherited one's place.
fn flatten(
    entries: &TypeEntries,
    own: &AHashMap<String, Group>,
    path: &str,
    group: &Group,
) -> Result<Vec<Element>, LoadError> {
    let mut chain = vec![group];
    let mut base = group.base;
    while let Some(name) = base {
        // A primitive is one value; the elements of its base type live in its companion property.
        if matches!(group.kind, TypeKind::Primitive(_)) {
            break;
        }
        let above = own.get(name).filter(|_| entries.contains_key(name) && chain.len() < 8);
        let above =
            above.ok_or_else(|| fault(TYPES_FILE, format!("{path} is based on an unknown {name}")))?;
        chain.push(above);
        base = above.base;
    }
    let mut elements: Vec<Element> = Vec::new();
    for element in chain.iter().rev().flat_map(|group| &group.elements) {
        match elements.iter_mut().find(|known| known.name == element.name) {
            Some(known) => known.clone_from(element),
            None => elements.push(element.clone()),
        }
    }
    Ok(elements)
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

fn parse_invariants(text: &'static str) -> Result<AHashMap<&'static str, Vec<Invariant>>, LoadError> {
    let entries: BTreeMap<&'static str, Vec<InvariantEntry>> =
        serde_json::from_str(text).map_err(|error| fault(INVARIANTS_FILE, error.to_string()))?;
    let mut invariants = AHashMap::with_capacity(entries.len());
    for (path, rows) in entries {
        let mut declared = Vec::with_capacity(rows.len());
        for InvariantEntry(key, severity, human, expression) in rows {
            let severity = match severity {
                "error" => Severity::Error,
                "warning" => Severity::Warning,
                _ => return Err(fault(INVARIANTS_FILE, format!("{key} has an unknown severity"))),
            };
            declared.push(Invariant { key, severity, human, expression });
        }
        invariants.insert(path, declared);
    }
    Ok(invariants)
}

fn parse_value_sets(text: &'static str) -> Result<AHashMap<&'static str, ValueSet>, LoadError> {
    let entries: BTreeMap<&'static str, ValueSetEntry> =
        serde_json::from_str(text).map_err(|error| fault(VALUE_SETS_FILE, error.to_string()))?;
    let value_set = |(url, entry): (&'static str, ValueSetEntry)| {
        let codes = entry.systems.map(|systems| systems.into_iter().collect());
        (url, ValueSet { url, name: entry.name, codes })
    };
    Ok(entries.into_iter().map(value_set).collect())
}

/// The codes of all value sets, by system.
fn listed(value_sets: &AHashMap<&'static str, ValueSet>) -> AHashMap<&'static str, AHashSet<&'static str>> {
    let mut listed: AHashMap<&'static str, AHashSet<&'static str>> = AHashMap::new();
    for (system, codes) in value_sets.values().flat_map(|value_set| value_set.codes.iter().flatten()) {
        listed.entry(system).or_default().extend(codes);
    }
    listed
}

fn every_name_resolves(tables: &BaseTables) -> Result<(), LoadError> {
    for definition in tables.types.values() {
        for element in &definition.elements {
            let place = || format!("{}.{}", definition.name, element.name);
            if element.types.is_empty() {
                return Err(fault(TYPES_FILE, format!("{} has no type", place())));
            }
            for type_use in &element.types {
                if !tables.types.contains_key(type_use.code.as_ref()) {
                    let reason = format!("{} is of the unknown type {}", place(), type_use.code);
                    return Err(fault(TYPES_FILE, reason));
                }
            }
            if let Some(url) = element.required_binding.filter(|url| !tables.value_sets.contains_key(url)) {
                let reason = format!("{} is bound to {url}, which {VALUE_SETS_FILE} lacks", place());
                return Err(fault(TYPES_FILE, reason));
            }
        }
    }
    Ok(())
}
