//! Base R4: is this resource built as R4 (4.0.1) says, whatever its type?
//!
//! The tables of [`crate::definitions`] become a JSON Schema for each type when the type is first met; the `jsonschema`
//! crate runs it, offline, with a few keywords of our own. Its errors are then worded from the tables.
//! Resources inside resources are held each against its own type.
//!
//! The invariants that R4 states in FHIRPath are checked by [`crate::invariants`].

mod bundle;
mod compiled;
mod explain;
mod keywords;
mod object;
mod place;
mod primitive;
mod reference;
mod resolve;
mod rules;
mod schema;
#[cfg(test)]
mod tests;

use std::collections::HashSet;
use std::sync::Arc;

use serde_json::{Map, Value};

pub use rules::RULES;

use crate::definitions::BaseTables;
use crate::issue::{Issue, MOST_ISSUES};
use crate::json::push_pointer;
use bundle::FullUrls;
use compiled::Compiled;
use explain::Explainer;
use place::Place;
use resolve::Walk;

/// Holds documents against base R4. Cheap to share; keeps the schemas that it has compiled.
#[derive(Debug, Clone)]
pub struct Checker {
    tables: &'static BaseTables,
    compiled: Arc<Compiled>,
}

fn is_full(issues: &[Issue]) -> bool {
    issues.len() >= MOST_ISSUES
}

/// Adds what a family of checks found, up to [`MOST_ISSUES`], and says once when a list was cut.
pub(crate) fn append(mut found: Vec<Issue>, issues: &mut Vec<Issue>) {
    let cut = is_full(&found);
    found.truncate(MOST_ISSUES);
    issues.append(&mut found);
    if cut && !issues.iter().any(|issue| issue.rule == rules::MORE_ISSUES.id) {
        let message = format!("Only {MOST_ISSUES} issues of a kind are listed; there may be more.");
        issues.push(Issue::new(&rules::MORE_ISSUES, "", message));
    }
}

/// Where a resource stands.
#[derive(Debug, Clone, Copy)]
enum Standing<'v> {
    /// The document itself, or an entry of a Bundle, or a parameter; with the fullUrls of the Bundle around it.
    Independent(Option<&'v FullUrls<'v>>),
    /// In `contained` of another resource.
    Contained,
}

impl Checker {
    /// A checker that has compiled nothing yet.
    #[must_use]
    pub fn new(tables: &'static BaseTables) -> Checker {
        Checker { tables, compiled: Compiled::new(tables) }
    }

    /// Adds every breach of base R4 in a resource, Bundles included, in no particular order. Pointers start at the
    /// resource. After [`MOST_ISSUES`] one more says that the list was cut.
    pub fn check(&self, value: &Value, issues: &mut Vec<Issue>) {
        let mut found = Vec::new();
        self.check_resource(value, "", Standing::Independent(None), &mut found);
        append(found, issues);
    }

    fn check_resource(&self, value: &Value, pointer: &str, standing: Standing<'_>, issues: &mut Vec<Issue>) {
        if is_full(issues) {
            return;
        }
        let Some(resource) = value.as_object() else {
            let message = "A resource is a JSON object with a `resourceType`.";
            issues.push(Issue::new(&rules::RESOURCE_TYPE, pointer, message));
            return;
        };
        let Some(type_name) = self.resource_type(resource, pointer, issues) else { return };
        match self.compiled.validator(type_name) {
            Ok(validator) => {
                if !validator.is_valid(value)
                    && let Some(root) = Place::root(self.tables, type_name)
                {
                    let mut explainer = Explainer { tables: self.tables, compiled: &self.compiled, issues };
                    for error in validator.iter_errors(value) {
                        explainer.explain(&root, pointer, &error);
                    }
                }
            }
            Err(unusable) => {
                let message = format!("Not checked: {unusable}.");
                issues.push(Issue::new(&rules::RESOURCE_TYPE, pointer, message));
            }
        }
        self.check_contained(resource, pointer, standing, issues);
        match (type_name, standing) {
            ("Bundle", _) => {
                let full_urls = bundle::full_urls(resource);
                bundle::check(self.tables, resource, pointer, issues);
                self.check_entries(resource, pointer, Standing::Independent(Some(&full_urls)), issues);
                Walk::new(self.tables, Some(&full_urls), resource, pointer).check(resource, issues);
            }
            // The walk of the resource around it covers a contained one.
            (_, Standing::Contained) => {}
            (_, Standing::Independent(full_urls)) => {
                Walk::new(self.tables, full_urls, resource, pointer).check(resource, issues);
            }
        }
        if type_name == "Parameters" {
            self.check_parameters(resource.get("parameter"), pointer, "parameter", standing, issues);
        }
    }

    fn resource_type<'r>(
        &self,
        resource: &'r Map<String, Value>,
        pointer: &str,
        issues: &mut Vec<Issue>,
    ) -> Option<&'r str> {
        let place = push_pointer(pointer, "resourceType");
        let Some(given) = resource.get("resourceType") else {
            issues.push(Issue::new(&rules::RESOURCE_TYPE, place, "The resource has no `resourceType`."));
            return None;
        };
        let name = given.as_str().unwrap_or_default();
        if self.tables.is_resource_type(name) {
            return Some(name);
        }
        let message = "R4 has no resource type of this name.";
        let mut issue = Issue::new(&rules::RESOURCE_TYPE, place, message).value(given);
        if let Some(near) = crate::nearest::nearest(name, self.tables.resource_types().iter().copied()) {
            issue = issue.mend(format!("Did you mean `{near}`?"));
        }
        issues.push(issue);
        None
    }

    fn check_contained(
        &self,
        resource: &Map<String, Value>,
        pointer: &str,
        standing: Standing<'_>,
        issues: &mut Vec<Issue>,
    ) {
        let Some(contained) = resource.get("contained").and_then(Value::as_array) else { return };
        let array = push_pointer(pointer, "contained");
        if matches!(standing, Standing::Contained) {
            let message = "A contained resource contains another.";
            let issue = Issue::new(&rules::CONTAINED, array.as_str(), message)
                .mend("Move the inner resource to `contained` of the outermost one.");
            issues.push(issue);
        }
        let mut ids = HashSet::new();
        for (number, inner) in contained.iter().enumerate().filter(|(_, inner)| inner.is_object()) {
            let place = push_pointer(&array, &number.to_string());
            match inner.get("id").and_then(Value::as_str) {
                None => {
                    let message = "The contained resource has no `id`.";
                    issues.push(Issue::new(&rules::CONTAINED, push_pointer(&place, "id"), message));
                }
                Some(id) if !ids.insert(id) => {
                    let message = "Another contained resource has this `id` already.";
                    issues.push(Issue::new(&rules::CONTAINED, push_pointer(&place, "id"), message));
                }
                Some(_) => {}
            }
            self.check_resource(inner, &place, Standing::Contained, issues);
        }
    }

    fn check_entries(
        &self,
        bundle: &Map<String, Value>,
        pointer: &str,
        inner: Standing<'_>,
        issues: &mut Vec<Issue>,
    ) {
        let Some(entries) = bundle.get("entry").and_then(Value::as_array) else { return };
        let array = push_pointer(pointer, "entry");
        for (number, entry) in entries.iter().enumerate() {
            let place = push_pointer(&array, &number.to_string());
            self.check_inner(entry.get("resource"), &push_pointer(&place, "resource"), inner, issues);
            let outcome = entry.get("response").and_then(|response| response.get("outcome"));
            self.check_inner(outcome, &format!("{place}/response/outcome"), inner, issues);
        }
    }

    fn check_parameters(
        &self,
        parameters: Option<&Value>,
        pointer: &str,
        name: &str,
        inner: Standing<'_>,
        issues: &mut Vec<Issue>,
    ) {
        let Some(parameters) = parameters.and_then(Value::as_array) else { return };
        let array = push_pointer(pointer, name);
        for (number, parameter) in parameters.iter().enumerate() {
            let place = push_pointer(&array, &number.to_string());
            self.check_inner(parameter.get("resource"), &push_pointer(&place, "resource"), inner, issues);
            self.check_parameters(parameter.get("part"), &place, "part", inner, issues);
        }
    }

    /// A resource in a property. What is no object was reported by the schema of the resource around it.
    fn check_inner(
        &self,
        value: Option<&Value>,
        pointer: &str,
        standing: Standing<'_>,
        issues: &mut Vec<Issue>,
    ) {
        if let Some(value) = value.filter(|value| value.is_object()) {
            self.check_resource(value, pointer, standing, issues);
        }
    }
}
