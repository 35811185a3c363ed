//! A published StructureDefinition, read into a tree of elements. What cannot be enforced is refused here by name.

use serde_json::{Map, Value};

use crate::load_error::LoadError;

/// Parts of an ElementDefinition that the compiler enforces, the name of a choice without its type.
const ENFORCED: &[&str] = &["min", "max", "type", "fixed", "pattern", "binding", "constraint", "slicing"];
/// Parts that tell people something and ask nothing of a resource.
const EXPLAINING: &[&str] = &[
    "id",
    "path",
    "sliceName",
    "sliceIsConstraining",
    "label",
    "code",
    "short",
    "definition",
    "comment",
    "requirements",
    "alias",
    "base",
    "meaningWhenMissing",
    "orderMeaning",
    "example",
    "condition",
    "mustSupport",
    "isModifier",
    "isModifierReason",
    "isSummary",
    "mapping",
    "extension",
];

/// One element of a differential, with those below it.
#[derive(Debug, Clone, Default)]
pub(super) struct Node {
    /// The element name, such as `component` or `value[x]`.
    pub(super) name: String,
    /// The name of the slice, if it is one.
    pub(super) slice: Option<String>,
    /// Its ElementDefinition; empty where the differential only passes through.
    pub(super) rules: Map<String, Value>,
    /// The elements below it, in the order of the differential.
    pub(super) children: Vec<Node>,
}

impl Node {
    /// The child with a name that is not a slice.
    pub(super) fn child(&self, name: &str) -> Option<&Node> {
        self.children.iter().find(|child| child.name == name && child.slice.is_none())
    }

    /// A node below by element names and slices, both as in an element id without the resource type.
    pub(super) fn descend(&self, steps: &[(String, Option<String>)]) -> Option<&Node> {
        let Some(((name, slice), rest)) = steps.split_first() else { return Some(self) };
        let next = self.children.iter().find(|child| child.name == *name && child.slice == *slice)?;
        next.descend(rest)
    }

    /// The value and the type of a choice such as `fixed[x]`.
    pub(super) fn choice(&self, stem: &str) -> Option<(&str, &Value)> {
        self.rules.iter().find_map(|(key, value)| {
            let kind = key.strip_prefix(stem)?;
            kind.starts_with(|letter: char| letter.is_ascii_uppercase()).then_some((kind, value))
        })
    }
}

/// A profile as published.
#[derive(Debug, Clone)]
pub(super) struct Definition {
    /// The file it came from.
    pub(super) file: String,
    /// Its canonical address.
    pub(super) url: String,
    /// Its short name for messages: the `id`, else the `name`.
    pub(super) name: String,
    /// The resource type it profiles.
    pub(super) resource_type: String,
    /// The profile or R4 type it narrows.
    pub(super) base: String,
    /// Its elements; the root stands for the resource.
    pub(super) root: Node,
}

impl Definition {
    /// Reads a StructureDefinition; none for any other resource.
    pub(super) fn read(file: &str, content: &str) -> Result<Option<Definition>, LoadError> {
        let error = |reason: String| LoadError { file: file.to_owned(), reason };
        let resource: Value =
            serde_json::from_str(content).map_err(|cause| error(format!("not JSON: {cause}")))?;
        if resource.get("resourceType").and_then(Value::as_str) != Some("StructureDefinition") {
            return Ok(None);
        }
        let text = |name: &str| resource.get(name).and_then(Value::as_str);
        let required = |name: &str| {
            text(name)
                .map(str::to_owned)
                .ok_or_else(|| error(format!("the StructureDefinition has no `{name}`; add it.")))
        };
        if text("derivation") != Some("constraint") || text("kind") != Some("resource") {
            return Err(error(
                "only profiles on resources are supported: `kind` = `resource` and `derivation` = `constraint`; \
                 remove the file or change it."
                    .to_owned(),
            ));
        }
        if let Some(version) = text("fhirVersion").filter(|version| *version != "4.0.1") {
            return Err(error(format!("it is written for FHIR {version}; profiles here are for 4.0.1.")));
        }
        let mut definition = Definition {
            file: file.to_owned(),
            url: required("url")?,
            name: text("id").map_or_else(|| required("name"), |id| Ok(id.to_owned()))?,
            resource_type: required("type")?,
            base: required("baseDefinition")?.split('|').next().unwrap_or_default().to_owned(),
            root: Node::default(),
        };
        definition.root.name.clone_from(&definition.resource_type);
        let Some(elements) = resource.pointer("/differential/element").and_then(Value::as_array) else {
            return Err(error(
                "it has no `differential`; publish it with one (a snapshot alone is not read).".to_owned(),
            ));
        };
        for element in elements {
            definition.add(element)?;
        }
        Ok(Some(definition))
    }

    /// An error about this file.
    pub(super) fn error(&self, reason: impl Into<String>) -> LoadError {
        LoadError { file: self.file.clone(), reason: reason.into() }
    }

    fn add(&mut self, element: &Value) -> Result<(), LoadError> {
        let text = |name: &str| element.get(name).and_then(Value::as_str);
        let Some(path) = text("path") else {
            return Err(self.error("an element of the differential has no `path`; add it."));
        };
        let id = text("id").unwrap_or(path);
        if text("sliceName").is_some() && !id.rsplit('.').next().unwrap_or(id).contains(':') {
            return Err(
                self.error(format!("the slice at {path} has no `id` that names it; add `{path}:sliceName`."))
            );
        }
        let steps =
            steps(id).ok_or_else(|| self.error(format!("{id}: slices of slices are not supported.")))?;
        let Some(((first, None), rest)) = steps.split_first() else {
            return Err(self.error(format!("{id}: an element begins with the resource type.")));
        };
        if *first != self.resource_type {
            return Err(self.error(format!("{id} is not an element of {}.", self.resource_type)));
        }
        let rules = element.as_object().cloned().unwrap_or_default();
        for key in rules.keys() {
            let choice = |stem: &str| {
                key.strip_prefix(stem)
                    .is_some_and(|kind| kind.starts_with(|letter: char| letter.is_ascii_uppercase()))
            };
            // `_short` and the like carry translations and notes about a part.
            let plain = key.strip_prefix('_').unwrap_or(key);
            let known = ENFORCED.contains(&plain)
                || EXPLAINING.contains(&plain)
                || choice("fixed")
                || choice("pattern");
            if !known {
                return Err(self.error(format!(
                    "{id}: `{key}` cannot be enforced here, so the profile is not used; remove it or say the same with \
                     min, max, type, fixed, pattern, binding, slicing or constraint."
                )));
            }
        }
        let mut node = &mut self.root;
        for (name, slice) in rest {
            let known = node.children.iter().position(|child| child.name == *name && child.slice == *slice);
            let at = known.unwrap_or_else(|| {
                let (name, slice) = (name.clone(), slice.clone());
                node.children.push(Node { name, slice, ..Node::default() });
                node.children.len() - 1
            });
            let Some(next) = node.children.get_mut(at) else { return Ok(()) };
            node = next;
        }
        if node.rules.is_empty() {
            node.rules = rules;
            return Ok(());
        }
        Err(self.error(format!("{id} stands twice in the differential; join the two.")))
    }
}

/// The steps of an element id with their slices. None for slices of slices.
pub(super) fn steps(id: &str) -> Option<Vec<(String, Option<String>)>> {
    id.split('.')
        .map(|step| match step.split_once(':') {
            Some((_, slice)) if slice.contains(['/', ':']) => None,
            Some((name, slice)) => Some((name.to_owned(), Some(slice.to_owned()))),
            None => Some((step.to_owned(), None)),
        })
        .collect()
}
