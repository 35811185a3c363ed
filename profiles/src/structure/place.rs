//! What the tables say about the place that a pointer names.

use super::schema::schema_type;
use crate::definitions::{BaseTables, Element, Property, TypeDefinition, TypeUse};

/// A place in a document, as the tables know it.
#[derive(Debug, Clone)]
pub(super) struct Place<'t> {
    /// The type whose property this is; of the root, its own type.
    pub(super) owner: &'t TypeDefinition,
    /// The element; none at the root.
    pub(super) element: Option<&'t Element>,
    /// The type chosen by the property name; none at the root.
    pub(super) type_use: Option<&'t TypeUse>,
    /// The type of what stands here, where it has elements: that of the root, of a data type, of a companion.
    pub(super) definition: Option<&'t TypeDefinition>,
    /// Whether it is the companion `_name` of a primitive.
    pub(super) companion: bool,
    /// Whether it is an item of an array.
    pub(super) item: bool,
}

impl<'t> Place<'t> {
    /// The root of a value of a known type. None when the tables do not know it.
    pub(super) fn root(tables: &'t BaseTables, name: &str) -> Option<Place<'t>> {
        let root = tables.type_definition(name)?;
        Some(Place {
            owner: root,
            element: None,
            type_use: None,
            definition: Some(root),
            companion: false,
            item: false,
        })
    }

    /// Follows a JSON pointer from here. None when it leaves what the tables know.
    pub(super) fn below(&self, tables: &'t BaseTables, pointer: &str) -> Option<Place<'t>> {
        let mut place = self.clone();
        // Names of elements are letters, so nothing has to be unescaped, and digits are an index.
        for token in pointer.split('/').skip(1) {
            place = if token.starts_with(|first: char| first.is_ascii_digit()) {
                Place { item: true, ..place }
            } else {
                place.property(tables, token)?
            };
        }
        Some(place)
    }

    fn property(&self, tables: &'t BaseTables, name: &str) -> Option<Place<'t>> {
        let owner = self.definition?;
        let (found, companion) = match owner.property(name) {
            Some(found) => (found, false),
            None => (owner.property(name.strip_prefix('_')?)?, true),
        };
        let Property { element, type_use } = found;
        let type_name = if companion { "Element" } else { schema_type(type_use) };
        Some(Place {
            owner,
            element: Some(element),
            type_use: Some(type_use),
            definition: tables.type_definition(type_name),
            companion,
            item: false,
        })
    }

    /// Its name for people: `Observation.component.value[x]`, `Quantity.value`; the companion as `Patient._birthDate`.
    pub(super) fn label(&self) -> String {
        match self.element {
            Some(element) if self.companion => format!("{}._{}", self.owner.name, element.name),
            Some(element) => format!("{}.{}", self.owner.name, element.name),
            None => self.owner.name.clone(),
        }
    }

    /// The name of the type that stands here, for people.
    pub(super) fn type_name(&self) -> &str {
        match self.type_use {
            Some(type_use) if !self.companion => schema_type(type_use),
            _ => self.definition.map_or(&self.owner.name, |definition| &definition.name),
        }
    }
}
