//! What R4 (4.0.1) says about its own types: the tables of `profiles/base`, typed.
//!
//! The tables are HL7's (CC0-1.0), made by `profiles/base/generate.py`; `profiles/base/SOURCES.md` tells where from
//! and in which form. An entry is read when it is first asked for, and kept for the life of the process.

mod entries;
mod parse;
#[cfg(test)]
mod tests;

use std::borrow::Cow;
use std::sync::OnceLock;

use ahash::{AHashMap, AHashSet};

use crate::issue::Severity;
use entries::Entries;

/// The rules of this family: none. A test reads all of the tables, so that they can be read is no matter of documents.
pub static RULES: &[&crate::issue::Rule] = &[];

const TYPES: &str = include_str!("../../base/types.json");
const INVARIANTS: &str = include_str!("../../base/invariants.json");
const VALUE_SETS: &str = include_str!("../../base/value-sets.json");

/// How a primitive is written in JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum JsonForm {
    /// `true` or `false`.
    Boolean,
    /// A number.
    Number,
    /// A string.
    String,
}

/// What kind of thing a type is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TypeKind {
    /// One value, such as `date`.
    Primitive(JsonForm),
    /// A data type with elements of its own, such as `Quantity`.
    DataType,
    /// A group of elements inside one type, such as `Observation.component`.
    Group,
    /// A resource, such as `Observation`.
    Resource,
}

/// One of the types that an element allows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TypeUse {
    /// Name of the type, or path of the group: `Quantity`, `Observation.component`.
    pub code: Cow<'static, str>,
    /// Whether it is a bare JSON value: an element `id`, `Extension.url`. Such a one has no companion `_name`.
    pub plain: bool,
    /// For `Reference` and `canonical` the resource types pointed at; for `Quantity` its profile, `SimpleQuantity`.
    /// Empty when R4 does not narrow.
    pub targets: Vec<&'static str>,
}

/// An element of a type.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Element {
    /// Its name, such as `status`, or `value[x]` for a choice.
    pub name: &'static str,
    /// Smallest number of times that it stands.
    pub min: u32,
    /// Largest number of times; none for `*`.
    pub max: Option<u32>,
    /// The types allowed, in the order of R4.
    pub types: Vec<TypeUse>,
    /// Canonical URL of the value set it is bound to with strength `required`.
    pub required_binding: Option<&'static str>,
}

impl Element {
    /// The name in front of `[x]`, where the element is a choice of types.
    #[must_use]
    pub fn choice_stem(&self) -> Option<&'static str> {
        self.name.strip_suffix("[x]")
    }

    /// Whether its JSON is an array.
    #[must_use]
    pub fn repeats(&self) -> bool {
        self.max != Some(1) && self.max != Some(0)
    }

    /// The name of the JSON property for one of its types: `valueQuantity`, or just the name.
    #[must_use]
    pub fn property_name(&self, type_use: &TypeUse) -> String {
        let Some(stem) = self.choice_stem() else { return self.name.to_owned() };
        let mut letters = type_use.code.chars();
        let first = letters.next().map(|letter| letter.to_ascii_uppercase());
        stem.chars().chain(first).chain(letters).collect()
    }

    /// The cardinality as R4 writes it: `0..1`, `1..*`.
    #[must_use]
    pub fn cardinality(&self) -> String {
        match self.max {
            Some(max) => format!("{}..{max}", self.min),
            None => format!("{}..*", self.min),
        }
    }
}

/// A type with all its elements, the inherited ones first.
#[derive(Debug, Clone)]
pub struct TypeDefinition {
    /// Name of the type, or path of the group.
    pub name: String,
    /// What kind of thing it is.
    pub kind: TypeKind,
    /// The type it is based on; none for `Element` and `Resource`.
    pub base: Option<&'static str>,
    /// Whether nothing is ever just of this type: `Resource`, `DomainResource`, `Element`.
    pub is_abstract: bool,
    /// Its elements.
    pub elements: Vec<Element>,
    /// JSON property name to the numbers of the element and, within it, of the type.
    properties: AHashMap<String, (usize, usize)>,
}

impl TypeDefinition {
    /// The element and the type of a JSON property, choices resolved: `valueQuantity` is `value[x]` as `Quantity`.
    #[must_use]
    pub fn property(&self, name: &str) -> Option<Property<'_>> {
        let &(element, type_use) = self.properties.get(name)?;
        let element = self.elements.get(element)?;
        Some(Property { element, type_use: element.types.get(type_use)? })
    }

    /// An element by its name: `status`, `value[x]`, or `value` for the choice.
    #[must_use]
    pub fn element(&self, name: &str) -> Option<&Element> {
        self.elements.iter().find(|element| element.name == name || element.choice_stem() == Some(name))
    }

    /// All JSON property names, companions aside, in no order.
    pub fn property_names(&self) -> impl Iterator<Item = &str> {
        self.properties.keys().map(String::as_str)
    }
}

/// What a JSON property is.
#[derive(Debug, Clone, Copy)]
pub struct Property<'t> {
    /// The element it belongs to.
    pub element: &'t Element,
    /// The one of its types that the property name chooses.
    pub type_use: &'t TypeUse,
}

/// A rule that R4 states in FHIRPath.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invariant {
    /// Its published key, such as `obs-6`.
    pub key: &'static str,
    /// How bad a breach is: error or warning.
    pub severity: Severity,
    /// The rule in HL7's words.
    pub human: Cow<'static, str>,
    /// The rule in FHIRPath; empty where R4 gives none.
    pub expression: Cow<'static, str>,
}

/// A value set that some element is bound to with strength `required`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ValueSet {
    /// Its canonical URL, without version.
    pub url: &'static str,
    /// Its name for people.
    pub name: &'static str,
    /// Its codes by code system; none where the package does not list them (media types, currencies, UCUM, LOINC).
    pub codes: Option<Vec<(&'static str, Vec<&'static str>)>>,
}

impl ValueSet {
    /// Every code, whatever its system. Empty where the codes cannot be listed.
    pub fn all_codes(&self) -> impl Iterator<Item = &'static str> {
        self.codes.iter().flatten().flat_map(|(_, codes)| codes.iter().copied())
    }

    /// Whether a code of a system belongs to it; none where the codes cannot be listed.
    #[must_use]
    pub fn contains(&self, system: &str, code: &str) -> Option<bool> {
        let systems = self.codes.as_ref()?;
        Some(systems.iter().any(|(known, codes)| *known == system && codes.contains(&code)))
    }
}

/// The tables of R4.
#[derive(Debug)]
pub struct BaseTables {
    /// A type with its groups, the type itself first.
    types: Entries<Vec<TypeDefinition>>,
    resource_types: Vec<&'static str>,
    invariants: Entries<Vec<Invariant>>,
    value_sets: Entries<ValueSet>,
    /// Every code of the value sets, by system; made when first asked for.
    listed: OnceLock<AHashMap<&'static str, AHashSet<&'static str>>>,
}

impl BaseTables {
    /// The tables that ship with this crate.
    #[must_use]
    pub fn builtin() -> &'static BaseTables {
        static TABLES: OnceLock<BaseTables> = OnceLock::new();
        TABLES.get_or_init(|| BaseTables::of(TYPES, INVARIANTS, VALUE_SETS))
    }

    fn of(types: &'static str, invariants: &'static str, value_sets: &'static str) -> BaseTables {
        let types = Entries::find(types);
        BaseTables {
            resource_types: parse::resource_types(&types),
            types,
            invariants: Entries::find(invariants),
            value_sets: Entries::find(value_sets),
            listed: OnceLock::new(),
        }
    }

    fn type_with_groups(&self, name: &str) -> Option<&Vec<TypeDefinition>> {
        self.types.get(name, |entry| parse::type_with_groups(self, entry))
    }

    /// A type by its name, or a group of elements by its path.
    #[must_use]
    pub fn type_definition(&self, name: &str) -> Option<&TypeDefinition> {
        match name.split_once('.') {
            None => self.type_with_groups(name)?.first(),
            Some((owner, _)) => self.type_with_groups(owner)?.iter().find(|group| group.name == name),
        }
    }

    /// Whether a resource can be of this type; not so for the abstract `Resource` and `DomainResource`.
    #[must_use]
    pub fn is_resource_type(&self, name: &str) -> bool {
        self.resource_types.binary_search(&name).is_ok()
    }

    /// The resource types, sorted, without the abstract ones.
    #[must_use]
    pub fn resource_types(&self) -> &[&'static str] {
        &self.resource_types
    }

    /// How a primitive type is written in JSON; none for any other type.
    #[must_use]
    pub fn primitive_form(&self, name: &str) -> Option<JsonForm> {
        match self.type_definition(name)?.kind {
            TypeKind::Primitive(form) => Some(form),
            TypeKind::DataType | TypeKind::Group | TypeKind::Resource => None,
        }
    }

    /// Whether a type is `ancestor` or is based on it, at any distance.
    #[must_use]
    pub fn is_a(&self, name: &str, ancestor: &str) -> bool {
        self.lineage(name).any(|definition| definition.name == ancestor)
    }

    /// A type, then the one it is based on, and so on: `Observation`, `DomainResource`, `Resource`.
    pub fn lineage<'s>(&'s self, name: &str) -> impl Iterator<Item = &'s TypeDefinition> {
        std::iter::successors(self.type_definition(name), |definition| self.type_definition(definition.base?))
    }

    /// An element of a type or group by its name: `status`, `value[x]`, or `value` for the choice.
    #[must_use]
    pub fn element(&self, parent_type: &str, name: &str) -> Option<&Element> {
        self.type_definition(parent_type)?.element(name)
    }

    /// The element and type of a JSON property, choices resolved.
    #[must_use]
    pub fn property(&self, parent_type: &str, property: &str) -> Option<Property<'_>> {
        self.type_definition(parent_type)?.property(property)
    }

    /// The type of a JSON property of a type or group: `("Observation", "valueQuantity")` gives `Quantity`,
    /// `("Observation", "component")` gives `Observation.component`, `("Patient", "birthDate")` gives `date`.
    #[must_use]
    pub fn element_type(&self, parent_type: &str, property: &str) -> Option<&str> {
        Some(&self.property(parent_type, property)?.type_use.code)
    }

    /// The invariants that R4 declares on a type, group or element path itself: `Observation`,
    /// `Observation.referenceRange`, `Narrative.div`. Those of the types it is based on are asked for by
    /// [`BaseTables::lineage`].
    #[must_use]
    pub fn invariants(&self, type_or_path: &str) -> &[Invariant] {
        self.invariants.get(type_or_path, parse::invariants).map_or(&[], Vec::as_slice)
    }

    /// All paths that declare invariants, sorted.
    pub fn invariant_paths(&self) -> impl Iterator<Item = &'static str> {
        self.invariants.iter().map(|entry| entry.name)
    }

    /// The value sets of required bindings, sorted by URL.
    pub fn value_sets(&self) -> impl Iterator<Item = &ValueSet> {
        self.value_sets.iter().filter_map(|entry| self.value_set(entry.name))
    }

    /// Whether a value set of a required binding lists a code of a system.
    pub(crate) fn lists(&self, system: &str, code: &str) -> bool {
        self.listed
            .get_or_init(|| parse::listed(self.value_sets()))
            .get(system)
            .is_some_and(|codes| codes.contains(code))
    }

    /// A value set of a required binding by its canonical URL, without version.
    #[must_use]
    pub fn value_set(&self, url: &str) -> Option<&ValueSet> {
        self.value_sets.get(url, parse::value_set)
    }
}
