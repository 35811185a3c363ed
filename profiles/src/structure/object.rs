//! What an object owes across its properties, which JSON Schema cannot say well: required primitives that a
//! companion may satisfy, choices of type, and the pairing of primitives with their companions.

use ahash::AHashMap;
use serde_json::{Map, Value};

use crate::definitions::{BaseTables, TypeDefinition};
use crate::json::member;

/// A breach inside one object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Fault {
    /// An element with a minimum of 1 is missing; its number in the type.
    Missing(usize),
    /// A second form of a choice stands at this property.
    SecondForm {
        /// Number of the element in the type.
        element: usize,
        /// The JSON property in excess.
        property: String,
        /// The JSON property that stood first.
        first: String,
    },
    /// The arrays `name` and `_name` differ in length.
    UnequalLength {
        /// The companion.
        property: String,
    },
    /// A companion array of nothing but `null`.
    Hollow {
        /// The companion.
        property: String,
    },
    /// A `null` with nothing in the other array at its place.
    LoneNull {
        /// The property that holds it.
        property: String,
        /// Its place in the array.
        index: usize,
    },
}

#[derive(Debug)]
struct Choice {
    element: usize,
    required: bool,
}

/// The rules of one type, ready to be held against its objects.
#[derive(Debug)]
pub(super) struct ObjectRules {
    /// Required primitives: number of the element, property, companion.
    required: Vec<(usize, String, String)>,
    /// Repeating primitives: property, companion.
    repeating: Vec<(String, String)>,
    choices: Vec<Choice>,
    /// JSON property to its place in `choices`.
    forms: AHashMap<String, usize>,
}

impl ObjectRules {
    pub(super) fn of(tables: &BaseTables, definition: &TypeDefinition) -> ObjectRules {
        let mut rules = ObjectRules {
            required: Vec::new(),
            repeating: Vec::new(),
            choices: Vec::new(),
            forms: AHashMap::new(),
        };
        for (number, element) in definition.elements.iter().enumerate() {
            if element.choice_stem().is_some() {
                let place = rules.choices.len();
                rules.choices.push(Choice { element: number, required: element.min > 0 });
                rules.forms.extend(element.types.iter().map(|form| (element.property_name(form), place)));
                continue;
            }
            let has_companion = element
                .types
                .first()
                .is_some_and(|form| !form.plain && tables.primitive_form(&form.code).is_some());
            if has_companion {
                let (property, companion) = (element.name.to_owned(), format!("_{}", element.name));
                if element.min > 0 {
                    rules.required.push((number, property.clone(), companion.clone()));
                }
                if element.repeats() {
                    rules.repeating.push((property, companion));
                }
            }
        }
        rules
    }

    /// Whether there is nothing to check.
    pub(super) fn is_empty(&self) -> bool {
        self.required.is_empty() && self.repeating.is_empty() && self.choices.is_empty()
    }

    pub(super) fn faults(&self, object: &Map<String, Value>) -> Vec<Fault> {
        let mut faults = Vec::new();
        for (element, property, companion) in &self.required {
            if member(object, property).is_none() && member(object, companion).is_none() {
                faults.push(Fault::Missing(*element));
            }
        }
        for (property, companion) in &self.repeating {
            pair(property, companion, object, &mut faults);
        }
        if !self.choices.is_empty() {
            self.choices_made(object, &mut faults);
        }
        faults
    }

    fn choices_made(&self, object: &Map<String, Value>, faults: &mut Vec<Fault>) {
        let mut made: Vec<Option<&str>> = vec![None; self.choices.len()];
        for property in object.keys() {
            let form = property.strip_prefix('_').unwrap_or(property);
            let Some(&place) = self.forms.get(form) else { continue };
            let (Some(first), Some(choice)) = (made.get_mut(place), self.choices.get(place)) else {
                continue;
            };
            match first {
                None => *first = Some(form),
                Some(first) if *first == form => {}
                Some(first) => faults.push(Fault::SecondForm {
                    element: choice.element,
                    property: property.clone(),
                    first: (*first).to_owned(),
                }),
            }
        }
        for (choice, made) in self.choices.iter().zip(made) {
            if choice.required && made.is_none() {
                faults.push(Fault::Missing(choice.element));
            }
        }
    }
}

fn pair(property: &str, companion: &str, object: &Map<String, Value>, faults: &mut Vec<Fault>) {
    let array = |name: &str| member(object, name).and_then(Value::as_array).map(Vec::as_slice);
    let mut lone_null = |name: &str, index: usize| {
        faults.push(Fault::LoneNull { property: name.to_owned(), index });
    };
    match (array(property), array(companion)) {
        (None, None) => {}
        (Some(values), Some(companions)) => {
            for (index, (value, beside)) in values.iter().zip(companions).enumerate() {
                if value.is_null() && beside.is_null() {
                    lone_null(property, index);
                }
            }
            let hollow = !companions.is_empty() && companions.iter().all(Value::is_null);
            if hollow && values.iter().any(|value| !value.is_null()) {
                faults.push(Fault::Hollow { property: companion.to_owned() });
            }
            if values.len() != companions.len() {
                faults.push(Fault::UnequalLength { property: companion.to_owned() });
            }
        }
        (Some(alone), None) => {
            alone
                .iter()
                .enumerate()
                .filter(|(_, value)| value.is_null())
                .for_each(|(index, _)| lone_null(property, index));
        }
        (None, Some(alone)) => {
            alone
                .iter()
                .enumerate()
                .filter(|(_, value)| value.is_null())
                .for_each(|(index, _)| lone_null(companion, index));
        }
    }
}
