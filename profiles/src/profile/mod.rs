//! The local profiles: what each test, the panel and the derived resources must say beyond R4.
//!
//! A profile is a published StructureDefinition. Its differential is compiled to a JSON Schema that the `jsonschema`
//! crate runs offline; the errors of the schema come back as issues in the words of the profile. A site adds profiles
//! of its own, and what such a profile asks for and cannot be enforced is refused by name when it is loaded:
//! supported are `min`, `max`, `type` with reference targets by R4 type, `fixed[x]`, `pattern[x]`, `binding` (required
//! and extensible; the others ask nothing), `slicing` by value or pattern, of a choice by type, and `constraint` in the
//! FHIRPath subset of [`crate::invariants`].
//!
//! Which profiles a resource is held against:
//! - each one it claims in `meta.profile`;
//! - for an Observation, the one of the test that its code stands for, whether it claims it or not: the panel, the
//!   grouped form, or the form for a single site;
//! - each of a site's profiles that is based on one of those. A site's profile on a bare R4 type applies where claimed.

mod coded;
mod compile;
mod constraint;
mod definition;
mod keywords;
mod report;
mod rules;
mod select;
mod slicing;

use std::collections::HashMap;
use std::sync::{Arc, OnceLock};

use ahash::AHashMap;
use jsonschema::Validator;
use serde_json::Value;

use crate::definitions::BaseTables;
use crate::invariants::{Handling, StatedCondition};
use crate::issue::{Issue, MOST_ISSUES};
use crate::json::push_pointer;
use crate::load_error::LoadError;
use crate::terminology::Terminology;

use coded::BoundSets;
use compile::{Compiled, Compiler};
use constraint::Condition;
use definition::Definition;
use keywords::Lookup;
use report::{Failure, Surroundings};
pub use rules::RULES;

include!("../../local/embedded_profiles.rs");

const R4_BASE: &str = "http://hl7.org/fhir/StructureDefinition/";

/// The canonical address of a shipped profile is this and its name, which is also that of its file.
const CANONICAL: &str = "https://solewire.example/fhir/StructureDefinition/";

/// A profile. What ships is read when a resource first needs it, what a site adds when it is loaded.
#[derive(Debug)]
struct Profile {
    url: String,
    /// The file of a shipped one.
    shipped: Option<&'static (&'static str, &'static str)>,
    definition: OnceLock<Result<Definition, LoadError>>,
    ready: OnceLock<Result<Ready, LoadError>>,
}

/// What a profile asks for, ready to use. Its schema is built when a resource is first held against it.
#[derive(Debug)]
struct Ready {
    compiled: Compiled,
    conditions: Vec<Condition>,
    /// The number of the profile it is based on; none for one on an R4 type.
    base: Option<usize>,
    validator: OnceLock<Option<Validator>>,
}

/// The shipped files: path and text.
pub(crate) fn shipped() -> &'static [(&'static str, &'static str)] {
    PROFILES
}

/// The shipped profiles and those of a site. Immutable once loaded.
#[derive(Debug)]
pub struct Profiles {
    profiles: Vec<Profile>,
    by_url: AHashMap<String, usize>,
    base: &'static BaseTables,
    lookup: Lookup,
}

impl Profiles {
    /// What ships with the crate.
    #[must_use]
    pub fn builtin(terminology: Arc<Terminology>) -> Profiles {
        let profile = |file: &'static (&'static str, &'static str)| {
            let name = file.0.rsplit('/').next().unwrap_or_default();
            Profile {
                url: format!("{CANONICAL}{}", name.strip_suffix(".json").unwrap_or(name)),
                shipped: Some(file),
                definition: OnceLock::new(),
                ready: OnceLock::new(),
            }
        };
        let profiles: Vec<Profile> = PROFILES.iter().map(profile).collect();
        let by_url = profiles.iter().enumerate().map(|(number, profile)| (profile.url.clone(), number));
        let base = BaseTables::builtin();
        Profiles {
            by_url: by_url.collect(),
            profiles,
            base,
            lookup: Lookup { sets: Arc::new(BoundSets::new(Arc::clone(&terminology), base)), terminology },
        }
    }

    /// What ships with the crate and the StructureDefinition resources among `files` (name and text). Other resources
    /// are left alone; give those to [`Terminology::with_files`] first.
    ///
    /// # Errors
    /// A text that is not JSON, a profile that lacks what it needs, or one that asks for what cannot be enforced. The
    /// error names the file and the element.
    pub fn with_files<N: AsRef<str>, T: AsRef<str>>(
        terminology: Arc<Terminology>,
        files: &[(N, T)],
    ) -> Result<Profiles, LoadError> {
        let mut all = Profiles::builtin(terminology);
        let first = all.profiles.len();
        for (name, content) in files {
            let Some(definition) = Definition::read(name.as_ref(), content.as_ref())? else { continue };
            if all.by_url.insert(definition.url.clone(), all.profiles.len()).is_some() {
                let reason =
                    format!("the profile {} is already loaded; give yours its own `url`.", definition.url);
                return Err(definition.error(reason));
            }
            all.profiles.push(Profile {
                url: definition.url.clone(),
                shipped: None,
                definition: OnceLock::from(Ok(definition)),
                ready: OnceLock::new(),
            });
        }
        for number in first..all.profiles.len() {
            all.try_ready(number).transpose().map_err(Clone::clone)?;
        }
        Ok(all)
    }

    fn definition(&self, number: usize) -> Option<&Definition> {
        self.try_definition(self.profiles.get(number)?).ok()
    }

    fn try_definition<'p>(&self, profile: &'p Profile) -> Result<&'p Definition, &'p LoadError> {
        let read = || {
            let (file, text) = profile.shipped.copied().unwrap_or_default();
            let lacking = || LoadError { file: file.to_owned(), reason: "it is no profile".to_owned() };
            Definition::read(file, text)?.ok_or_else(lacking)
        };
        profile.definition.get_or_init(read).as_ref()
    }

    fn ready(&self, number: usize) -> Option<&Ready> {
        self.try_ready(number)?.ok()
    }

    fn try_ready(&self, number: usize) -> Option<Result<&Ready, &LoadError>> {
        let profile = self.profiles.get(number)?;
        Some(profile.ready.get_or_init(|| self.make_ready(profile)).as_ref())
    }

    fn make_ready(&self, profile: &Profile) -> Result<Ready, LoadError> {
        let definition = self.try_definition(profile).map_err(Clone::clone)?;
        let chain = self.chain(definition)?;
        let compiler = Compiler {
            base: self.base,
            sets: &self.lookup.sets,
            chain: &chain,
            definition,
            rules: HashMap::new(),
            counts: false,
        };
        Ok(Ready {
            compiled: compiler.compile()?,
            conditions: constraint::compile(definition, self.base)?,
            base: self.by_url.get(&definition.base).copied(),
            validator: OnceLock::new(),
        })
    }

    /// A profile and those it is based on, down to an R4 type.
    fn chain<'d>(&'d self, definition: &'d Definition) -> Result<Vec<&'d Definition>, LoadError> {
        let mut chain = vec![definition];
        let mut last = definition;
        while last.base != format!("{R4_BASE}{}", definition.resource_type) {
            let base = self.by_url.get(&last.base).and_then(|number| self.definition(*number));
            let Some(base) = base.filter(|base| base.resource_type == definition.resource_type) else {
                return Err(definition.error(format!(
                    "`baseDefinition` leads to {}, which is neither a loaded profile nor the R4 type {}; add its file.",
                    last.base, definition.resource_type
                )));
            };
            if chain.iter().any(|known| known.url == base.url) {
                return Err(
                    definition.error("`baseDefinition` leads back to the profile itself; correct it.")
                );
            }
            chain.push(base);
            last = base;
        }
        Ok(chain)
    }

    /// The code systems and value sets that the profiles are bound to.
    #[must_use]
    pub fn terminology(&self) -> &Terminology {
        &self.lookup.terminology
    }

    /// The canonical addresses of the loaded profiles, the shipped ones first.
    pub fn urls(&self) -> impl Iterator<Item = &str> {
        self.profiles.iter().map(|profile| profile.url.as_str())
    }

    /// The conditions that the profiles state beyond those of R4, in the order of the profiles.
    pub fn conditions(&self) -> impl Iterator<Item = StatedCondition<'_>> {
        self.profiles.iter().enumerate().flat_map(|(number, profile)| {
            let conditions = self.ready(number).into_iter().flat_map(|ready| &ready.conditions);
            conditions.map(|condition| StatedCondition {
                key: condition.constraint.key(),
                severity: condition.constraint.severity(),
                human: condition.constraint.human(),
                expression: condition.constraint.written(),
                on: vec![condition.path.as_str()],
                profile: Some(profile.url.as_str()),
                handling: Handling::AsWritten,
            })
        })
    }

    /// Holds one resource against its profiles. `pointer` is where it stands in its document.
    ///
    /// References to other parts of a Bundle are not followed; [`Profiles::check_document`] does so.
    pub fn check(&self, resource: &Value, pointer: &str, issues: &mut Vec<Issue>) {
        self.check_within(resource, pointer, &Surroundings::default(), issues);
    }

    /// Holds a resource, the resources of a Bundle, and what these contain against their profiles.
    #[must_use]
    pub fn check_document(&self, document: &Value) -> Vec<Issue> {
        let mut issues = Vec::new();
        self.walk(document, "", &Surroundings::default(), &mut issues);
        issues
    }

    /// The profiles that the resources of a document are held against, by pointer; those without any are left out.
    pub(crate) fn held_against(&self, document: &Value) -> Vec<(String, Vec<&str>)> {
        let mut held = Vec::new();
        let entries = document.get("entry").and_then(Value::as_array).into_iter().flatten().enumerate();
        let inside = entries.filter_map(|(number, entry)| {
            Some((format!("/entry/{number}/resource"), entry.get("resource")?))
        });
        for (pointer, resource) in std::iter::once((String::new(), document)).chain(inside) {
            let chosen = self.select(resource, &pointer).profiles;
            let urls: Vec<&str> = chosen
                .into_iter()
                .filter_map(|number| Some(self.profiles.get(number)?.url.as_str()))
                .collect();
            if !urls.is_empty() {
                held.push((pointer, urls));
            }
        }
        held
    }

    fn walk(&self, resource: &Value, pointer: &str, around: &Surroundings<'_>, issues: &mut Vec<Issue>) {
        if resource.get("resourceType").and_then(Value::as_str) == Some("Bundle") {
            let entries = resource.get("entry").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
            let types = entries.iter().filter_map(|entry| {
                let url = entry.get("fullUrl").and_then(Value::as_str)?;
                let kind = entry.pointer("/resource/resourceType").and_then(Value::as_str)?;
                Some((url, kind))
            });
            let inside = Surroundings { entries: types.collect() };
            for (number, entry) in entries.iter().enumerate() {
                if let Some(inner) = entry.get("resource") {
                    self.walk(inner, &format!("{pointer}/entry/{number}/resource"), &inside, issues);
                }
            }
            return;
        }
        self.check_within(resource, pointer, around, issues);
        let contained = resource.get("contained").and_then(Value::as_array).into_iter().flatten();
        for (number, inner) in contained.enumerate() {
            self.check_within(inner, &format!("{pointer}/contained/{number}"), around, issues);
        }
    }

    fn check_within(
        &self,
        resource: &Value,
        pointer: &str,
        around: &Surroundings<'_>,
        issues: &mut Vec<Issue>,
    ) {
        if issues.len() >= MOST_ISSUES {
            return;
        }
        let selection = self.select(resource, pointer);
        let mut found = Vec::new();
        for number in selection.profiles {
            self.apply(number, resource, pointer, around, &mut found);
        }
        if selection.code_at_fault {
            // The code was judged once, against the whole code system; each profile would only repeat it.
            let code = push_pointer(pointer, "code");
            found.retain(|issue| !issue.pointer.starts_with(&code));
        }
        issues.extend(selection.issues);
        issues.extend(found);
    }

    fn apply(
        &self,
        number: usize,
        resource: &Value,
        pointer: &str,
        around: &Surroundings<'_>,
        issues: &mut Vec<Issue>,
    ) {
        let (Some(definition), Some(ready)) = (self.definition(number), self.ready(number)) else {
            return issues
                .push(unusable(self.profiles.get(number).map_or("", |profile| &profile.url), pointer));
        };
        let build = || keywords::options(&self.lookup, &ready.compiled).build(&ready.compiled.schema).ok();
        let Some(validator) = ready.validator.get_or_init(build) else {
            return issues.push(unusable(&definition.name, pointer));
        };
        // To know that all is well is cheaper than to gather what is not.
        let errors = (!validator.is_valid(resource)).then(|| validator.iter_errors(resource));
        for error in errors.into_iter().flatten() {
            let rule = enclosing(error.schema_path().as_str(), &ready.compiled);
            let Some(rule) = rule else {
                let message = format!("Profile `{}` refuses this without a reason.", definition.name);
                issues.push(Issue::new(&rules::PROFILE_UNUSABLE, pointer, message));
                continue;
            };
            let failure = Failure {
                profile: definition,
                rule,
                pointer: format!("{pointer}{}", error.instance_path().as_str()),
                value: error.instance(),
                resource,
            };
            failure.report(&self.lookup, around, issues);
        }
        constraint::check(&ready.conditions, self.base, resource, pointer, issues);
    }
}

/// The rule whose place in the schema is the nearest one around `path`.
fn enclosing<'c>(path: &str, compiled: &'c Compiled) -> Option<&'c compile::Rule> {
    let mut path = path;
    loop {
        if let Some(rule) = compiled.rules.get(path) {
            return Some(rule);
        }
        path = path.rsplit_once('/')?.0;
    }
}

/// A profile that a resource could not be held against. A test makes all that ship ready.
fn unusable(name: &str, pointer: &str) -> Issue {
    let message = format!("Profile `{name}` could not be built.");
    Issue::new(&rules::PROFILE_UNUSABLE, pointer, message)
}

#[cfg(test)]
mod tests;
