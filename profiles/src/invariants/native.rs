//! Published invariants that are checked by code; the module `exceptions` says why.

use std::collections::HashSet;

use serde_json::Value;

use super::focus::ElementTypes;
use super::item::Node;
use crate::json::{get, member};

/// ele-1: an element has a value or children besides its id. An array where an element should be is wrong in another
/// way, which the structure check tells.
pub(super) fn has_content(node: &Node<'_>) -> bool {
    if node.primitive().is_some() || node.value.is_some_and(Value::is_array) {
        return true;
    }
    let object = node.object().or_else(|| node.companion.and_then(Value::as_object));
    object.is_some_and(|object| {
        object.iter().any(|(name, value)| {
            let counts = !value.is_null() && value.as_array().is_none_or(|items| !items.is_empty());
            counts && name != "id" && name != "_id"
        })
    })
}

/// A part of a Bundle entry that its type demands or forbids.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct EntryFault {
    /// Number of the entry.
    pub(super) entry: usize,
    /// `request` (bdl-3) or `response` (bdl-4).
    pub(super) part: &'static str,
    /// Whether it is missing; else it stands where the type forbids it.
    pub(super) missing: bool,
}

/// bdl-3 and bdl-4: the entries of a typed Bundle whose `request` or `response` does not fit the type.
pub(super) fn entry_faults(bundle: &Node<'_>) -> Vec<EntryFault> {
    let Some(object) = bundle.object() else { return Vec::new() };
    let Some(bundle_type) = member(object, "type").and_then(Value::as_str) else { return Vec::new() };
    let entries = member(object, "entry").and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default();
    let wants_request = matches!(bundle_type, "batch" | "transaction" | "history");
    let wants_response = matches!(bundle_type, "batch-response" | "transaction-response" | "history");
    let parts = [("request", wants_request), ("response", wants_response)];
    entries
        .iter()
        .enumerate()
        .filter(|(_, entry)| entry.is_object())
        .flat_map(|(number, entry)| {
            parts
                .into_iter()
                .filter(move |(part, wanted)| get(entry, part).is_some() != *wanted)
                .map(move |(part, wanted)| EntryFault { entry: number, part, missing: wanted })
        })
        .collect()
}

/// ext-1: an extension has either extensions or a value.
pub(super) fn is_one_or_other(extension: &Node<'_>) -> bool {
    let nested = extension
        .object()
        .and_then(|object| member(object, "extension"))
        .is_some_and(|value| value.as_array().is_none_or(|items| !items.is_empty()));
    nested != extension.has("value")
}

/// The ids of the resources contained in a resource, for ref-1.
pub(super) fn contained_ids<'d>(resource: &Node<'d>) -> HashSet<&'d str> {
    contained(resource).filter_map(|(_, item)| item.get("id").and_then(Value::as_str)).collect()
}

fn contained<'d>(resource: &Node<'d>) -> impl Iterator<Item = (usize, &'d Value)> + use<'d> {
    let items = resource.object().and_then(|object| member(object, "contained")).and_then(Value::as_array);
    items.map(Vec::as_slice).unwrap_or_default().iter().enumerate()
}

/// ref-1: a reference that begins with `#` names a contained resource, or with `#` alone the container.
pub(super) fn resolves(reference: &Node<'_>, ids: &HashSet<&str>) -> bool {
    let text = reference.object().and_then(|object| member(object, "reference")).and_then(Value::as_str);
    match text.and_then(|text| text.strip_prefix('#')) {
        None | Some("") => true,
        Some(id) => ids.contains(id),
    }
}

/// dom-3: the indexes of contained resources that nothing refers to and that do not refer to their container.
pub(super) fn orphans<'d>(resource: &Node<'d>, types: &ElementTypes<'d>) -> Vec<usize> {
    let mut targets = HashSet::new();
    let mut rest = Vec::new();
    let mut points_up = HashSet::new();
    for child in resource.children(types) {
        let from = (child.property == "contained").then_some(child.index).flatten();
        rest.push((child.property, child.node, from));
        while let Some((property, node, from)) = rest.pop() {
            if let Some(text) = node.primitive().and_then(Value::as_str)
                && let Some(id) = text.strip_prefix('#')
                && may_refer(property, node.ty())
            {
                if id.is_empty() {
                    points_up.extend(from);
                } else {
                    targets.insert(id);
                }
            }
            rest.extend(node.children(types).into_iter().map(|child| (child.property, child.node, from)));
        }
    }
    contained(resource)
        .filter(|(index, item)| {
            let id = item.get("id").and_then(Value::as_str);
            !id.is_some_and(|id| targets.contains(id)) && !points_up.contains(index)
        })
        .map(|(index, _)| index)
        .collect()
}

fn may_refer(property: &str, ty: Option<&str>) -> bool {
    property == "reference" || matches!(ty, None | Some("canonical" | "uri" | "url"))
}
