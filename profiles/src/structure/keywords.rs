//! Keywords of our own in the schemas, for what JSON Schema has no word for.
//!
//! A keyword only finds out that something is wrong; the explanation is made afterwards from the same functions, with
//! exact places, because the schema engine reports at the node of the keyword alone.

use std::sync::{Arc, OnceLock, Weak};

use jsonschema::{Keyword, ValidationError, Validator};
use serde_json::{Map, Value};

use super::compiled::Compiled;
use super::object::ObjectRules;
use super::primitive::Primitive;
use super::reference;
use crate::definitions::{BaseTables, ValueSet};
use crate::json::{member, text};

/// Value: name of a primitive type.
pub(super) const PRIMITIVE: &str = "fhirPrimitive";
/// Value: name of a type or path of a group, whose [`ObjectRules`] hold.
pub(super) const OBJECT: &str = "fhirObject";
/// Value: resource types that a Reference may point at; empty for all.
pub(super) const TARGETS: &str = "fhirTargets";
/// Value: canonical URL of the value set that a CodeableConcept must have a coding from.
pub(super) const BINDING: &str = "fhirBinding";
/// Value: name of a type with a schema of its own.
pub(super) const TYPE: &str = "fhirType";

struct PrimitiveKeyword(Primitive);
struct ObjectKeyword(Arc<ObjectRules>);
struct TargetsKeyword(&'static BaseTables, Vec<&'static str>);
struct BindingKeyword(&'static ValueSet);
/// Finds its validator at the first value. Both are held weakly: types contain one another, and the cache owns them all.
struct TypeKeyword {
    compiled: Weak<Compiled>,
    type_name: String,
    validator: OnceLock<Weak<Validator>>,
}

impl TypeKeyword {
    fn validator(&self) -> Option<Arc<Validator>> {
        if let Some(known) = self.validator.get() {
            return known.upgrade();
        }
        // The owner of the cache outlives every check that runs in it.
        let found = self.compiled.upgrade()?.validator(&self.type_name).ok()?;
        self.validator.get_or_init(|| Arc::downgrade(&found));
        Some(found)
    }
}

macro_rules! keyword {
    ($keyword:ty, $self:ident, $instance:ident, $valid:expr) => {
        impl<'i> Keyword<'i> for $keyword {
            fn validate(&self, instance: &'i Value) -> Result<(), ValidationError<'i>> {
                // The text never reaches anybody: the issue is worded from the tables.
                if self.is_valid(instance) { Ok(()) } else { Err(ValidationError::custom("not valid")) }
            }

            fn is_valid(&$self, $instance: &'i Value) -> bool {
                $valid
            }
        }
    };
}

keyword!(PrimitiveKeyword, self, instance, self.0.check(instance).is_ok());
keyword!(
    ObjectKeyword,
    self,
    instance,
    instance.as_object().is_none_or(|object| self.0.faults(object).is_empty())
);
keyword!(
    TargetsKeyword,
    self,
    instance,
    instance.as_object().is_none_or(|object| reference::check(self.0, &self.1, object).is_none())
);
keyword!(BindingKeyword, self, instance, has_coding_from(self.0, instance));
keyword!(
    TypeKeyword,
    self,
    instance,
    !instance.is_object() || self.validator().is_some_and(|validator| validator.is_valid(instance))
);

/// Whether a CodeableConcept has a coding from a value set. Anything else is judged elsewhere.
fn has_coding_from(value_set: &ValueSet, concept: &Value) -> bool {
    let Some(concept) = concept.as_object() else { return true };
    let Some(codings) = member(concept, "coding").and_then(Value::as_array) else { return false };
    codings.iter().any(|coding| match (text(coding, "system"), text(coding, "code")) {
        (Some(system), Some(code)) => value_set.contains(system, code).unwrap_or(true),
        _ => false,
    })
}

type Made<'a> = Result<Box<dyn for<'i> Keyword<'i>>, ValidationError<'a>>;

fn unusable<'a>(keyword: &str) -> ValidationError<'a> {
    ValidationError::custom(format!("the value of {keyword} names nothing known"))
}

/// Options with all keywords of this module, for one cache of schemas.
pub(super) fn options(
    compiled: &Weak<Compiled>,
    tables: &'static BaseTables,
) -> jsonschema::ValidationOptions<'static> {
    let owner = compiled.clone();
    // It has all that is needed here, and its meta-schema is one document: the newest has eight to compile at start.
    jsonschema::draft7::options()
        .offline()
        .with_keyword(PRIMITIVE, |_: &Map<String, Value>, value: &Value, _| -> Made<'_> {
            let primitive = value.as_str().and_then(Primitive::from_name);
            Ok(Box::new(PrimitiveKeyword(primitive.ok_or_else(|| unusable(PRIMITIVE))?)))
        })
        .with_keyword(OBJECT, move |_: &Map<String, Value>, value: &Value, _| -> Made<'_> {
            let definition = value.as_str().and_then(|name| tables.type_definition(name));
            let definition = definition.ok_or_else(|| unusable(OBJECT))?;
            Ok(Box::new(ObjectKeyword(Arc::new(ObjectRules::of(tables, definition)))))
        })
        .with_keyword(TARGETS, move |_: &Map<String, Value>, value: &Value, _| -> Made<'_> {
            let names = value.as_array().ok_or_else(|| unusable(TARGETS))?.iter().filter_map(Value::as_str);
            let known = |name: &str| tables.resource_types().iter().copied().find(|known| *known == name);
            Ok(Box::new(TargetsKeyword(tables, names.filter_map(known).collect())))
        })
        .with_keyword(BINDING, move |_: &Map<String, Value>, value: &Value, _| -> Made<'_> {
            let value_set = value.as_str().and_then(|url| tables.value_set(url));
            Ok(Box::new(BindingKeyword(value_set.ok_or_else(|| unusable(BINDING))?)))
        })
        .with_keyword(TYPE, move |_: &Map<String, Value>, value: &Value, _| -> Made<'_> {
            let name = value.as_str().ok_or_else(|| unusable(TYPE))?;
            let (compiled, type_name) = (owner.clone(), name.to_owned());
            Ok(Box::new(TypeKeyword { compiled, type_name, validator: OnceLock::new() }))
        })
}
