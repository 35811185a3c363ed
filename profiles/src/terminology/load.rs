//! From the shipped tables, and from published CodeSystem, ValueSet and ConceptMap resources of a site, to those of
//! [`Terminology`].

use std::borrow::Cow;

use serde_json::Value;

use super::{
    CodingSense, Concept, Concepts, LocalSystem, Terminology, Text, Translation, ValueSet, check_digit,
};
use crate::json::text;
use crate::load_error::LoadError;

include!("../../local/embedded_terminology.rs");
include!("../../local/terminology_tables.rs");

/// Address of a code system; of its concepts code, display, and the names and values of properties.
pub(super) type SystemRow = (&'static str, &'static [ConceptRow]);
pub(super) type ConceptRow = (&'static str, &'static str, &'static [(&'static str, &'static str)]);
/// Address, title and version of a value set; its codes by code system.
pub(super) type ValueSetRow =
    (&'static str, &'static str, &'static str, &'static [(&'static str, &'static [&'static str])]);
/// Address of a concept map; the code systems that a group of it leads from and to; code, code of the target, its
/// display, and the equivalence.
pub(super) type MapRow = (&'static str, &'static str, &'static str, &'static [TargetRow]);
pub(super) type TargetRow = (&'static str, &'static str, &'static str, &'static str);

/// The concept map whose codes need a licence of one's own.
const OPTIONAL_MAP: &str = "https://solewire.example/fhir/ConceptMap/foot-optional-map";

/// What ships. A test holds the tables against the published files.
pub(super) fn shipped() -> Terminology {
    let mut terminology = Terminology::default();
    for (url, rows) in CODE_SYSTEMS {
        let concept = |&(code, display, properties): &ConceptRow| {
            let properties = properties.iter().map(|&(name, value)| (name.into(), value.into())).collect();
            (code.into(), Concept { display: display.into(), properties })
        };
        let order = rows.iter().map(|&(code, ..)| code.into()).collect();
        let concepts = Concepts { order, by_code: rows.iter().map(concept).collect() };
        terminology.systems.insert((*url).into(), concepts);
    }
    for &(url, title, version, parts) in VALUE_SETS {
        let codes = parts
            .iter()
            .flat_map(|&(system, codes)| codes.iter().map(move |&code| (system.into(), code.into())))
            .collect();
        let set = ValueSet { title: title.into(), version: Some(version.into()), codes };
        terminology.value_sets.insert(url.into(), set);
    }
    for &(url, from, to, targets) in CONCEPT_MAPS {
        terminology.maps.insert(url.into());
        for &(code, target, display, equivalence) in targets {
            let relation = Relation {
                from: (from.into(), code.into()),
                to: (to.into(), target.into()),
                display: display.into(),
                equivalence,
                free: url != OPTIONAL_MAP,
            };
            relation.add(&mut terminology);
        }
    }
    list_codes(&mut terminology);
    terminology
}

/// Keeps every code of the value sets by system.
fn list_codes(terminology: &mut Terminology) {
    for (system, code) in terminology.value_sets.values().flat_map(|set| &set.codes) {
        // Most systems are there already: then its name is not copied.
        match terminology.listed.get_mut(system.as_ref()) {
            Some(codes) => codes.insert(code.clone()),
            None => terminology.listed.entry(system.clone()).or_default().insert(code.clone()),
        };
    }
}

/// A resource and the file it came from.
struct Source<'f> {
    file: &'f str,
    resource: Value,
}

impl Source<'_> {
    fn error(&self, reason: impl Into<String>) -> LoadError {
        LoadError { file: self.file.to_owned(), reason: reason.into() }
    }

    fn required<'v>(&self, value: &'v Value, name: &str, of: &str) -> Result<&'v str, LoadError> {
        text(value, name).ok_or_else(|| self.error(format!("{of} has no `{name}`; add it.")))
    }
}

pub(super) fn add<N: AsRef<str>, T: AsRef<str>>(
    terminology: &mut Terminology,
    files: &[(N, T)],
) -> Result<(), LoadError> {
    let mut systems = Vec::new();
    let mut value_sets = Vec::new();
    let mut maps = Vec::new();
    for (file, content) in files {
        let file = file.as_ref();
        let resource: Value = serde_json::from_str(content.as_ref())
            .map_err(|error| LoadError { file: file.to_owned(), reason: format!("not JSON: {error}") })?;
        let kind = text(&resource, "resourceType").map(str::to_owned);
        let source = Source { file, resource };
        match kind.as_deref() {
            Some("CodeSystem") => systems.push(source),
            Some("ValueSet") => value_sets.push(source),
            Some("ConceptMap") => maps.push(source),
            _ => {}
        }
    }
    for source in &systems {
        code_system(terminology, source)?;
    }
    add_value_sets(terminology, &value_sets)?;
    for source in &maps {
        concept_map(terminology, source)?;
    }
    list_codes(terminology);
    Ok(())
}

fn owned(text: &str) -> Text {
    Cow::Owned(text.to_owned())
}

fn list<'v>(value: &'v Value, name: &str) -> impl Iterator<Item = &'v Value> {
    value.get(name).and_then(Value::as_array).into_iter().flatten()
}

fn code_system(terminology: &mut Terminology, source: &Source<'_>) -> Result<(), LoadError> {
    let url = source.required(&source.resource, "url", "The CodeSystem")?;
    match text(&source.resource, "content") {
        Some("complete") => {}
        _ => {
            return Err(source.error(
                "the CodeSystem is not `content` = `complete`, so its codes cannot be checked; ship all of them.",
            ));
        }
    }
    if terminology.systems.contains_key(url) {
        return Err(
            source.error(format!("the code system {url} is already loaded; give yours its own `url`."))
        );
    }
    let mut concepts = Concepts::default();
    add_concepts(&mut concepts, &source.resource, source)?;
    terminology.systems.insert(owned(url), concepts);
    Ok(())
}

fn add_concepts(concepts: &mut Concepts, parent: &Value, source: &Source<'_>) -> Result<(), LoadError> {
    for entry in list(parent, "concept") {
        let code = source.required(entry, "code", "A concept")?;
        let properties = list(entry, "property")
            .filter_map(|property| {
                let name = text(property, "code")?;
                let value = property.as_object()?.iter().find(|(key, _)| key.starts_with("value"))?.1;
                let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
                Some((owned(name), value.into()))
            })
            .collect();
        let concept = Concept { display: owned(text(entry, "display").unwrap_or_default()), properties };
        if concepts.by_code.insert(owned(code), concept).is_some() {
            return Err(source.error(format!("the code `{code}` stands twice; keep one of them.")));
        }
        concepts.order.push(owned(code));
        add_concepts(concepts, entry, source)?;
    }
    Ok(())
}

/// Value sets may include one another in any order, so they are added as soon as all they include is there.
fn add_value_sets(terminology: &mut Terminology, sources: &[Source<'_>]) -> Result<(), LoadError> {
    let mut waiting: Vec<&Source<'_>> = sources.iter().collect();
    loop {
        let before = waiting.len();
        let mut blocked = Vec::new();
        let mut first_reason = None;
        for source in waiting {
            let url = source.required(&source.resource, "url", "The ValueSet")?;
            match included_value_sets(&source.resource).find(|name| terminology.value_set(name).is_none()) {
                Some(name) => {
                    first_reason.get_or_insert_with(|| {
                        source.error(format!(
                            "it includes the value set {name}, which is not loaded or includes this one; add its file."
                        ))
                    });
                    blocked.push(source);
                }
                None => {
                    let set = value_set(terminology, source)?;
                    if terminology.value_sets.insert(owned(url), set).is_some() {
                        return Err(source.error(format!(
                            "the value set {url} is already loaded; give yours its own `url`."
                        )));
                    }
                }
            }
        }
        match first_reason {
            None => return Ok(()),
            Some(reason) if blocked.len() == before => return Err(reason),
            Some(_) => waiting = blocked,
        }
    }
}

fn included_value_sets(resource: &Value) -> impl Iterator<Item = &str> {
    let compose = resource.get("compose").unwrap_or(&Value::Null);
    list(compose, "include")
        .chain(list(compose, "exclude"))
        .flat_map(|part| list(part, "valueSet"))
        .filter_map(Value::as_str)
}

fn value_set(terminology: &Terminology, source: &Source<'_>) -> Result<ValueSet, LoadError> {
    let title =
        text(&source.resource, "title").or_else(|| text(&source.resource, "name")).unwrap_or_default();
    let version = text(&source.resource, "version").map(owned);
    let mut codes: Vec<(Text, Text)> = Vec::new();
    let Some(compose) = source.resource.get("compose") else {
        // A published expansion is as good as a definition when it is whole.
        for entry in
            source.resource.pointer("/expansion/contains").and_then(Value::as_array).into_iter().flatten()
        {
            let system = source.required(entry, "system", "A member of the expansion")?;
            let code = source.required(entry, "code", "A member of the expansion")?;
            codes.push((owned(system), owned(code)));
        }
        if codes.is_empty() {
            return Err(source.error("the ValueSet has neither `compose` nor `expansion`; add one of them."));
        }
        return Ok(ValueSet { title: owned(title), version, codes });
    };
    for part in list(compose, "include") {
        for member in members(terminology, part, source)? {
            if !codes.contains(&member) {
                codes.push(member);
            }
        }
    }
    for part in list(compose, "exclude") {
        let excluded = members(terminology, part, source)?;
        codes.retain(|member| !excluded.contains(member));
    }
    Ok(ValueSet { title: owned(title), version, codes })
}

/// The members of one `include` or `exclude`: its own codes, cut down to those that all its value sets hold.
fn members(
    terminology: &Terminology,
    part: &Value,
    source: &Source<'_>,
) -> Result<Vec<(Text, Text)>, LoadError> {
    if list(part, "filter").next().is_some() {
        return Err(source.error("a value set by `filter` is not supported; list its codes under `concept`."));
    }
    let mut codes: Option<Vec<(Text, Text)>> = None;
    if let Some(system) = text(part, "system") {
        let listed: Result<Vec<_>, LoadError> = list(part, "concept")
            .map(|entry| Ok((owned(system), owned(source.required(entry, "code", "A listed concept")?))))
            .collect();
        let mut listed = listed?;
        let known = terminology.systems.get(system);
        if listed.is_empty() {
            let known = known.ok_or_else(|| {
                source.error(format!(
                    "it includes all of the code system {system}, which is not loaded; list the codes or add its file."
                ))
            })?;
            listed = known.order.iter().map(|code| (owned(system), code.clone())).collect();
        } else if let Some(known) = known
            && let Some((_, code)) = listed.iter().find(|(_, code)| known.code(code).is_none())
        {
            return Err(source.error(format!("it lists `{code}`, which is no code of {system}; correct it.")));
        }
        codes = Some(listed);
    }
    for name in list(part, "valueSet").filter_map(Value::as_str) {
        let held = terminology.value_set(name).map(|set| set.codes.clone()).unwrap_or_default();
        codes = Some(match codes {
            None => held,
            Some(codes) => codes.into_iter().filter(|member| held.contains(member)).collect(),
        });
    }
    codes.ok_or_else(|| source.error("an `include` has neither `system` nor `valueSet`; add one of them."))
}

/// How a target relates to its source, as far as reading the target as the source goes (R4:
/// `concept-map-equivalence`).
fn reads_back(equivalence: &str) -> bool {
    matches!(equivalence, "equivalent" | "equal" | "narrower" | "specializes")
}

/// The same question in the other direction: may the source be read as the target?
fn reads_on(equivalence: &str) -> bool {
    matches!(equivalence, "equivalent" | "equal" | "wider" | "subsumes")
}

fn concept_map(terminology: &mut Terminology, source: &Source<'_>) -> Result<(), LoadError> {
    let url = source.required(&source.resource, "url", "The ConceptMap")?;
    if !terminology.maps.insert(owned(url)) {
        return Err(
            source.error(format!("the concept map {url} is already loaded; give yours its own `url`."))
        );
    }
    for group in list(&source.resource, "group") {
        let from = source.required(group, "source", "A group")?;
        let to = source.required(group, "target", "A group")?;
        if group.get("unmapped").is_some() {
            return Err(source.error(
                "`unmapped` is not supported: a code that the map leaves out is reported, never replaced; remove it.",
            ));
        }
        note_device_system(terminology, from, to);
        for element in list(group, "element") {
            let code = source.required(element, "code", "An element")?;
            for target in list(element, "target") {
                map_target(terminology, source, (from, code), (to, target))?;
            }
            check_unambiguous(terminology, source, from, code)?;
        }
    }
    Ok(())
}

fn map_target(
    terminology: &mut Terminology,
    source: &Source<'_>,
    (from, code): (&str, &str),
    (to, target): (&str, &Value),
) -> Result<(), LoadError> {
    for condition in ["dependsOn", "product"] {
        if target.get(condition).is_some() {
            return Err(source.error(format!(
                "`{code}`: `{condition}` is not supported; map the code without conditions, or leave it out."
            )));
        }
    }
    let equivalence = source.required(target, "equivalence", "A target")?;
    if matches!(equivalence, "unmatched" | "disjoint") {
        return Ok(());
    }
    let target_code = source.required(target, "code", "A target")?;
    for (system, code) in [(from, code), (to, target_code)] {
        check_code(terminology, source, system, code)?;
    }
    let relation = Relation {
        from: (owned(from), owned(code)),
        to: (owned(to), owned(target_code)),
        display: owned(text(target, "display").unwrap_or_default()),
        equivalence,
        free: true,
    };
    relation.add(terminology);
    Ok(())
}

/// How a concept map relates a code to a target, each a code of a code system.
struct Relation<'r> {
    from: (Text, Text),
    to: (Text, Text),
    /// The display of the target.
    display: Text,
    equivalence: &'r str,
    /// The target is free to send without a licence of one's own.
    free: bool,
}

impl Relation<'_> {
    fn add(self, terminology: &mut Terminology) {
        let Relation { from, to, display, equivalence, free } = self;
        for (system, code) in [&from, &to] {
            terminology.named.entry(system.clone()).or_default().insert(code.clone());
        }
        if let Some(local) = LocalSystem::from_url(&from.0) {
            let translation = Translation { system: to.0.clone(), code: to.1.clone(), display, free };
            let known = terminology.forward.entry(from.0.clone()).or_default();
            known.entry(from.1.clone()).or_default().push(translation);
            if reads_back(equivalence) {
                add_reading(terminology, &to, (local, &from.1));
            }
        }
        if let Some(local) = LocalSystem::from_url(&to.0)
            && reads_on(equivalence)
        {
            add_reading(terminology, &from, (local, &to.1));
        }
    }
}

/// Keeps in mind which code systems are those of a site's devices. A system that the shipped maps know too, such as
/// LOINC, is not: most of its codes have nothing to do with feet, so an unmapped one says nothing.
fn note_device_system(terminology: &mut Terminology, from: &str, to: &str) {
    let own = |system: &str| LocalSystem::from_url(system).is_some();
    let other = match (own(from), own(to)) {
        (true, false) => to,
        (false, true) => from,
        _ => return,
    };
    let known = terminology.named.contains_key(other) && !terminology.is_device_system(other);
    if !known {
        terminology.device_systems.insert(other.to_owned());
    }
}

/// A site's code that stands for two of ours would be read as neither, so it is refused with its map.
fn check_unambiguous(
    terminology: &Terminology,
    source: &Source<'_>,
    system: &str,
    code: &str,
) -> Result<(), LoadError> {
    let readings = terminology.reverse.get(system).and_then(|codes| codes.get(code));
    let of = |local: LocalSystem| {
        readings.into_iter().flatten().filter(move |(known, _)| *known == local).map(|(_, code)| code)
    };
    for local in LocalSystem::ALL {
        if let (Some(first), Some(second)) = (of(local).next(), of(local).nth(1)) {
            return Err(source.error(format!(
                "`{code}` of {system} is mapped to both `{first}` and `{second}` of {}; keep the one that is meant.",
                local.url()
            )));
        }
    }
    Ok(())
}

fn add_reading(terminology: &mut Terminology, from: &(Text, Text), to: (LocalSystem, &Text)) {
    let readings = terminology.reverse.entry(from.0.clone()).or_default();
    let readings = readings.entry(from.1.clone()).or_default();
    if !readings.iter().any(|(system, code)| *system == to.0 && code == to.1) {
        readings.push((to.0, to.1.clone()));
    }
}

fn check_code(
    terminology: &Terminology,
    source: &Source<'_>,
    system: &str,
    code: &str,
) -> Result<(), LoadError> {
    if !check_digit::passes(system, code) {
        let reason =
            format!("`{code}` fails the check digit of {system}, so no such code exists; correct it.");
        return Err(source.error(reason));
    }
    let coding = serde_json::json!({ "system": system, "code": code });
    let unknown = LocalSystem::from_url(system)
        .is_some_and(|local| terminology.sense(local, &coding) == CodingSense::UnknownLocal);
    if unknown {
        return Err(source.error(format!("`{code}` is no code of {system}; correct it.")));
    }
    Ok(())
}
