//! [`Focus`]: the node an expression is about, and what surrounds it.

use std::cell::Cell;
use std::rc::Rc;

use serde_json::Value;

use super::item::Node;
use super::syntax::Property;

/// The type of a property: `("Observation", "valueQuantity")` gives `Quantity`, `("Observation", "component")` gives
/// `Observation.component`; nothing for a property that the type does not have. Parent types are written as in the
/// answers, resources by name.
///
/// Pass a closure, `&|parent, property| tables.element_type(parent, property)`: a plain function that promises
/// `'static` names would fix `'d` to that.
pub type ElementTypes<'d> = dyn Fn(&str, &str) -> Option<&'d str> + 'd;

/// How many elementary steps evaluations may still take. Clones share one budget, so that it bounds the whole of a
/// document and not each evaluation alone.
#[derive(Debug, Clone)]
pub struct Steps(Rc<Cell<u64>>);

impl Steps {
    /// A budget that grows linearly with the size of a document. The published invariants take up to about 100 steps
    /// for each JSON value (most for a Questionnaire, fewer than 40 for a Bundle of observations); the rest is for
    /// the constraints of profiles.
    #[must_use]
    pub fn for_document(value: &Value) -> Steps {
        Steps(Rc::new(Cell::new(200_000 + 300 * nodes(value))))
    }

    /// Takes `count` steps; false when there are not that many left.
    pub(super) fn take(&self, count: u64) -> bool {
        match self.0.get().checked_sub(count) {
            Some(rest) => {
                self.0.set(rest);
                true
            }
            None => {
                self.0.set(0);
                false
            }
        }
    }
}

fn nodes(value: &Value) -> u64 {
    let mut count = 0;
    let mut rest = vec![value];
    while let Some(value) = rest.pop() {
        count += 1;
        match value {
            Value::Array(items) => rest.extend(items),
            Value::Object(properties) => rest.extend(properties.values()),
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }
    count
}

/// A node inside a resource: where an expression begins.
#[derive(Clone)]
pub struct Focus<'d> {
    pub(super) node: Node<'d>,
    pub(super) resource: Node<'d>,
    pub(super) root: Node<'d>,
    pub(super) types: &'d ElementTypes<'d>,
    pub(super) steps: Steps,
}

impl std::fmt::Debug for Focus<'_> {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Not the content: a document may tell who somebody is.
        formatter.debug_struct("Focus").field("type", &self.node.ty()).finish_non_exhaustive()
    }
}

impl<'d> Focus<'d> {
    /// A whole resource that no other contains. `%resource` and `%rootResource` are itself.
    #[must_use]
    pub fn resource(value: &'d Value, types: &'d ElementTypes<'d>, steps: &Steps) -> Focus<'d> {
        let node = Node::resource(value);
        Focus { node, resource: node, root: node, types, steps: steps.clone() }
    }

    /// The element that a JSON pointer names, counted from this node; none if there is nothing.
    ///
    /// `%resource` becomes the nearest resource on the way. `%rootResource` stays for a contained resource and becomes
    /// the resource itself for one in a Bundle entry or a parameter.
    #[must_use]
    pub fn locate(&self, pointer: &str) -> Option<Focus<'d>> {
        let mut focus = self.clone();
        let mut tokens =
            pointer.split('/').skip(1).map(|token| token.replace("~1", "/").replace("~0", "~")).peekable();
        while let Some(token) = tokens.next() {
            let name = token.strip_prefix('_').unwrap_or(&token).to_owned();
            let index =
                tokens.next_if(|next| !next.is_empty() && next.bytes().all(|byte| byte.is_ascii_digit()));
            let index: Option<usize> = match index {
                Some(index) => Some(index.parse().ok()?),
                None => None,
            };
            focus = focus.element(&name, index)?;
        }
        Some(focus)
    }

    fn element(&self, name: &str, index: Option<usize>) -> Option<Focus<'d>> {
        let property = Property::new(name.to_owned());
        let node = self.node.exact(&property, index, self.types)?;
        Some(self.at(node, name == "contained"))
    }

    /// Moves to a node below.
    pub(super) fn at(&self, node: Node<'d>, contained: bool) -> Focus<'d> {
        if !node.is_resource() {
            return Focus { node, ..self.clone() };
        }
        Focus { node, resource: node, root: if contained { self.root } else { node }, ..self.clone() }
    }
}
