//! The code systems, value sets and concept maps of the exam, and what a coding in a document stands for.
//!
//! A sender may name a test, a site or a result by our code, by a standard code beside it, or by the standard code
//! alone. [`Terminology::resolve`] turns all three into the one local code the exam is read by. It never guesses: a
//! standard code is read as a local one only where a concept map says that it means the same or something narrower,
//! and where no second local code claims it.
//!
//! Nothing is looked up elsewhere. A value set that is not shipped gives "not checked", never a silent yes, and so does
//! a code that neither a code system nor a map of ours knows.
//!
//! A site's own ConceptMap from the codes of its device makes these readable as well. What it leaves out is reported,
//! never dropped: see [`RULES`].

mod check_digit;
mod load;
mod rules;

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use ahash::{AHashMap, AHashSet};
use serde_json::{Value, json};

use crate::json::{get, text};
use crate::load_error::LoadError;
use crate::nearest::nearest;

pub use rules::RULES;
pub(crate) use rules::{TERMINOLOGY_NOT_CHECKED, TERMINOLOGY_UNKNOWN_CODE, TERMINOLOGY_UNMAPPED_CODE};

/// The four code systems of this project.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LocalSystem {
    /// Tests, findings and the panel.
    FootTest,
    /// Sides and sites.
    FootSite,
    /// Coded results.
    FootResult,
    /// Guidelines, their risk categories, and the outcome at risk.
    FootRisk,
}

impl LocalSystem {
    /// All of them.
    pub const ALL: [LocalSystem; 4] =
        [LocalSystem::FootTest, LocalSystem::FootSite, LocalSystem::FootResult, LocalSystem::FootRisk];

    /// The `system` of its codings.
    #[must_use]
    pub fn url(self) -> &'static str {
        match self {
            LocalSystem::FootTest => "https://solewire.example/fhir/CodeSystem/foot-test",
            LocalSystem::FootSite => "https://solewire.example/fhir/CodeSystem/foot-site",
            LocalSystem::FootResult => "https://solewire.example/fhir/CodeSystem/foot-result",
            LocalSystem::FootRisk => "https://solewire.example/fhir/CodeSystem/foot-risk",
        }
    }

    /// The code system with this `system`.
    #[must_use]
    pub fn from_url(url: &str) -> Option<LocalSystem> {
        LocalSystem::ALL.into_iter().find(|system| system.url() == url)
    }
}

/// What the codings of a concept stand for in one local code system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Resolved<'t> {
    /// One local code.
    Code(&'t str),
    /// Codings that stand for different local codes, in the order of the document.
    Conflict(Vec<&'t str>),
    /// No coding stands for a local code, or one of ours is not in the code system.
    Unknown,
}

/// What one coding stands for in one local code system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CodingSense<'t> {
    /// One of our codes.
    Local(&'t str),
    /// Our system, but no code of it.
    UnknownLocal,
    /// A standard code that stands for one of ours.
    Standard(&'t str),
    /// A code of another system that says nothing here.
    Foreign,
}

/// What ships is lent from the tables of this crate, what a site adds is owned.
pub(crate) type Text = Cow<'static, str>;

/// A code with its display and its properties.
#[derive(Debug, Default, Clone)]
struct Concept {
    display: Text,
    properties: Vec<(Text, Text)>,
}

/// The codes of a code system, in its order.
#[derive(Debug, Default, Clone)]
struct Concepts {
    order: Vec<Text>,
    by_code: AHashMap<Text, Concept>,
}

impl Concepts {
    fn code(&self, code: &str) -> Option<&str> {
        self.by_code.get_key_value(code).map(|(known, _)| known.as_ref())
    }
}

/// A code of another system that stands beside a local one.
#[derive(Debug, Clone)]
struct Translation {
    system: Text,
    code: Text,
    display: Text,
    /// Free to send without a licence of one's own.
    free: bool,
}

/// The members of a value set, in its order.
#[derive(Debug, Default, Clone)]
struct ValueSet {
    title: Text,
    version: Option<Text>,
    codes: Vec<(Text, Text)>,
}

/// The shipped code systems, value sets and concept maps, and those of a site. Immutable once loaded.
#[derive(Debug, Clone, Default)]
pub struct Terminology {
    systems: AHashMap<Text, Concepts>,
    value_sets: BTreeMap<Text, ValueSet>,
    /// Local system and code to translations.
    forward: AHashMap<Text, AHashMap<Text, Vec<Translation>>>,
    /// Standard system and code to the local codes it may be read as.
    reverse: AHashMap<Text, AHashMap<Text, Vec<(LocalSystem, Text)>>>,
    /// Every code that a concept map names, by system.
    named: AHashMap<Text, AHashSet<Text>>,
    /// Every code of the value sets, by system.
    listed: AHashMap<Text, AHashSet<Text>>,
    /// Canonical addresses of the concept maps.
    maps: BTreeSet<Text>,
    /// Code systems that only a site's maps tie to ours: those of its devices.
    device_systems: BTreeSet<String>,
}

impl Terminology {
    /// What ships with the crate.
    #[must_use]
    pub fn builtin() -> Terminology {
        load::shipped()
    }

    /// Adds the CodeSystem, ValueSet and ConceptMap resources among `files` (name and text) to this terminology.
    /// Other resources are left alone.
    ///
    /// # Errors
    /// A text that is not JSON, a resource that lacks what it needs, or one that asks for what is not supported, such
    /// as a value set by filter. The error names the file.
    pub fn with_files<N: AsRef<str>, T: AsRef<str>>(
        mut self,
        files: &[(N, T)],
    ) -> Result<Terminology, LoadError> {
        load::add(&mut self, files)?;
        Ok(self)
    }

    /// What a CodeableConcept or a Coding stands for in `system`.
    ///
    /// One of our codings wins; a standard coding beside it must not stand for another code. Without one of ours, the
    /// standard codings decide.
    #[must_use]
    pub fn resolve(&self, system: LocalSystem, concept: &Value) -> Resolved<'_> {
        let mut all = codings(concept);
        if let (Some((_, alone)), None) = (all.next(), all.next()) {
            return match self.sense(system, alone) {
                CodingSense::Local(code) | CodingSense::Standard(code) => Resolved::Code(code),
                CodingSense::UnknownLocal | CodingSense::Foreign => Resolved::Unknown,
            };
        }
        let mut local: Vec<&str> = Vec::new();
        let mut standard: Vec<(&Value, &str)> = Vec::new();
        for (_, coding) in codings(concept) {
            match self.sense(system, coding) {
                CodingSense::Local(code) if !local.contains(&code) => local.push(code),
                CodingSense::UnknownLocal => return Resolved::Unknown,
                CodingSense::Standard(code) => standard.push((coding, code)),
                CodingSense::Local(_) | CodingSense::Foreign => {}
            }
        }
        let mut senses = local;
        if let &[own] = senses.as_slice() {
            // A sided site may carry the standard code of its site, which alone stands for the unsided one.
            standard.retain(|(coding, _)| !self.translates(system, own, coding));
        }
        for (_, code) in standard {
            if !senses.contains(&code) {
                senses.push(code);
            }
        }
        match senses.as_slice() {
            [] => Resolved::Unknown,
            &[code] => Resolved::Code(code),
            _ => Resolved::Conflict(senses),
        }
    }

    /// What one coding stands for in `system`.
    pub(crate) fn sense(&self, system: LocalSystem, coding: &Value) -> CodingSense<'_> {
        let (Some(of), Some(code)) = (text(coding, "system"), text(coding, "code")) else {
            return CodingSense::Foreign;
        };
        if of == system.url() {
            let known = self.systems.get(of).and_then(|concepts| concepts.code(code));
            return known.map_or(CodingSense::UnknownLocal, CodingSense::Local);
        }
        let mut readings = self
            .reverse
            .get(of)
            .and_then(|codes| codes.get(code))
            .into_iter()
            .flatten()
            .filter(|(local, _)| *local == system);
        match (readings.next(), readings.next()) {
            (Some((_, code)), None) => CodingSense::Standard(code),
            _ => CodingSense::Foreign,
        }
    }

    /// Whether a code system is that of a site's devices: mapped to ours by the site and by nobody else.
    pub(crate) fn is_device_system(&self, system: &str) -> bool {
        self.device_systems.contains(system)
    }

    /// Whether there is any code system of a site's devices.
    pub(crate) fn has_device_systems(&self) -> bool {
        !self.device_systems.is_empty()
    }

    /// The coding of ours that codes of a device stand for, where a concept holds none of ours. It goes beside the
    /// original.
    pub(crate) fn local_coding(&self, system: LocalSystem, concept: &Value) -> Option<Value> {
        let Resolved::Code(code) = self.resolve(system, concept) else { return None };
        let stands_for = codings(concept).any(|(_, coding)| {
            text(coding, "system").is_some_and(|of| self.is_device_system(of))
                && self.sense(system, coding) == CodingSense::Standard(code)
        });
        let ours = codings(concept).any(|(_, coding)| text(coding, "system") == Some(system.url()));
        if !stands_for || ours {
            return None;
        }
        let display = self.display(system, code).unwrap_or_default();
        Some(json!({ "system": system.url(), "code": code, "display": display }))
    }

    /// Whether the code system is loaded and does not have the code. Code systems are only loaded whole.
    pub(crate) fn lacks(&self, system: &str, code: &str) -> bool {
        self.systems.get(system).is_some_and(|concepts| concepts.code(code).is_none())
    }

    /// The code of a loaded code system that is written most alike.
    pub(crate) fn nearest_code(&self, system: &str, code: &str) -> Option<&str> {
        nearest(code, self.systems.get(system)?.order.iter().map(Cow::as_ref))
    }

    /// Whether a code is in a loaded code system, value set or map, so that something was said about it.
    pub(crate) fn knows(&self, system: &str, code: &str) -> bool {
        self.systems.contains_key(system)
            || self.named.get(system).is_some_and(|codes| codes.contains(code))
            || self.listed.get(system).is_some_and(|codes| codes.contains(code))
    }

    /// Whether `coding` is one of the translations of a local code.
    fn translates(&self, system: LocalSystem, code: &str, coding: &Value) -> bool {
        self.forward_of(system, code).any(|translation| {
            text(coding, "system") == Some(translation.system.as_ref())
                && text(coding, "code") == Some(translation.code.as_ref())
        })
    }

    fn forward_of<'t>(
        &'t self,
        system: LocalSystem,
        code: &str,
    ) -> impl Iterator<Item = &'t Translation> + use<'t> {
        self.forward.get(system.url()).and_then(|codes| codes.get(code)).into_iter().flatten()
    }

    fn concept(&self, system: LocalSystem, code: &str) -> Option<&Concept> {
        self.systems.get(system.url())?.by_code.get(code)
    }

    /// The display of a local code; none if there is no such code.
    #[must_use]
    pub fn display(&self, system: LocalSystem, code: &str) -> Option<&str> {
        self.concept(system, code).map(|concept| concept.display.as_ref())
    }

    /// The standard codings (system, code, display) that may be sent beside a local code without a licence of one's
    /// own. For a sided site they name the site and leave the side open.
    pub fn translations(&self, system: LocalSystem, code: &str) -> impl Iterator<Item = (&str, &str, &str)> {
        self.forward_of(system, code).filter(|translation| translation.free).map(|translation| {
            (translation.system.as_ref(), translation.code.as_ref(), translation.display.as_ref())
        })
    }

    /// The first value of a property of a local code, such as `belongs-to` or `unit`. A boolean reads `true` or `false`.
    #[must_use]
    pub fn property(&self, system: LocalSystem, code: &str, name: &str) -> Option<&str> {
        self.properties(system, code, name).next()
    }

    /// All values of a property of a local code, in the order of the code system.
    pub fn properties<'t>(
        &'t self,
        system: LocalSystem,
        code: &str,
        name: &str,
    ) -> impl Iterator<Item = &'t str> + use<'t> {
        let name = name.to_owned();
        self.concept(system, code)
            .into_iter()
            .flat_map(|concept| concept.properties.iter())
            .filter(move |(known, _)| *known == name)
            .map(|(_, value)| value.as_ref())
    }

    /// The codes of a local code system, in its order.
    pub fn system_codes(&self, system: LocalSystem) -> impl Iterator<Item = &str> {
        self.systems.get(system.url()).into_iter().flat_map(|concepts| concepts.order.iter().map(Cow::as_ref))
    }

    /// Whether a value set holds a code. None: the value set is not loaded, so nothing was checked.
    #[must_use]
    pub fn contains(&self, value_set: &str, system: &str, code: &str) -> Option<bool> {
        let members = &self.value_set(value_set)?.codes;
        Some(members.iter().any(|(of, member)| of == system && member == code))
    }

    /// The members (system, code) of a value set, in its order. None: the value set is not loaded.
    #[must_use]
    pub fn codes<'t>(
        &'t self,
        value_set: &str,
    ) -> Option<impl Iterator<Item = (&'t str, &'t str)> + use<'t>> {
        Some(self.members(value_set)?.iter().map(|(system, code)| (system.as_ref(), code.as_ref())))
    }

    /// The same, as they are kept.
    pub(crate) fn members(&self, value_set: &str) -> Option<&[(Text, Text)]> {
        Some(&self.value_set(value_set)?.codes)
    }

    /// The title of a value set. None: the value set is not loaded.
    #[must_use]
    pub fn title(&self, value_set: &str) -> Option<&str> {
        self.value_set(value_set).map(|set| set.title.as_ref())
    }

    /// A value set by its canonical address. Asked for as `address|version`, another version is not it.
    fn value_set(&self, canonical: &str) -> Option<&ValueSet> {
        let (url, version) =
            canonical.split_once('|').map_or((canonical, None), |(url, version)| (url, Some(version)));
        let set = self.value_sets.get(url)?;
        let other =
            version.is_some_and(|version| set.version.as_deref().is_some_and(|known| known != version));
        if other { None } else { Some(set) }
    }
}

/// The shipped files: path and text.
pub(crate) fn shipped() -> &'static [(&'static str, &'static str)] {
    load::TERMINOLOGY
}

/// The codings of a CodeableConcept with their numbers, or the one Coding itself.
pub(crate) fn codings(concept: &Value) -> impl Iterator<Item = (Option<usize>, &Value)> {
    let listed = get(concept, "coding").and_then(Value::as_array);
    let alone = if listed.is_none() && get(concept, "code").is_some() { Some(concept) } else { None };
    let listed = listed.into_iter().flatten().enumerate().map(|(number, coding)| (Some(number), coding));
    listed.chain(alone.into_iter().map(|coding| (None, coding)))
}

#[cfg(test)]
mod tests;
