//! From published CodeSystem, ValueSet and ConceptMap resources to the tables of [`Terminology`].

use serde_json::Value;

use super::{CodingSense, Concept, Concepts, LocalSystem, Terminology, Translation, ValueSet, check_digit};
use crate::json::text;
use crate::load_error::LoadError;

include!("../../local/embedded_terminology.rs");

/// The concept map whose codes need a licence of one's own.
const OPTIONAL_MAP: &str = "https://solewire.example/fhir/ConceptMap/foot-optional-map";

/// Whose files are loaded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Origin {
    /// Those that ship with the crate.
    Shipped,
    /// Those of a site.
    Site,
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
    origin: Origin,
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
        concept_map(terminology, source, origin)?;
    }
    for (system, code) in terminology.value_sets.values().flat_map(|set| &set.codes) {
        terminology.listed.entry(system.clone()).or_default().insert(code.clone());
    }
    Ok(())
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
    terminology.systems.insert(url.to_owned(), concepts);
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
                Some((name.to_owned(), value))
            })
            .collect();
        let concept = Concept { display: text(entry, "display").unwrap_or_default().to_owned(), properties };
        if concepts.by_code.insert(code.to_owned(), concept).is_some() {
            return Err(source.error(format!("the code `{code}` stands twice; keep one of them.")));
        }
        concepts.order.push(code.to_owned());
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
                    if terminology.value_sets.insert(url.to_owned(), set).is_some() {
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
    let version = text(&source.resource, "version").map(str::to_owned);
    let mut codes: Vec<(String, String)> = Vec::new();
    let Some(compose) = source.resource.get("compose") else {
        // A published expansion is as good as a definition when it is whole.
        for entry in
            source.resource.pointer("/expansion/contains").and_then(Value::as_array).into_iter().flatten()
        {
            let system = source.required(entry, "system", "A member of the expansion")?;
            let code = source.required(entry, "code", "A member of the expansion")?;
            codes.push((system.to_owned(), code.to_owned()));
        }
        if codes.is_empty() {
            return Err(source.error("the ValueSet has neither `compose` nor `expansion`; add one of them."));
        }
        return Ok(ValueSet { title: title.to_owned(), version, codes });
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
    Ok(ValueSet { title: title.to_owned(), version, codes })
}

/// The members of one `include` or `exclude`: its own codes, cut down to those that all its value sets hold.
fn members(
    terminology: &Terminology,
    part: &Value,
    source: &Source<'_>,
) -> Result<Vec<(String, String)>, LoadError> {
    if list(part, "filter").next().is_some() {
        return Err(source.error("a value set by `filter` is not supported; list its codes under `concept`."));
    }
    let mut codes: Option<Vec<(String, String)>> = None;
    if let Some(system) = text(part, "system") {
        let listed: Result<Vec<_>, LoadError> = list(part, "concept")
            .map(|entry| {
                Ok((system.to_owned(), source.required(entry, "code", "A listed concept")?.to_owned()))
            })
            .collect();
        let mut listed = listed?;
        let known = terminology.systems.get(system);
        if listed.is_empty() {
            let known = known.ok_or_else(|| {
                source.error(format!(
                    "it includes all of the code system {system}, which is not loaded; list the codes or add its file."
                ))
            })?;
            listed = known.order.iter().map(|code| (system.to_owned(), code.clone())).collect();
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

fn concept_map(terminology: &mut Terminology, source: &Source<'_>, origin: Origin) -> Result<(), LoadError> {
    let url = source.required(&source.resource, "url", "The ConceptMap")?;
    if !terminology.maps.insert(url.to_owned()) {
        return Err(
            source.error(format!("the concept map {url} is already loaded; give yours its own `url`."))
        );
    }
    let free = url != OPTIONAL_MAP;
    for group in list(&source.resource, "group") {
        let from = source.required(group, "source", "A group")?;
        let to = source.required(group, "target", "A group")?;
        if group.get("unmapped").is_some() {
            return Err(source.error(
                "`unmapped` is not supported: a code that the map leaves out is reported, never replaced; remove it.",
            ));
        }
        note_device_system(terminology, from, to, origin);
        for element in list(group, "element") {
            let code = source.required(element, "code", "An element")?;
            for target in list(element, "target") {
                map_target(terminology, source, (from, code), (to, target), free)?;
            }
            if origin == Origin::Site {
                check_unambiguous(terminology, source, from, code)?;
            }
        }
    }
    Ok(())
}

fn map_target(
    terminology: &mut Terminology,
    source: &Source<'_>,
    (from, code): (&str, &str),
    (to, target): (&str, &Value),
    free: bool,
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
        terminology.named.entry(system.to_owned()).or_default().insert(code.to_owned());
    }
    if let Some(local) = LocalSystem::from_url(from) {
        let display = text(target, "display").unwrap_or_default().to_owned();
        let translation = Translation { system: to.to_owned(), code: target_code.to_owned(), display, free };
        let known = terminology.forward.entry(from.to_owned()).or_default();
        known.entry(code.to_owned()).or_default().push(translation);
        if reads_back(equivalence) {
            add_reading(terminology, (to, target_code), (local, code));
        }
    }
    if let Some(local) = LocalSystem::from_url(to)
        && reads_on(equivalence)
    {
        add_reading(terminology, (from, code), (local, target_code));
    }
    Ok(())
}

/// Keeps in mind which code systems are those of a site's devices. A system that the shipped maps know too, such as
/// LOINC, is not: most of its codes have nothing to do with feet, so an unmapped one says nothing.
fn note_device_system(terminology: &mut Terminology, from: &str, to: &str, origin: Origin) {
    let own = |system: &str| LocalSystem::from_url(system).is_some();
    let other = match (own(from), own(to)) {
        (true, false) => to,
        (false, true) => from,
        _ => return,
    };
    let known = terminology.named.contains_key(other) && !terminology.is_device_system(other);
    if origin == Origin::Site && !known {
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

fn add_reading(terminology: &mut Terminology, from: (&str, &str), to: (LocalSystem, &str)) {
    let readings = terminology.reverse.entry(from.0.to_owned()).or_default();
    let readings = readings.entry(from.1.to_owned()).or_default();
    if !readings.iter().any(|(system, code)| *system == to.0 && code == to.1) {
        readings.push((to.0, to.1.to_owned()));
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
