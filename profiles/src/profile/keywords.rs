//! The JSON Schema keywords that FHIR needs beyond the standard ones.
//!
//! A keyword only says yes or no at its own node. What exactly is wrong there, and the words for it, are worked out
//! once there is something to say, so a valid document pays for neither.

use std::sync::Arc;

use jsonschema::{Keyword, ValidationError, ValidationOptions};
use serde_json::Value;

use super::coded::{self, BoundSets, Verdict};
use super::compile::Compiled;
use crate::json::{member, text};
use crate::terminology::Terminology;

/// One of the named properties is there: `["status", "_status"]`.
pub(super) const PRESENT: &str = "fhirPresent";
/// The coded value is in the value set with this address.
pub(super) const BINDING: &str = "fhirBinding";
/// The value holds what the pattern holds.
pub(super) const PATTERN: &str = "fhirPattern";
/// The value equals this one.
pub(super) const FIXED: &str = "fhirFixed";
/// The reference evidently points at one of these resource types.
pub(super) const TARGET: &str = "fhirTarget";

/// What the keywords look things up in.
#[derive(Debug, Clone)]
pub(super) struct Lookup {
    pub(super) terminology: Arc<Terminology>,
    pub(super) sets: Arc<BoundSets>,
}

/// A keyword as a predicate.
struct Test<F>(F);

impl<'i, F: Fn(&Value) -> bool + Send + Sync> Keyword<'i> for Test<F> {
    fn validate(&self, instance: &'i Value) -> Result<(), ValidationError<'i>> {
        if (self.0)(instance) { Ok(()) } else { Err(ValidationError::custom("does not hold")) }
    }

    fn is_valid(&self, instance: &'i Value) -> bool {
        (self.0)(instance)
    }
}

type Boxed = Box<dyn for<'i> Keyword<'i>>;

/// Whether a value is of a kind that `fhirBinding` judges; base R4 refuses the others.
fn is_coded(value: &Value) -> bool {
    value.is_object() || value.is_string()
}

/// The options with all keywords of this project, for a compiled profile.
pub(super) fn options(lookup: &Lookup, compiled: &Compiled) -> ValidationOptions<'static> {
    let (for_binding, for_pattern) = (lookup.clone(), Arc::clone(&lookup.terminology));
    // The meta-schema of the newest draft takes several times as long to compile at start.
    let draft =
        if compiled.counts { jsonschema::draft202012::options() } else { jsonschema::draft7::options() };
    draft
        .offline()
        .with_keyword(PRESENT, |_, wanted, _| {
            let names = strings(wanted);
            Ok(Box::new(Test(move |value: &Value| {
                value.as_object().is_none_or(|object| names.iter().any(|name| member(object, name).is_some()))
            })) as Boxed)
        })
        .with_keyword(BINDING, move |_, wanted, _| {
            let set = wanted.as_str().and_then(|url| for_binding.sets.get(url));
            let set = set.ok_or_else(|| ValidationError::custom("the value set is not loaded"))?;
            let terminology = Arc::clone(&for_binding.terminology);
            Ok(Box::new(Test(move |value: &Value| {
                !is_coded(value) || coded::judge(&terminology, &set, value) == Verdict::Member
            })) as Boxed)
        })
        .with_keyword(PATTERN, move |_, wanted, _| {
            let (wanted, terminology) = (wanted.clone(), Arc::clone(&for_pattern));
            Ok(Box::new(Test(move |value: &Value| coded::matches(&terminology, &wanted, value))) as Boxed)
        })
        .with_keyword(FIXED, |_, wanted, _| {
            let wanted = wanted.clone();
            Ok(Box::new(Test(move |value: &Value| *value == wanted)) as Boxed)
        })
        .with_keyword(TARGET, |_, wanted, _| {
            let types = strings(wanted);
            Ok(Box::new(Test(move |value: &Value| match reference_type(value) {
                ReferenceType::Named(name) => types.iter().any(|known| known == name),
                ReferenceType::Open => true,
                ReferenceType::Elsewhere => false,
            })) as Boxed)
        })
}

fn strings(value: &Value) -> Vec<String> {
    value.as_array().into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
}

/// What a Reference itself tells of the type it points at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ReferenceType<'v> {
    /// The type by name.
    Named(&'v str),
    /// Nothing, and nothing else will: a logical reference without `type`.
    Open,
    /// The type is that of another part of the document: `urn:uuid:...` or `#id`.
    Elsewhere,
}

/// Reads the type out of `Type/id`, an absolute address that ends so, or `type`.
pub(super) fn reference_type(value: &Value) -> ReferenceType<'_> {
    let stated = text(value, "type");
    let stated = stated.map_or(ReferenceType::Open, ReferenceType::Named);
    let Some(reference) = text(value, "reference") else { return stated };
    if reference.starts_with('#') || reference.starts_with("urn:") {
        return ReferenceType::Elsewhere;
    }
    let path = reference.split("/_history/").next().unwrap_or(reference);
    let mut parts = path.rsplit('/');
    match (parts.next(), parts.next()) {
        (Some(_), Some(kind)) if kind.starts_with(|letter: char| letter.is_ascii_uppercase()) => {
            ReferenceType::Named(kind)
        }
        _ => stated,
    }
}
