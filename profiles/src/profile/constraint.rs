//! The constraints of a profile: conditions in FHIRPath, each on one element.
//!
//! They are compiled when the profile is loaded, so an expression outside the supported subset is refused then and by
//! name (see [`crate::invariants`]). A constraint that carries the key of a published invariant is left to R4's own
//! check: publishers copy those into their profiles.

use serde_json::Value;

use super::definition::{Definition, Node};
use crate::definitions::BaseTables;
use crate::invariants::{Constraint, Focus, InvariantRow, Origin, Steps};
use crate::issue::{Issue, Severity};
use crate::load_error::LoadError;

/// A constraint and the way to the elements it is about.
#[derive(Debug)]
pub(super) struct Condition {
    /// Names of JSON properties; `value[x]` stands for each form of the choice.
    steps: Vec<String>,
    /// The element that carries it, as its profile names it.
    pub(super) path: String,
    pub(super) constraint: Constraint,
}

/// Compiles the constraints of a profile.
pub(super) fn compile(definition: &Definition, base: &BaseTables) -> Result<Vec<Condition>, LoadError> {
    let mut conditions = Vec::new();
    gather(definition, base, &definition.root, &mut Vec::new(), false, &mut conditions)?;
    Ok(conditions)
}

fn gather(
    definition: &Definition,
    base: &BaseTables,
    node: &Node,
    steps: &mut Vec<String>,
    sliced: bool,
    conditions: &mut Vec<Condition>,
) -> Result<(), LoadError> {
    for stated in node.rules.get("constraint").and_then(Value::as_array).into_iter().flatten() {
        if let Some(row) = read(definition, base, node, stated, sliced)? {
            let constraint = Constraint::compile(row, Origin::Profile).map_err(|error| {
                definition.error(format!(
                    "{}: constraint {} cannot be enforced: {}.",
                    row.path, row.key, error.source
                ))
            })?;
            conditions.push(Condition { steps: steps.clone(), path: row.path.to_owned(), constraint });
        }
    }
    for child in &node.children {
        steps.push(property(child));
        let sliced = sliced || (child.slice.is_some() && !child.name.ends_with("[x]"));
        gather(definition, base, child, steps, sliced, conditions)?;
        steps.pop();
    }
    Ok(())
}

/// The JSON property of an element: for a choice sliced by type the form of that type.
fn property(node: &Node) -> String {
    let (Some(stem), Some(slice)) = (node.name.strip_suffix("[x]"), &node.slice) else {
        return node.name.clone();
    };
    let kind = node.rules.get("type").and_then(|types| types.pointer("/0/code")).and_then(Value::as_str);
    let Some(kind) = kind else { return slice.clone() };
    let mut letters = kind.chars();
    let first = letters.next().map(|letter| letter.to_ascii_uppercase());
    stem.chars().chain(first).chain(letters).collect()
}

/// A constraint as stated; none for one that R4 itself publishes.
fn read<'d>(
    definition: &Definition,
    base: &BaseTables,
    node: &'d Node,
    stated: &'d Value,
    sliced: bool,
) -> Result<Option<InvariantRow<'d>>, LoadError> {
    let text = |name: &str| stated.get(name).and_then(Value::as_str);
    let path = node.rules.get("path").and_then(Value::as_str).unwrap_or_default();
    let Some(key) = text("key") else {
        return Err(definition.error(format!("{path}: a constraint has no `key`; add it.")));
    };
    let published = |path: &str| base.invariants(path).iter().any(|known| known.key == key);
    if base.invariant_paths().any(published) {
        return Ok(None);
    }
    if sliced {
        let reason = format!(
            "{path}: constraint {key} is on a slice, which is not supported; state it on the whole element."
        );
        return Err(definition.error(reason));
    }
    let severity = match text("severity") {
        Some("error") => Severity::Error,
        Some("warning") => Severity::Warning,
        _ => {
            let reason =
                format!("{path}: constraint {key} needs `severity` `error` or `warning`; correct it.");
            return Err(definition.error(reason));
        }
    };
    let (Some(human), Some(expression)) = (text("human"), text("expression")) else {
        let reason = format!("{path}: constraint {key} needs `human` and a FHIRPath `expression`; add them.");
        return Err(definition.error(reason));
    };
    Ok(Some(InvariantRow { path, key, severity, human, expression }))
}

/// Holds a resource against the constraints of a profile. `pointer` is where the resource stands in its document.
pub(super) fn check(
    conditions: &[Condition],
    base: &'static BaseTables,
    resource: &Value,
    pointer: &str,
    issues: &mut Vec<Issue>,
) {
    if conditions.is_empty() {
        return;
    }
    let types = |parent: &str, property: &str| base.element_type(parent, property);
    let steps = Steps::for_document(resource);
    let focus = Focus::resource(resource, &types, &steps);
    for condition in conditions {
        let mut places = Vec::new();
        find(resource, &condition.steps, String::new(), &mut places);
        for place in places {
            if let Some(focus) = focus.locate(&place) {
                condition.constraint.test(&focus, || format!("{pointer}{place}"), issues);
            }
        }
    }
}

/// Pointers to every value at the end of `steps`.
fn find(value: &Value, steps: &[String], at: String, places: &mut Vec<String>) {
    if let Some(items) = value.as_array() {
        for (number, item) in items.iter().enumerate() {
            find(item, steps, format!("{at}/{number}"), places);
        }
        return;
    }
    let Some((step, rest)) = steps.split_first() else {
        places.push(at);
        return;
    };
    for (name, value) in value.as_object().into_iter().flatten() {
        let chosen = step.strip_suffix("[x]").and_then(|stem| name.strip_prefix(stem));
        if name == step
            || chosen.is_some_and(|kind| kind.starts_with(|letter: char| letter.is_ascii_uppercase()))
        {
            find(value, rest, format!("{at}/{name}"), places);
        }
    }
}
