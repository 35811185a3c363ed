//! References that lead to something inside the document: to an entry by URN, to a contained resource by `#id`.
//!
//! Their text does not name a resource type, so the type is that of the resource they lead to.

use std::collections::HashMap;

use serde_json::{Map, Value};

use super::bundle::FullUrls;
use super::place::Place;
use super::{is_full, reference, rules};
use crate::definitions::BaseTables;
use crate::issue::Issue;
use crate::json::{Trail, member};

/// Walks one resource, its contained ones included. Other resources inside it are walked for themselves.
pub(super) struct Walk<'w> {
    tables: &'static BaseTables,
    /// The Bundle around it; without one a URN cannot be judged.
    full_urls: Option<&'w FullUrls<'w>>,
    container_type: &'w str,
    contained: HashMap<&'w str, &'w str>,
    /// Pointer to the resource that is walked.
    from: &'w str,
    /// The way from there to where the walk is.
    here: Trail<'w>,
}

/// The resource whose elements are being walked: its type, and how far it is from where the walk began.
#[derive(Debug, Clone, Copy)]
struct Root<'w> {
    resource_type: &'w str,
    steps: usize,
}

impl<'w> Walk<'w> {
    pub(super) fn new(
        tables: &'static BaseTables,
        full_urls: Option<&'w FullUrls<'w>>,
        resource: &'w Map<String, Value>,
        pointer: &'w str,
    ) -> Walk<'w> {
        Walk {
            tables,
            full_urls,
            container_type: resource_type(resource).unwrap_or_default(),
            contained: contained(resource)
                .filter_map(|inner| Some((inner.get("id")?.as_str()?, resource_type(inner)?)))
                .collect(),
            from: pointer,
            here: Trail::default(),
        }
    }

    pub(super) fn check(mut self, resource: &'w Map<String, Value>, issues: &mut Vec<Issue>) {
        let root = Root { resource_type: self.container_type, steps: 0 };
        self.object(resource, root, issues);
    }

    fn object(&mut self, object: &'w Map<String, Value>, root: Root<'w>, issues: &mut Vec<Issue>) {
        let at_root = self.here.len() == root.steps;
        for (name, inner) in object {
            self.here.property(name);
            match inner {
                Value::String(text) if name == "reference" => self.reference(text, inner, root, issues),
                Value::Array(items) if name == "contained" && at_root => self.contained(items, issues),
                Value::Array(_) | Value::Object(_) => self.value(inner, root, issues),
                Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
            }
            self.here.back();
        }
    }

    fn value(&mut self, value: &'w Value, root: Root<'w>, issues: &mut Vec<Issue>) {
        match value {
            _ if is_full(issues) => {}
            Value::Object(object) if resource_type(object).is_none() => self.object(object, root, issues),
            Value::Array(items) => {
                for (number, inner) in items.iter().enumerate() {
                    self.here.item(number);
                    self.value(inner, root, issues);
                    self.here.back();
                }
            }
            Value::Object(_) | Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }

    fn contained(&mut self, items: &'w [Value], issues: &mut Vec<Issue>) {
        for (number, inner) in items.iter().enumerate() {
            let Some(inner) = inner.as_object() else { continue };
            let Some(resource_type) = resource_type(inner) else { continue };
            self.here.item(number);
            let root = Root { resource_type, steps: self.here.len() };
            self.object(inner, root, issues);
            self.here.back();
        }
    }

    fn pointer(&self) -> String {
        format!("{}{}", self.from, self.here.pointer())
    }

    fn reference(&self, text: &'w str, value: &Value, root: Root<'w>, issues: &mut Vec<Issue>) {
        let by_urn = text.starts_with("urn:uuid:") || text.starts_with("urn:oid:");
        let target = match (text.strip_prefix('#'), self.full_urls) {
            (Some(""), _) => Some(self.container_type),
            // What is not found here breaks the invariant ref-1, which is checked as such.
            (Some(id), _) => self.contained.get(id).copied(),
            (None, Some(full_urls)) if by_urn => {
                let whole = text.split_once('#').map_or(text, |(whole, _)| whole);
                match full_urls.get(whole) {
                    Some(target) => *target,
                    None => {
                        let message = "No entry of the Bundle has this fullUrl.";
                        let issue = Issue::new(&rules::REFERENCE_UNRESOLVED, self.pointer(), message);
                        issues.push(issue.value(value));
                        None
                    }
                }
            }
            (None, _) => None,
        };
        let Some(target) = target else { return };
        let path = self.here.pointer_behind(root.steps);
        let relative = path.strip_suffix("/reference");
        let root = Place::root(self.tables, root.resource_type);
        let place = root.zip(relative).and_then(|(root, relative)| root.below(self.tables, relative));
        let Some((place, type_use)) = place.and_then(|place| Some((place.label(), place.type_use?))) else {
            return;
        };
        let is_reference = type_use.code == "Reference";
        if is_reference && !reference::allows(&type_use.targets, target) {
            let message = reference::message(&place, &type_use.targets);
            let issue = Issue::new(&rules::REFERENCE_TARGET, self.pointer(), message);
            issues.push(issue.value(value));
        }
    }
}

fn resource_type(resource: &Map<String, Value>) -> Option<&str> {
    member(resource, "resourceType").and_then(Value::as_str)
}

fn contained(resource: &Map<String, Value>) -> impl Iterator<Item = &Map<String, Value>> {
    resource.get("contained").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_object)
}
