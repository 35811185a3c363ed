//! Slices of repeating elements, told apart by value or pattern.

use serde_json::{Value, json};

use super::compile::{Check, Compiler, Rules, names_of, of_property};
use super::definition::{Node, steps};
use super::keywords::{BINDING, FIXED, PATTERN, PRESENT};
use crate::definitions::Element;
use crate::json;
use crate::load_error::LoadError;

/// The element names that lead from an item to what tells its slice; empty for the item itself.
type Path = Vec<String>;

impl Compiler<'_> {
    /// The rules about one slice: how many there are, and what each of them is like.
    pub(super) fn slice(
        &mut self,
        rules: &mut Rules,
        parent: &Node,
        node: &Node,
        element: &'static Element,
        id: &str,
    ) -> Result<(), LoadError> {
        let Some(type_use) = element.types.first() else { return Ok(()) };
        let sliced = id.rsplit_once(':').map_or(id, |(sliced, _)| sliced);
        let belongs = self.belongs(sliced, node, &type_use.code, id)?;
        let (least, most) = self.bounds(node, id)?;
        let name = node.slice.clone().unwrap_or_default();
        if least > 0 || most.is_some() {
            self.counts = true;
            let mut contains = json::object([("contains", belongs.clone()), ("minContains", json!(least))]);
            if let (Some(most), Some(object)) = (most, contains.as_object_mut()) {
                object.insert("maxContains".to_owned(), json!(most));
            }
            let check = Check::Slice { name, least, most };
            self.note(rules, id, check, of_property(element.name, contains));
        }
        let stated = parent
            .child(&node.name)
            .is_some_and(|whole| whole.rules.get("min").and_then(Value::as_u64).is_some_and(|min| min > 0));
        if least > 0 && !stated && element.min == 0 {
            let present = names_of(self.base, element, type_use);
            self.note(rules, id, Check::Required(element.name.to_owned()), json!({ PRESENT: present }));
        }
        let at = format!("{}/properties/{}/items/then", rules.next(), element.name);
        let mut inner = Rules::new(at);
        self.value(&mut inner, node, &type_use.code, id)?;
        if !inner.is_empty() {
            let then = inner.into_schema();
            let item = json::object([("if", belongs), ("then", then)]);
            rules.push(of_property(element.name, json::object([("items", item)])));
        }
        Ok(())
    }

    /// The rule of a closed slicing: each item belongs to a slice.
    pub(super) fn closed(
        &mut self,
        rules: &mut Rules,
        node: &Node,
        element: &'static Element,
        id: &str,
    ) -> Result<(), LoadError> {
        let slicing = node.rules.get("slicing").unwrap_or(&Value::Null);
        if slicing.get("ordered").and_then(Value::as_bool) == Some(true) {
            return Err(self
                .definition
                .error(format!("{id}: the order of slices cannot be enforced; remove `ordered`.")));
        }
        let closed = match slicing.get("rules").and_then(Value::as_str) {
            Some("open") | None => false,
            Some("closed") => true,
            _ => {
                let reason = format!("{id}: slicing `rules` can be `open` or `closed` here; correct it.");
                return Err(self.definition.error(reason));
            }
        };
        if element.choice_stem().is_some() {
            let by_type = discriminators(slicing).all(|(kind, path)| kind == "type" && path == "$this");
            if !by_type || closed {
                return Err(self.definition.error(format!(
                    "{id}: a choice is sliced by `type` of `$this`, openly; say with `type` which types are allowed."
                )));
            }
            return Ok(());
        }
        if !closed {
            return Ok(());
        }
        let Some(type_use) = element.types.first() else { return Ok(()) };
        let mut names = Vec::new();
        let mut slices = Vec::new();
        for slice in self.slices(id) {
            names.push(slice.slice.clone().unwrap_or_default());
            slices.push(self.belongs(id, &slice, &type_use.code, id)?);
        }
        let item = json::object([("anyOf", Value::Array(slices))]);
        let rule = of_property(element.name, json::object([("items", item)]));
        self.note(rules, id, Check::Closed(names), rule);
        Ok(())
    }

    /// All slices of an element, in this profile and those it is based on.
    fn slices(&self, id: &str) -> Vec<Node> {
        let Some((parent, name)) = id.rsplit_once('.') else { return Vec::new() };
        let mut found: Vec<Node> = Vec::new();
        for definition in self.chain {
            let Some(steps) = steps(parent) else { continue };
            let Some(parent) = definition.root.descend(steps.get(1..).unwrap_or_default()) else { continue };
            for node in parent.children.iter().filter(|child| child.name == name && child.slice.is_some()) {
                if !found.iter().any(|known| known.slice == node.slice) {
                    found.push(node.clone());
                }
            }
        }
        found
    }

    /// The schema that tells whether an item belongs to a slice.
    fn belongs(&mut self, sliced: &str, node: &Node, kind: &str, id: &str) -> Result<Value, LoadError> {
        let slicing = self.chain.iter().find_map(|definition| {
            let steps = steps(sliced)?;
            definition.root.descend(steps.get(1..)?)?.rules.get("slicing")
        });
        let Some(slicing) = slicing.cloned() else {
            let reason = format!("{id}: nothing says by what the slices differ; add `slicing` to {sliced}.");
            return Err(self.definition.error(reason));
        };
        let mut all = Vec::new();
        for (by, path) in discriminators(&slicing) {
            if by != "value" && by != "pattern" {
                return Err(self.definition.error(format!(
                    "{sliced}: slices by `{by}` are not supported; use a discriminator of type `value` or `pattern`."
                )));
            }
            let path = self.discriminator_path(path, sliced)?;
            all.push(self.telling(sliced, node, kind, &path, id)?);
        }
        if all.is_empty() {
            return Err(self
                .definition
                .error(format!("{sliced}: slicing without a discriminator is not supported.")));
        }
        Ok(json::object([("allOf", Value::Array(all))]))
    }

    fn discriminator_path(&self, path: &str, sliced: &str) -> Result<Path, LoadError> {
        if path == "$this" {
            return Ok(Vec::new());
        }
        if path.contains(['(', '$', '[']) {
            return Err(self.definition.error(format!(
                "{sliced}: the discriminator `{path}` is not supported; use `$this` or element names joined by dots."
            )));
        }
        Ok(path.split('.').map(str::to_owned).collect())
    }

    /// The schema that holds where the element at the end of `path` has the value that tells this slice.
    fn telling(
        &mut self,
        sliced: &str,
        node: &Node,
        kind: &str,
        path: &[String],
        id: &str,
    ) -> Result<Value, LoadError> {
        let mut names: Vec<(String, Option<String>)> = vec![];
        let mut properties = Vec::new();
        let mut kind = kind.to_owned();
        let base = self.base;
        for name in path {
            let element = base.element(&kind, name).filter(|element| element.types.len() == 1);
            let Some((element, type_use)) =
                element.and_then(|element| Some((element, element.types.first()?)))
            else {
                return Err(self
                    .definition
                    .error(format!("{sliced}: the discriminator `{name}` is no single element.")));
            };
            names.push((name.clone(), None));
            properties.push((element.property_name(type_use), element.repeats()));
            kind = type_use.code.to_string();
        }
        let mut schema = self.telling_value(sliced, node, &names, &kind, id)?;
        for (name, repeats) in properties.into_iter().rev() {
            let inner = if repeats { json::object([("contains", schema)]) } else { schema };
            let required = json!([name]);
            schema = json::object([("required", required), ("properties", json::object([(&name, inner)]))]);
        }
        Ok(schema)
    }

    /// The value that tells a slice, looked for in this profile and those it is based on.
    fn telling_value(
        &mut self,
        sliced: &str,
        node: &Node,
        names: &[(String, Option<String>)],
        kind: &str,
        id: &str,
    ) -> Result<Value, LoadError> {
        let mut places: Vec<Node> = node.descend(names).cloned().into_iter().collect();
        for definition in self.chain {
            let Some(mut steps) = steps(sliced) else { continue };
            if let Some(last) = steps.last_mut() {
                last.1.clone_from(&node.slice);
            }
            let found = definition.root.descend(steps.get(1..).unwrap_or_default());
            places.extend(found.and_then(|slice| slice.descend(names)).cloned());
        }
        for place in places {
            for (stem, keyword) in [("fixed", FIXED), ("pattern", PATTERN)] {
                let told = place.choice(stem).filter(|(of, _)| of.eq_ignore_ascii_case(kind));
                if let Some((_, wanted)) = told {
                    return Ok(json::object([(keyword, wanted.clone())]));
                }
            }
            if let Some((set, false)) = self.binding(&place, id)? {
                return Ok(json!({ BINDING: set.url }));
            }
        }
        let path: Vec<&str> = names.iter().map(|(name, _)| name.as_str()).collect();
        let path = if path.is_empty() { "$this".to_owned() } else { path.join(".") };
        Err(self.definition.error(format!(
            "{id}: nothing tells this slice at `{path}`; add a fixed value, a pattern or a required binding there."
        )))
    }
}

fn discriminators(slicing: &Value) -> impl Iterator<Item = (&str, &str)> {
    let listed = slicing.get("discriminator").and_then(Value::as_array);
    listed.into_iter().flatten().map(|entry| {
        let text = |name: &str| entry.get(name).and_then(Value::as_str).unwrap_or_default();
        (text("type"), text("path"))
    })
}
