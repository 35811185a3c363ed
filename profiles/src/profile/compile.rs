//! From the differential of one profile to a JSON Schema, and a note for each rule in it.
//!
//! Every rule becomes one small schema in an `allOf` of its node, so the place of a rule in the schema names it, and
//! an error of the schema leads back to the element and the words of the profile. Only keywords of a closed set are
//! written: standard ones for presence, number and slices, those of [`super::keywords`] for what is FHIR's own.
//!
//! A differential says only what it adds. The rules of the profile it is based on, and those of R4, are checked by
//! their own schemas.

use std::collections::HashMap;
use std::sync::Arc;

use serde_json::{Value, json};

use super::coded::{BoundSet, BoundSets};
use super::definition::{Definition, Node, steps};
use super::keywords::{BINDING, FIXED, PATTERN, PRESENT, TARGET};
use crate::definitions::{BaseTables, Element, TypeKind, TypeUse};
use crate::json;
use crate::load_error::LoadError;

const R4_TYPE: &str = "http://hl7.org/fhir/StructureDefinition/";
const CODED: &[&str] = &["code", "string", "uri", "Coding", "CodeableConcept", "Quantity"];

/// What a rule of the schema asks for.
#[derive(Debug, Clone)]
pub(super) enum Check {
    /// The element with this name is there.
    Required(String),
    /// The element is not there.
    Forbidden,
    /// It stands at least so often.
    AtLeast(u64),
    /// It stands at most so often.
    AtMost(u64),
    /// It is of one of these types.
    Types(Vec<String>),
    /// It equals this value.
    Fixed(Value),
    /// It holds what this value holds.
    Pattern(Value),
    /// It is in this value set.
    Binding { set: Arc<BoundSet>, extensible: bool },
    /// It points at one of these resource types.
    Targets(Vec<String>),
    /// This many of its items belong to the slice.
    Slice { name: String, least: u64, most: Option<u64> },
    /// Each of its items belongs to one of these slices.
    Closed(Vec<String>),
}

/// A rule of the schema and the element it is about.
#[derive(Debug, Clone)]
pub(super) struct Rule {
    /// The element id, such as `Observation.component.value[x]`.
    pub(super) element: String,
    pub(super) check: Check,
}

/// A compiled profile.
#[derive(Debug)]
pub(super) struct Compiled {
    pub(super) schema: Value,
    /// The rules by their place in the schema, a JSON pointer.
    pub(super) rules: HashMap<String, Rule>,
    /// Whether a rule counts what an array contains, for which older drafts have no word.
    pub(super) counts: bool,
}

/// The rules of one schema node.
pub(super) struct Rules {
    at: String,
    list: Vec<Value>,
}

impl Rules {
    pub(super) fn new(at: String) -> Rules {
        Rules { at, list: Vec::new() }
    }

    /// Where the next rule will stand.
    pub(super) fn next(&self) -> String {
        format!("{}/allOf/{}", self.at, self.list.len())
    }

    pub(super) fn push(&mut self, rule: Value) {
        self.list.push(rule);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    pub(super) fn into_schema(self) -> Value {
        if self.list.is_empty() { json!({}) } else { json::object([("allOf", Value::Array(self.list))]) }
    }
}

/// A schema of one property.
pub(super) fn of_property(name: &str, schema: Value) -> Value {
    json::object([("properties", json::object([(name, schema)]))])
}

/// The compiler of one profile.
pub(super) struct Compiler<'c> {
    pub(super) base: &'static BaseTables,
    pub(super) sets: &'c BoundSets,
    /// The profile, then the one it is based on, and so on.
    pub(super) chain: &'c [&'c Definition],
    pub(super) definition: &'c Definition,
    pub(super) rules: HashMap<String, Rule>,
    /// Whether a rule counts what an array contains.
    pub(super) counts: bool,
}

impl Compiler<'_> {
    pub(super) fn compile(mut self) -> Result<Compiled, LoadError> {
        let definition = self.definition;
        let kind = definition.resource_type.as_str();
        if !self.base.is_resource_type(kind) {
            return Err(definition.error(format!("`type` {kind} is no resource type of R4; correct it.")));
        }
        let mut rules = Rules::new(String::new());
        self.children(&mut rules, &definition.root, kind, kind)?;
        Ok(Compiled { schema: rules.into_schema(), rules: self.rules, counts: self.counts })
    }

    pub(super) fn note(&mut self, rules: &mut Rules, element: &str, check: Check, rule: Value) {
        self.rules.insert(rules.next(), Rule { element: element.to_owned(), check });
        rules.push(rule);
    }

    /// The rules about the elements below a node of type `kind`.
    pub(super) fn children(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        kind: &str,
        id: &str,
    ) -> Result<(), LoadError> {
        for child in &node.children {
            let id = match &child.slice {
                Some(slice) => format!("{id}.{}:{slice}", child.name),
                None => format!("{id}.{}", child.name),
            };
            let base = self.base;
            let element = base.element(kind, &child.name);
            // R4 also lets a choice be named by one of its types, as in JSON.
            let by_type =
                base.property(kind, &child.name).filter(|found| found.element.choice_stem().is_some());
            match (element, by_type, &child.slice) {
                (Some(element), _, None) if !is_bare_choice(element, &child.name) => {
                    self.element(rules, child, element, &id)?;
                }
                (Some(element), _, Some(_)) if element.choice_stem().is_some() => {
                    let type_use = self.sliced_type(child, element, &id)?;
                    self.typed_choice(rules, child, element, type_use, &id)?;
                }
                (Some(element), _, Some(_)) if element.repeats() => {
                    self.slice(rules, node, child, element, &id)?
                }
                (Some(_), _, Some(_)) => {
                    return Err(self
                        .definition
                        .error(format!("{id}: an element that stands once has no slices.")));
                }
                (_, Some(found), None) => {
                    self.typed_choice(rules, child, found.element, found.type_use, &id)?
                }
                _ => {
                    return Err(self
                        .definition
                        .error(format!("{id} is no element of R4; correct the path.")));
                }
            }
        }
        Ok(())
    }

    /// The rules about an element that is not a slice.
    fn element(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        element: &'static Element,
        id: &str,
    ) -> Result<(), LoadError> {
        let allowed = self.allowed_types(node, element, id)?;
        self.cardinality(rules, node, element, &allowed, id)?;
        if node.rules.get("max").and_then(Value::as_str) == Some("0") {
            return Ok(());
        }
        if element.choice_stem().is_some() {
            let names: Vec<String> = allowed.iter().map(|type_use| type_use.code.to_string()).collect();
            // Types that a profile it is based on leaves out are that profile's to refuse.
            let own = node.rules.contains_key("type");
            for other in element.types.iter().filter(|other| own && !allowed.contains(other)) {
                for property in names_of(self.base, element, other) {
                    let rule = of_property(&property, Value::Bool(false));
                    self.note(rules, id, Check::Types(names.clone()), rule);
                }
            }
            let one_type = allowed.len() == 1;
            let typed = node.choice("fixed").is_some() || node.choice("pattern").is_some();
            let has_children = !node.children.is_empty();
            if !one_type && (typed || has_children) {
                return Err(self.definition.error(format!(
                    "{id}: a fixed value, a pattern or elements below a choice need one `type`; slice it by type."
                )));
            }
        }
        for type_use in allowed {
            self.property(rules, node, element, type_use, id)?;
        }
        if node.rules.contains_key("slicing") {
            self.closed(rules, node, element, id)?;
        }
        Ok(())
    }

    /// The rules about one type of a choice.
    fn typed_choice(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        element: &'static Element,
        type_use: &'static TypeUse,
        id: &str,
    ) -> Result<(), LoadError> {
        self.allowed_types(node, element, id)?;
        self.cardinality(rules, node, element, &[type_use], id)?;
        if node.rules.get("max").and_then(Value::as_str) == Some("0") {
            return Ok(());
        }
        self.property(rules, node, element, type_use, id)
    }

    /// The type that a slice of a choice is about.
    fn sliced_type(
        &self,
        node: &Node,
        element: &'static Element,
        id: &str,
    ) -> Result<&'static TypeUse, LoadError> {
        let by_type =
            node.rules.get("type").and_then(Value::as_array).and_then(|types| match types.as_slice() {
                [only] => only.get("code").and_then(Value::as_str),
                _ => None,
            });
        let slice = node.slice.as_deref().unwrap_or_default();
        element
            .types
            .iter()
            .find(|type_use| match by_type {
                Some(code) => type_use.code == code,
                None => element.property_name(type_use) == slice,
            })
            .ok_or_else(|| {
                self.definition
                    .error(format!("{id}: a slice of a choice needs one `type` of the choice; add it."))
            })
    }

    /// The types that remain of those of R4, and a refusal of what cannot be checked about them.
    fn allowed_types(
        &self,
        node: &Node,
        element: &'static Element,
        id: &str,
    ) -> Result<Vec<&'static TypeUse>, LoadError> {
        let Some(types) =
            node.rules.get("type").or_else(|| self.inherited_types(id)).and_then(Value::as_array)
        else {
            return Ok(element.types.iter().collect());
        };
        let mut allowed = Vec::new();
        for entry in types {
            for key in entry.as_object().into_iter().flat_map(|entry| entry.keys()) {
                if key != "code" && key != "targetProfile" {
                    return Err(self
                        .definition
                        .error(format!("{id}: `type.{key}` cannot be enforced here; remove it.")));
                }
            }
            let code = entry.get("code").and_then(Value::as_str).unwrap_or_default();
            let group = |type_use: &TypeUse| {
                matches!(code, "BackboneElement" | "Element")
                    && self
                        .base
                        .type_definition(&type_use.code)
                        .is_some_and(|known| known.kind == TypeKind::Group)
            };
            let found = element.types.iter().find(|type_use| type_use.code == code || group(type_use));
            allowed.push(found.ok_or_else(|| {
                self.definition.error(format!("{id}: R4 has no type `{code}` here; correct it."))
            })?);
        }
        Ok(allowed)
    }

    /// The types of an element in the profiles that this one is based on, the nearest first.
    fn inherited_types(&self, id: &str) -> Option<&Value> {
        let steps = steps(id)?;
        let below = steps.get(1..)?;
        self.chain.iter().skip(1).find_map(|definition| definition.root.descend(below)?.rules.get("type"))
    }

    /// Least and greatest number, beyond what R4 says.
    fn cardinality(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        element: &Element,
        types: &[&TypeUse],
        id: &str,
    ) -> Result<(), LoadError> {
        let (least, most) = self.bounds(node, id)?;
        let names: Vec<String> =
            types.iter().flat_map(|type_use| names_of(self.base, element, type_use)).collect();
        if least > 0 {
            let name = types.first().filter(|_| types.len() == 1);
            let name = name.map_or_else(|| element.name.to_owned(), |only| element.property_name(only));
            self.note(rules, id, Check::Required(name), json!({ PRESENT: names }));
        }
        if most == Some(0) {
            for name in names {
                self.note(rules, id, Check::Forbidden, of_property(&name, Value::Bool(false)));
            }
            return Ok(());
        }
        if !element.repeats() {
            return match most {
                Some(2..) => {
                    Err(self.definition.error(format!("{id}: R4 allows one; `max` cannot be more.")))
                }
                _ => Ok(()),
            };
        }
        if least > 1 {
            let check = Check::AtLeast(least);
            self.note(rules, id, check, of_property(element.name, json!({ "minItems": least })));
        }
        if let Some(most) = most.filter(|most| element.max.is_none_or(|base| *most < u64::from(base))) {
            let check = Check::AtMost(most);
            self.note(rules, id, check, of_property(element.name, json!({ "maxItems": most })));
        }
        Ok(())
    }

    /// `min` and `max`.
    pub(super) fn bounds(&self, node: &Node, id: &str) -> Result<(u64, Option<u64>), LoadError> {
        let error =
            |name: &str| self.definition.error(format!("{id}: `{name}` is not a number; correct it."));
        let least = match node.rules.get("min") {
            None => 0,
            Some(min) => min.as_u64().ok_or_else(|| error("min"))?,
        };
        let most = match node.rules.get("max") {
            None => None,
            Some(Value::String(max)) if max == "*" => None,
            Some(max) => Some(max.as_str().and_then(|max| max.parse().ok()).ok_or_else(|| error("max"))?),
        };
        if most.is_some_and(|most| most < least) {
            return Err(self
                .definition
                .error(format!("{id}: `max` is less than `min`; correct one of them.")));
        }
        Ok((least, most))
    }

    /// The rules about the value of one property.
    fn property(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        element: &Element,
        type_use: &TypeUse,
        id: &str,
    ) -> Result<(), LoadError> {
        let name = element.property_name(type_use);
        let items = if element.repeats() { "/items" } else { "" };
        let mut inner = Rules::new(format!("{}/properties/{name}{items}", rules.next()));
        self.value(&mut inner, node, &type_use.code, id)?;
        if !inner.is_empty() {
            let schema = inner.into_schema();
            let schema = if element.repeats() { json::object([("items", schema)]) } else { schema };
            rules.push(of_property(&name, schema));
        }
        Ok(())
    }

    /// The rules about one value of type `kind`.
    pub(super) fn value(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        kind: &str,
        id: &str,
    ) -> Result<(), LoadError> {
        for (stem, keyword) in [("fixed", FIXED), ("pattern", PATTERN)] {
            let Some((of, wanted)) = node.choice(stem) else { continue };
            if !of.eq_ignore_ascii_case(kind) {
                return Err(self
                    .definition
                    .error(format!("{id}: {stem}{of} does not fit the type {kind}; correct it.")));
            }
            let check =
                if stem == "fixed" { Check::Fixed(wanted.clone()) } else { Check::Pattern(wanted.clone()) };
            self.note(rules, id, check, json::object([(keyword, wanted.clone())]));
        }
        if let Some((set, extensible)) = self.binding(node, id)? {
            if CODED.contains(&kind) {
                let rule = json!({ BINDING: set.url });
                self.note(rules, id, Check::Binding { set, extensible }, rule);
            } else if node
                .rules
                .get("type")
                .is_none_or(|types| types.as_array().is_none_or(|types| types.len() == 1))
            {
                return Err(self
                    .definition
                    .error(format!("{id}: a binding does not fit the type {kind}; remove it.")));
            }
        }
        if let Some(targets) = self.targets(node, kind, id)? {
            let rule = json!({ TARGET: targets });
            self.note(rules, id, Check::Targets(targets), rule);
        }
        self.children(rules, node, kind, id)
    }

    /// The value set of a binding that is enforced, and whether it is extensible.
    pub(super) fn binding(&self, node: &Node, id: &str) -> Result<Option<(Arc<BoundSet>, bool)>, LoadError> {
        let Some(binding) = node.rules.get("binding") else { return Ok(None) };
        let extensible = match binding.get("strength").and_then(Value::as_str) {
            Some("required") => false,
            Some("extensible") => true,
            Some("preferred" | "example") => return Ok(None),
            _ => {
                return Err(self
                    .definition
                    .error(format!("{id}: the binding has no known `strength`; add it.")));
            }
        };
        let Some(url) = binding.get("valueSet").and_then(Value::as_str) else {
            return Err(self.definition.error(format!("{id}: the binding names no `valueSet`; add it.")));
        };
        let set = self.sets.get(url).ok_or_else(|| {
            self.definition.error(format!(
                "{id} is bound to the value set {url}, which is not loaded, so its codes cannot be checked; add the \
                 ValueSet to the folder."
            ))
        })?;
        Ok(Some((set, extensible)))
    }

    /// The resource types that a reference of this node may point at, where the profile says so.
    fn targets(&self, node: &Node, kind: &str, id: &str) -> Result<Option<Vec<String>>, LoadError> {
        let mut targets = Vec::new();
        for entry in node.rules.get("type").and_then(Value::as_array).into_iter().flatten() {
            let listed = entry.get("targetProfile").and_then(Value::as_array);
            for profile in listed.into_iter().flatten().filter_map(Value::as_str) {
                let name =
                    profile.strip_prefix(R4_TYPE).filter(|name| self.base.type_definition(name).is_some());
                let name = name.filter(|_| kind == "Reference").ok_or_else(|| {
                    self.definition.error(format!(
                        "{id}: only the type of what a Reference points at can be checked, not {profile}; name the R4 \
                         type as {R4_TYPE}Type."
                    ))
                })?;
                targets.push(name.to_owned());
            }
        }
        let any = targets.is_empty() || targets.iter().any(|name| name == "Resource");
        Ok(if any { None } else { Some(targets) })
    }
}

/// `value` where the choice is meant: R4 writes `value[x]`.
fn is_bare_choice(element: &Element, name: &str) -> bool {
    element.choice_stem() == Some(name)
}

/// The JSON names that a value of one type may stand under, its companion among them.
pub(super) fn names_of(base: &BaseTables, element: &Element, type_use: &TypeUse) -> Vec<String> {
    let name = element.property_name(type_use);
    let companion =
        (base.primitive_form(&type_use.code).is_some() && !type_use.plain).then(|| format!("_{name}"));
    std::iter::once(name).chain(companion).collect()
}
