//! The walk through a document: every element is held against what its type and its path ask.

use std::collections::HashSet;
use std::rc::Rc;

use serde_json::Value;

use super::INVARIANT;
use super::focus::{ElementTypes, Focus, Steps};
use super::item::Child;
use super::table::{CarryingElements, InvariantTable, breach};
use super::types::parent_type;
use super::xhtml::{self, Fault};
use super::{native, table};
use crate::issue::{Issue, MOST_ISSUES, Severity};
use crate::json::{member, push_pointer};

/// Deepest nesting that is walked; documents are read to a depth of 64 at most.
const MAX_DEPTH: usize = 128;

/// Holds a resource, or a Bundle and all resources in it, against the published invariants.
///
/// `types` gives the types of elements (see [`ElementTypes`]). Elements of unknown type are walked, but only the
/// conditions that hold for every element are applied to them; that they are unknown is for the structure check to
/// say.
pub fn check<'t>(
    value: &Value,
    table: &InvariantTable,
    types: &dyn Fn(&str, &str) -> Option<&'t str>,
    issues: &mut Vec<Issue>,
) {
    // Shortens the life of the names to that of this call, so that callers may keep one closure for many documents.
    walk(value, table, &|parent: &str, property: &str| types(parent, property), issues);
}

fn walk<'d>(
    value: &'d Value,
    table: &'d InvariantTable,
    types: &'d ElementTypes<'d>,
    issues: &mut Vec<Issue>,
) {
    if !value.get("resourceType").is_some_and(Value::is_string) {
        return;
    }
    let steps = Steps::for_document(value);
    let focus = Focus::resource(value, types, &steps);
    let ids = Rc::new(native::contained_ids(&focus.node));
    Walk { table, issues, path: Vec::new() }.resource(&focus, &ids);
}

/// One step of the way to an element.
struct Step<'d> {
    property: &'d str,
    index: Option<usize>,
    companion: bool,
}

struct Walk<'w, 'd> {
    table: &'d InvariantTable,
    issues: &'w mut Vec<Issue>,
    path: Vec<Step<'d>>,
}

impl<'d> Walk<'_, 'd> {
    fn pointer(&self) -> String {
        let mut pointer = String::new();
        for step in &self.path {
            let companion = if step.companion { "_" } else { "" };
            pointer = push_pointer(&pointer, &format!("{companion}{}", step.property));
            if let Some(index) = step.index {
                pointer.push_str(&format!("/{index}"));
            }
        }
        pointer
    }

    fn is_full(&self) -> bool {
        self.issues.len() >= MOST_ISSUES
    }

    fn raise(&mut self, key: &'static str, message: &str, mend: &'static str) {
        let issue = breach(key.into(), Severity::Error, self.pointer(), message).mend(mend);
        self.issues.push(issue);
    }

    fn test(&mut self, constraints: &'d [table::Constraint], focus: &Focus<'d>, tested: &mut Vec<&'d str>) {
        for constraint in constraints {
            if !tested.contains(&constraint.key()) {
                tested.push(constraint.key());
                let mut found = Vec::new();
                constraint.test(focus, || self.pointer(), &mut found);
                self.issues.append(&mut found);
            }
        }
    }

    fn resource(&mut self, focus: &Focus<'d>, ids: &Rc<HashSet<&'d str>>) {
        let Some(ty) = focus.node.ty() else { return };
        let mut tested = Vec::new();
        self.test(self.table.on(ty), focus, &mut tested);
        if !matches!(ty, "Bundle" | "Binary" | "Parameters") {
            self.test(self.table.on("DomainResource"), focus, &mut tested);
        }
        self.test(self.table.on("Resource"), focus, &mut tested);
        if ty == "Bundle" {
            self.entries(focus);
        }
        if focus.node.object().is_some_and(|object| member(object, "contained").is_some()) {
            for index in native::orphans(&focus.node, focus.types) {
                self.path.push(Step { property: "contained", index: Some(index), companion: false });
                self.raise(
                    "dom-3",
                    "The condition dom-3 of FHIR does not hold here: a contained resource is referred to from elsewhere \
                     in its container, or refers to the container.",
                    "Refer to the contained resource as `#` and its id, or remove it.",
                );
                self.path.pop();
            }
        }
        self.children(focus, ids);
    }

    fn entries(&mut self, bundle: &Focus<'d>) {
        for fault in native::entry_faults(&bundle.node) {
            if self.is_full() {
                return;
            }
            let key = if fault.part == "request" { "bdl-3" } else { "bdl-4" };
            let (says, mend) = if fault.missing {
                ("needs", format!("Add `{}` to the entry, or send the Bundle as a `collection`.", fault.part))
            } else {
                (
                    "must not have",
                    format!("Remove `{}` from the entry, or correct the type of the Bundle.", fault.part),
                )
            };
            let message = format!(
                "The condition {key} of FHIR does not hold here: an entry of a Bundle of this type {says} a `{}`.",
                fault.part
            );
            self.path.push(Step { property: "entry", index: Some(fault.entry), companion: false });
            self.issues.push(breach(key.into(), Severity::Error, self.pointer(), message).mend(mend));
            self.path.pop();
        }
    }

    fn children(&mut self, focus: &Focus<'d>, ids: &Rc<HashSet<&'d str>>) {
        if self.path.len() >= MAX_DEPTH {
            let message = "The document is nested more deeply than its conditions are checked.";
            let issue = Issue::new(&INVARIANT, self.pointer(), message).mend("Flatten the nested elements.");
            self.issues.push(issue);
            return;
        }
        let parent = focus.node.ty();
        let carrying = parent.and_then(|ty| self.table.elements_of(ty));
        focus.node.each_child(focus.types, &mut |child| {
            if self.is_full() || self.is_plain(parent, carrying, &child) {
                return;
            }
            let companion = child.node.value.is_none();
            self.path.push(Step { property: child.property, index: child.index, companion });
            let below = focus.at(child.node, child.property == "contained");
            if !child.node.is_resource() {
                self.element(parent, carrying, &child, &below, ids);
            } else if child.property == "contained" {
                self.resource(&below, ids);
            } else {
                self.resource(&below, &Rc::new(native::contained_ids(&child.node)));
            }
            self.path.pop();
        });
    }

    /// Whether an element is a primitive without companion that no condition speaks of: most elements are.
    fn is_plain(
        &self,
        parent: Option<&str>,
        carrying: Option<&'d CarryingElements>,
        child: &Child<'d>,
    ) -> bool {
        let node = &child.node;
        node.companion.is_none()
            && node.primitive().is_some()
            && !(parent == Some("Narrative") && child.property == "div")
            && node.ty().is_some_and(|ty| ty != "xhtml" && !self.table.speaks_of_type(ty))
            && carrying.is_none_or(|elements| self.table.on_element(elements, child.property).is_none())
    }

    fn element(
        &mut self,
        parent: Option<&str>,
        carrying: Option<&'d CarryingElements>,
        child: &Child<'d>,
        focus: &Focus<'d>,
        ids: &Rc<HashSet<&'d str>>,
    ) {
        let node = &child.node;
        let ty = node.ty();
        if !native::has_content(node) {
            self.raise(
                "ele-1",
                "The condition ele-1 of FHIR does not hold here: an element has a value or children besides its id.",
                "Give the element its content, or leave it out.",
            );
        }
        if ty == Some("Extension") && !native::is_one_or_other(node) {
            self.raise(
                "ext-1",
                "The condition ext-1 of FHIR does not hold here: an extension has either extensions or a value, not both \
                 and not neither.",
                "Keep one of `extension` and `value[x]`.",
            );
        }
        if ty == Some("Reference") && !native::resolves(node, ids) {
            self.raise(
                "ref-1",
                "The condition ref-1 of FHIR does not hold here: a reference that begins with `#` names a resource \
                 contained in the same resource.",
                "Add the contained resource with this id, or correct the reference.",
            );
        }
        if ty == Some("xhtml") || (parent == Some("Narrative") && child.property == "div") {
            self.narrative(node.primitive().and_then(Value::as_str));
        }
        let mut tested = Vec::new();
        if let Some(ty) = ty {
            self.test(self.table.on(ty), focus, &mut tested);
            if let Some(general) = parent_type(ty) {
                self.test(self.table.on(general), focus, &mut tested);
            }
        }
        if let Some((path, constraints)) =
            carrying.and_then(|elements| self.table.on_element(elements, child.property))
            && Some(path) != ty
        {
            self.test(constraints, focus, &mut tested);
        }
        if node.object().is_none() {
            if node.companion.is_none() {
                return;
            }
            // What a primitive has below it stands in its companion.
            if let Some(step) = self.path.last_mut() {
                step.companion = true;
            }
        }
        self.children(focus, ids);
    }

    fn narrative(&mut self, text: Option<&str>) {
        let Some(Err(fault)) = text.map(xhtml::check) else { return };
        let words = fault.words();
        match fault {
            Fault::Empty => self.raise(
                "txt-2",
                &format!("The condition txt-2 of FHIR does not hold here: {words}."),
                "Write the content for people to read into the div, or leave `text` out.",
            ),
            Fault::Root | Fault::Syntax | Fault::Element | Fault::Attribute | Fault::Entity => self.raise(
                "txt-1",
                &format!("The condition txt-1 of FHIR does not hold here: {words}."),
                "Use one div with plain formatting elements, links and images only.",
            ),
        }
    }
}
