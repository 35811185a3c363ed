//! What a collection holds: nodes of the document and values computed from them.

use rust_decimal::Decimal;
use serde_json::{Map, Value};

use super::focus::ElementTypes;
use super::moment::Moment;
use super::syntax::Property;
use super::types::{choice_type, parent_type};
use crate::json::{get, member, text};

/// One member of a collection.
#[derive(Debug, Clone)]
pub(super) enum Item<'d> {
    Node(Node<'d>),
    Boolean(bool),
    Number(Decimal),
    Text(String),
    Moment(Moment),
    /// A number with a UCUM unit.
    Quantity(Decimal, String),
}

/// An element of the document: its value and, for a primitive, the companion object with its id and extensions.
#[derive(Debug, Clone, Copy)]
pub(super) struct Node<'d> {
    pub(super) value: Option<&'d Value>,
    pub(super) companion: Option<&'d Value>,
    ty: Option<&'d str>,
}

/// A child with the place where it stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Child<'d> {
    pub(super) property: &'d str,
    pub(super) index: Option<usize>,
    pub(super) node: Node<'d>,
}

impl<'d> Node<'d> {
    /// A resource, whose type it says itself.
    pub(super) fn resource(value: &'d Value) -> Node<'d> {
        Node { value: Some(value), companion: None, ty: text(value, "resourceType") }
    }

    fn new(value: Option<&'d Value>, companion: Option<&'d Value>, ty: Option<&'d str>) -> Option<Node<'d>> {
        let value = value.filter(|value| !value.is_null());
        let companion = companion.filter(|companion| companion.is_object());
        if value.is_none() && companion.is_none() {
            return None;
        }
        if let (None | Some("Resource"), Some(value)) = (ty, value)
            && get(value, "resourceType").is_some()
        {
            return Some(Node::resource(value));
        }
        Some(Node { value, companion, ty })
    }

    /// The type, where known.
    pub(super) fn ty(&self) -> Option<&'d str> {
        self.ty
    }

    /// Whether it is a resource.
    pub(super) fn is_resource(&self) -> bool {
        self.ty.is_some() && self.value.and_then(|value| text(value, "resourceType")) == self.ty
    }

    /// The properties; none for a primitive.
    pub(super) fn object(&self) -> Option<&'d Map<String, Value>> {
        self.value.and_then(Value::as_object)
    }

    /// The primitive value; none for an object and for a primitive that has only extensions.
    pub(super) fn primitive(&self) -> Option<&'d Value> {
        self.value.filter(|value| !value.is_object() && !value.is_array())
    }

    /// The properties that can be reached by name: those of the object, or the id and extensions of a primitive.
    fn properties(&self) -> Option<&'d Map<String, Value>> {
        self.object().or_else(|| self.companion.and_then(Value::as_object))
    }

    fn child_type(&self, property: &str, types: &ElementTypes<'d>) -> Option<&'d str> {
        match property {
            "extension" | "modifierExtension" => Some("Extension"),
            _ => {
                let ty = self.ty?;
                types(ty, property).or_else(|| types(parent_type(ty)?, property))
            }
        }
    }

    /// Appends the children with a name. `value` also finds `valueQuantity` and its like. Gives the work done.
    pub(super) fn named(
        &self,
        property: &Property,
        types: &ElementTypes<'d>,
        out: &mut Vec<Item<'d>>,
    ) -> u64 {
        let Some(properties) = self.properties() else { return 1 };
        let value = member(properties, &property.name);
        let companion = member(properties, &property.companion);
        if value.is_some() || companion.is_some() {
            let ty = self.child_type(&property.name, types);
            let before = out.len();
            each(value, companion, ty, |_, node| out.push(Item::Node(node)));
            return 1 + (out.len() - before) as u64;
        }
        // An element of just this name is absent; one whose name it begins, as `responseCode` for `response`, is
        // another element and no form of it.
        if property.name == "resourceType" || self.child_type(&property.name, types).is_some() {
            return 1;
        }
        for (key, value) in properties {
            let (name, is_companion) = match key.strip_prefix('_') {
                Some(name) => (name, true),
                None => (key.as_str(), false),
            };
            let Some(suffix_type) = name.strip_prefix(property.name.as_str()).and_then(choice_type) else {
                continue;
            };
            let ty = self.child_type(name, types).or(Some(suffix_type));
            if is_companion {
                if !properties.contains_key(name) {
                    each(None, Some(value), ty, |_, node| out.push(Item::Node(node)));
                }
            } else {
                let companion = properties.get(&format!("_{name}"));
                each(Some(value), companion, ty, |_, node| out.push(Item::Node(node)));
            }
        }
        1 + properties.len() as u64
    }

    /// The child at exactly this property and index.
    pub(super) fn exact(
        &self,
        property: &Property,
        index: Option<usize>,
        types: &ElementTypes<'d>,
    ) -> Option<Node<'d>> {
        let properties = self.properties()?;
        let pick = |value: Option<&'d Value>| match (value, index) {
            (Some(Value::Array(items)), Some(index)) => items.get(index),
            (Some(Value::Array(_)), None) | (_, Some(_)) => None,
            (value, None) => value,
        };
        let value = pick(member(properties, &property.name));
        let companion = pick(member(properties, &property.companion));
        Node::new(value, companion, self.child_type(&property.name, types))
    }

    /// Calls `visit` for every child, in the order of the document.
    pub(super) fn each_child(&self, types: &ElementTypes<'d>, visit: &mut dyn FnMut(Child<'d>)) {
        let Some(properties) = self.properties() else { return };
        let paired = properties.keys().any(|key| key.starts_with('_'));
        for (key, value) in properties {
            if key == "resourceType" {
                continue;
            }
            let (property, value, companion) = match key.strip_prefix('_') {
                Some(name) if properties.contains_key(name) => continue,
                Some(name) => (name, None, Some(value)),
                None if !paired || value.is_object() => (key.as_str(), Some(value), None),
                None => (key.as_str(), Some(value), properties.get(&format!("_{key}"))),
            };
            let ty = self.child_type(property, types);
            each(value, companion, ty, |index, node| visit(Child { property, index, node }));
        }
    }

    /// Every child, in the order of the document.
    pub(super) fn children(&self, types: &ElementTypes<'d>) -> Vec<Child<'d>> {
        let mut out = Vec::new();
        self.each_child(types, &mut |child| out.push(child));
        out
    }

    /// Whether a choice element of this name, or a plain one, is there: `has("value")`.
    pub(super) fn has(&self, name: &str) -> bool {
        self.properties().is_some_and(|properties| {
            properties.keys().any(|key| {
                let key = key.strip_prefix('_').unwrap_or(key);
                key.strip_prefix(name)
                    .is_some_and(|suffix| suffix.is_empty() || choice_type(suffix).is_some())
            })
        })
    }
}

/// Calls `visit` for the value and its companion, pairing arrays of primitives item by item.
fn each<'d>(
    value: Option<&'d Value>,
    companion: Option<&'d Value>,
    ty: Option<&'d str>,
    mut visit: impl FnMut(Option<usize>, Node<'d>),
) {
    let array = |value: Option<&'d Value>| value.and_then(Value::as_array).map(Vec::as_slice);
    let (values, companions) = (array(value), array(companion));
    if values.is_none() && companions.is_none() {
        if let Some(node) = Node::new(value, companion, ty) {
            visit(None, node);
        }
        return;
    }
    let (values, companions) = (values.unwrap_or_default(), companions.unwrap_or_default());
    for index in 0..values.len().max(companions.len()) {
        if let Some(node) = Node::new(values.get(index), companions.get(index), ty) {
            visit(Some(index), node);
        }
    }
}
