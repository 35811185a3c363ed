//! From what the schema engine found to issues for people: rule, exact place, what is expected, how to mend it.
//!
//! No text here holds a value of the document; names of elements, types and codes come from the tables.

use std::sync::Arc;

use jsonschema::ValidationError;
use jsonschema::error::ValidationErrorKind;
use serde_json::{Map, Value};

use super::compiled::Compiled;
use super::object::{self, ObjectRules};
use super::place::Place;
use super::primitive::{self, Primitive};
use super::{is_full, keywords, reference, rules, schema};
use crate::definitions::{BaseTables, Element, JsonForm, TypeDefinition, ValueSet};
use crate::issue::{Issue, MOST_ISSUES};
use crate::json::push_pointer;
use crate::nearest::nearest;

/// Longest list of codes or names that a message spells out.
const LISTED: usize = 12;

/// Words the errors of one schema run.
pub(super) struct Explainer<'c> {
    pub(super) tables: &'static BaseTables,
    pub(super) compiled: &'c Arc<Compiled>,
    pub(super) issues: &'c mut Vec<Issue>,
}

impl Explainer<'_> {
    /// Adds the issues of one error, found in a value that stands at `base` and is told by `from`.
    pub(super) fn explain(&mut self, from: &Place<'static>, base: &str, error: &ValidationError<'_>) {
        if is_full(self.issues) {
            return;
        }
        let pointer = format!("{base}{}", error.instance_path().as_str());
        let instance = error.instance();
        let Some(place) = from.below(self.tables, error.instance_path().as_str()) else {
            // The schema follows the tables, so it cannot find fault with a place that they do not know.
            let message = format!("This part of {} breaks R4.", from.label());
            self.issues.push(Issue::new(&rules::TYPE, pointer, message));
            return;
        };
        match error.kind() {
            ValidationErrorKind::AdditionalProperties { unexpected } => {
                for name in unexpected.iter().take(MOST_ISSUES) {
                    self.unknown_property(&place, &pointer, name);
                }
            }
            ValidationErrorKind::Required { property } => {
                let element = property
                    .as_str()
                    .and_then(|name| place.definition.and_then(|definition| definition.element(name)));
                if let (Some(definition), Some(element)) = (place.definition, element) {
                    self.missing(definition, element, &pointer);
                }
            }
            ValidationErrorKind::Type { .. } => self.wrong_form(&place, pointer, instance),
            ValidationErrorKind::Enum { .. } => self.unlisted_code(&place, pointer, instance),
            ValidationErrorKind::MinItems { .. } | ValidationErrorKind::MinProperties { .. } => {
                let message = format!("{} is there but empty.", place.label());
                self.issues.push(Issue::new(&rules::CARDINALITY, pointer, message));
            }
            ValidationErrorKind::MaxItems { limit } => {
                let message = format!("{} may stand at most {limit} times.", place.label());
                self.issues
                    .push(Issue::new(&rules::CARDINALITY, pointer, message).mend("Remove those in excess."));
            }
            ValidationErrorKind::FalseSchema => {
                let message = format!("{} is not allowed: its cardinality is 0..0.", place.label());
                self.issues
                    .push(Issue::new(&rules::CARDINALITY, pointer, message).mend("Remove the element."));
            }
            ValidationErrorKind::Custom { keyword, .. } => {
                let keyword = keyword.clone();
                self.own_keyword(&keyword, &place, pointer, instance);
            }
            other => {
                let message = format!("{} breaks R4 (JSON Schema `{}`).", place.label(), other.keyword());
                self.issues.push(Issue::new(&rules::TYPE, pointer, message));
            }
        }
    }

    fn own_keyword(&mut self, keyword: &str, place: &Place<'static>, pointer: String, instance: &Value) {
        match keyword {
            keywords::PRIMITIVE => self.broken_primitive(place, pointer, instance),
            keywords::OBJECT => {
                if let (Some(definition), Some(object)) = (place.definition, instance.as_object()) {
                    for fault in ObjectRules::of(self.tables, definition).faults(object) {
                        self.broken_object(definition, &pointer, object, fault);
                    }
                }
            }
            keywords::TARGETS => self.wrong_target(place, &pointer, instance),
            keywords::BINDING => self.unlisted_concept(place, pointer),
            keywords::TYPE => {
                let Some(definition) = place.definition else { return };
                match self.compiled.validator(&definition.name) {
                    Ok(validator) => {
                        for error in validator.iter_errors(instance) {
                            self.explain(place, &pointer, &error);
                        }
                    }
                    Err(unusable) => {
                        let message = format!("Not checked: {unusable}.");
                        self.issues.push(Issue::new(&rules::TYPE, pointer, message));
                    }
                }
            }
            _ => {
                let message = format!("{} breaks R4 (`{keyword}`).", place.label());
                self.issues.push(Issue::new(&rules::TYPE, pointer, message));
            }
        }
    }

    fn unknown_property(&mut self, place: &Place<'_>, pointer: &str, name: &str) {
        let Some(owner) = place.definition else { return };
        let (message, mend) = self.unknown_property_texts(owner, place.companion, name);
        let mut issue = Issue::new(&rules::UNKNOWN_PROPERTY, push_pointer(pointer, name), message);
        if let Some(mend) = mend {
            issue = issue.mend(mend);
        }
        self.issues.push(issue);
    }

    fn unknown_property_texts(
        &self,
        owner: &TypeDefinition,
        companion: bool,
        name: &str,
    ) -> (String, Option<String>) {
        let owner_name = &owner.name;
        if companion {
            let message = "The companion of a primitive takes only `id` and `extension`.".to_owned();
            return (message, Some("Move this into an extension, or remove it.".to_owned()));
        }
        if name == "resourceType" {
            let message = format!("{owner_name} is no resource and has no `resourceType`.");
            return (message, Some("Remove the property.".to_owned()));
        }
        if name == "fhir_comments" {
            let message = "Comments are not part of R4's JSON.".to_owned();
            return (message, Some("Remove the property.".to_owned()));
        }
        if let Some(property) = name.strip_prefix('_').and_then(|bare| owner.property(bare)) {
            let message = format!(
                "Only primitives have a companion `_name`; {owner_name}.{} is {}.",
                property.element.name,
                if property.type_use.plain { "a bare value" } else { schema::schema_type(property.type_use) }
            );
            return (message, Some("Put `id` and `extension` inside the element itself.".to_owned()));
        }
        if let Some(choice) = choice_of(owner, name) {
            let forms: Vec<String> = choice.types.iter().map(|form| choice.property_name(form)).collect();
            let near = nearest(name, forms.iter().map(String::as_str));
            let message = if name.strip_prefix('_').unwrap_or(name)
                == choice.choice_stem().unwrap_or_default()
            {
                format!(
                    "{owner_name}.{} is a choice of types: the property name ends in the type. It takes {}.",
                    choice.name,
                    listed(forms.iter().map(String::as_str))
                )
            } else {
                format!(
                    "{owner_name}.{} does not take this type. It takes {}.",
                    choice.name,
                    listed(forms.iter().map(String::as_str))
                )
            };
            let mend = near.map_or_else(
                || "Use one of the properties named.".to_owned(),
                |near| format!("Use `{near}`, if that is the type meant."),
            );
            return (message, Some(mend));
        }
        let message = format!("R4 does not define this property in {owner_name}.");
        let mend = nearest(name, owner.property_names()).map(|near| format!("Did you mean `{near}`?"));
        (message, mend)
    }

    fn missing(&mut self, owner: &TypeDefinition, element: &Element, pointer: &str) {
        let name = element.choice_stem().unwrap_or(element.name);
        let message = format!("{}.{} ({}) is missing.", owner.name, element.name, element.cardinality());
        let forms: Vec<String> = element.types.iter().map(|form| element.property_name(form)).collect();
        let mut issue = Issue::new(&rules::REQUIRED, push_pointer(pointer, name), message);
        let primitive = element
            .types
            .first()
            .is_some_and(|form| !form.plain && self.tables.primitive_form(&form.code).is_some());
        if !primitive || element.choice_stem().is_some() {
            issue = issue.mend(format!("Add {}.", listed(forms.iter().map(String::as_str))));
        }
        self.issues.push(issue);
    }

    fn wrong_form(&mut self, place: &Place<'_>, pointer: String, instance: &Value) {
        let label = place.label();
        let element = place.element;
        let repeats = element.is_some_and(Element::repeats);
        let cardinality = element.map(Element::cardinality).unwrap_or_default();
        let (message, mend) = if instance.is_null() {
            (
                format!("{label} is null. R4 allows null only inside arrays of primitives, as padding."),
                "Leave the property out.".to_owned(),
            )
        } else if repeats && !place.item {
            let message =
                format!("{label} has the cardinality {cardinality}: its JSON is an array, even of one.");
            (message, "Put the value into an array: [ ... ].".to_owned())
        } else if instance.is_array() {
            let message = format!("{label} has the cardinality {cardinality}: its JSON is never an array.");
            (message, "Take the value out of the array.".to_owned())
        } else {
            let form = self.json_form(place);
            let name = place.type_name();
            let found = match instance {
                Value::Null => "null",
                Value::Bool(_) => "a boolean",
                Value::Number(_) => "a number",
                Value::String(_) => "a string",
                Value::Array(_) => "an array",
                Value::Object(_) => "an object",
            };
            (format!("{label} is of type {name}: its JSON is {form}, not {found}."), format!("Write {form}."))
        };
        self.issues.push(Issue::new(&rules::TYPE, pointer, message).mend(mend).value(instance));
    }

    fn json_form(&self, place: &Place<'_>) -> &'static str {
        let primitive = place.type_use.filter(|_| !place.companion);
        match primitive.and_then(|type_use| self.tables.primitive_form(&type_use.code)) {
            Some(JsonForm::Boolean) => "true or false, without quotes",
            Some(JsonForm::Number) => "a number, without quotes",
            Some(JsonForm::String) => "a string",
            None => "an object",
        }
    }

    fn broken_primitive(&mut self, place: &Place<'_>, pointer: String, instance: &Value) {
        let primitive = place.type_use.and_then(|type_use| Primitive::from_name(&type_use.code));
        let Some((primitive, Err(fault))) = primitive.map(|primitive| (primitive, primitive.check(instance)))
        else {
            return;
        };
        let name = place.type_name();
        let message = format!("{} {} (type {name}: {}).", place.label(), fault.text(), primitive.form());
        let mend = match fault {
            primitive::Fault::Empty | primitive::Fault::Blank => {
                "Leave the property out, or give it its content."
            }
            primitive::Fault::NoZone => "Add the zone: `Z`, or an offset such as `+01:00`.",
            primitive::Fault::NoSuchDay => "Correct the date.",
            primitive::Fault::TooLong
            | primitive::Fault::ControlCharacter
            | primitive::Fault::OutOfRange
            | primitive::Fault::Form => rules::PRIMITIVE.mend,
            primitive::Fault::HiddenText => {
                let message = format!("{} {}.", place.label(), fault.text());
                self.issues.push(Issue::new(&rules::HIDDEN_TEXT, pointer, message).value(instance));
                return;
            }
        };
        self.issues.push(Issue::new(&rules::PRIMITIVE, pointer, message).mend(mend).value(instance));
    }

    fn broken_object(
        &mut self,
        owner: &TypeDefinition,
        pointer: &str,
        object: &Map<String, Value>,
        fault: object::Fault,
    ) {
        match fault {
            object::Fault::Missing(number) => {
                if let Some(element) = owner.elements.get(number) {
                    self.missing(owner, element, pointer);
                }
            }
            object::Fault::SecondForm { element, property, first } => {
                let name = owner.elements.get(element).map_or("", |element| element.name);
                let message = format!("{}.{name} already stands here as `{first}`.", owner.name);
                self.issues.push(Issue::new(&rules::CHOICE, push_pointer(pointer, &property), message));
            }
            object::Fault::UnequalLength { property } => {
                let message =
                    format!("{}.{property} and the array it belongs to differ in length.", owner.name);
                let issue = Issue::new(&rules::PRIMITIVE, push_pointer(pointer, &property), message)
                    .mend("Pad the shorter array with null, so that items stand beside their companions.");
                self.issues.push(issue);
            }
            object::Fault::Hollow { property } => {
                let message = format!("{}.{property} holds nothing but null.", owner.name);
                let issue = Issue::new(&rules::CARDINALITY, push_pointer(pointer, &property), message)
                    .mend(format!("Leave `{property}` out: no value has an id or an extension."));
                self.issues.push(issue);
            }
            object::Fault::LoneNull { property, index } => {
                // The schema has said so already where the array holds nothing but this.
                if object.get(&property).is_none_or(|value| !value.is_array()) {
                    return;
                }
                let message = format!("{}.{property} holds a null with nothing beside it.", owner.name);
                let place = push_pointer(&push_pointer(pointer, &property), &index.to_string());
                let issue = Issue::new(&rules::PRIMITIVE, place, message)
                    .mend("Remove the null from both arrays, or give it a value or a companion.");
                self.issues.push(issue);
            }
        }
    }

    fn value_set(&self, place: &Place<'_>) -> Option<&'static ValueSet> {
        self.tables.value_set(place.element?.required_binding?)
    }

    fn unlisted_code(&mut self, place: &Place<'_>, pointer: String, instance: &Value) {
        // Another JSON form is reported as such.
        let (Some(code), Some(value_set)) = (instance.as_str(), self.value_set(place)) else { return };
        if code.trim_ascii().is_empty() {
            self.broken_primitive(place, pointer, instance);
            return;
        }
        let message = format!(
            "{} must be a code of the value set {} (required binding, {}): {}.",
            place.label(),
            value_set.name,
            value_set.url,
            listed(value_set.all_codes())
        );
        let mut issue = Issue::new(&rules::CODE, pointer, message).value(instance);
        if let Some(near) = nearest(code.trim_ascii(), value_set.all_codes()) {
            issue = issue.mend(format!("Did you mean `{near}`?"));
        }
        self.issues.push(issue);
    }

    fn unlisted_concept(&mut self, place: &Place<'_>, pointer: String) {
        let Some(value_set) = self.value_set(place) else { return };
        let systems = value_set
            .codes
            .iter()
            .flatten()
            .map(|(system, codes)| format!("{} of {system}", listed(codes.iter().copied())));
        let systems: Vec<String> = systems.collect();
        let message = format!(
            "{} must have a coding from the value set {} (required binding, {}): {}.",
            place.label(),
            value_set.name,
            value_set.url,
            systems.join("; ")
        );
        let issue = Issue::new(&rules::CODE, pointer, message)
            .mend("Add a coding with `system` and `code` from the value set.");
        self.issues.push(issue);
    }

    fn wrong_target(&mut self, place: &Place<'_>, pointer: &str, instance: &Value) {
        let (Some(type_use), Some(object)) = (place.type_use, instance.as_object()) else { return };
        let Some(fault) = reference::check(self.tables, &type_use.targets, object) else { return };
        let property = match fault {
            reference::Fault::Reference => "reference",
            reference::Fault::Type | reference::Fault::Disagreement => "type",
        };
        let message = match fault {
            reference::Fault::Reference | reference::Fault::Type => {
                reference::message(&place.label(), &type_use.targets)
            }
            reference::Fault::Disagreement => {
                format!("{}: `type` and `reference` name different resource types.", place.label())
            }
        };
        let mut issue = Issue::new(&rules::REFERENCE_TARGET, push_pointer(pointer, property), message);
        if let Some(value) = object.get(property) {
            issue = issue.value(value);
        }
        self.issues.push(issue);
    }
}

/// The choice that a property name seems to belong to: `value[x]` for `value` and `valueSomething`.
fn choice_of<'t>(owner: &'t TypeDefinition, name: &str) -> Option<&'t Element> {
    let bare = name.strip_prefix('_').unwrap_or(name);
    owner.elements.iter().find(|element| {
        let rest = element.choice_stem().and_then(|stem| bare.strip_prefix(stem));
        rest.is_some_and(|rest| rest.is_empty() || rest.starts_with(|first: char| first.is_ascii_uppercase()))
    })
}

/// A list for people, cut where it would be too long to read.
pub(super) fn listed<'n>(names: impl Iterator<Item = &'n str>) -> String {
    let names: Vec<&str> = names.collect();
    let shown: Vec<String> = names.iter().take(LISTED).map(|name| format!("`{name}`")).collect();
    let more = names.len().saturating_sub(LISTED);
    if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
}
