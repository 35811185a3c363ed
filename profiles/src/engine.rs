//! The facade: what the service and the command line call.

use std::cell::Cell;
use std::collections::HashSet;
use std::sync::{Arc, OnceLock};

use jiff::Timestamp;
use serde_json::Value;

use crate::definitions::{BaseTables, TypeDefinition};
use crate::exam::{self, CheckContext, ExamKey, FootExam, SourceResource, Submission};
use crate::findings;
use crate::invariants::{self, InvariantRow, InvariantTable, StatedCondition};
use crate::inventory::{self, LoadedDefinition};
use crate::issue::Issue;
use crate::json::Document;
use crate::load_error::LoadError;
use crate::profile::Profiles;
use crate::progress::{self, Progress};
use crate::resources::{self, AssessOptions, Derived};
use crate::risk::{self, Guideline};
use crate::sequence::{ExamFacts, Past, Sequence};
use crate::site_files;
use crate::structure;
use crate::terminology::{TERMINOLOGY_UNKNOWN_CODE, Terminology};

/// The shipped definitions, code systems and guidelines, ready to use. Immutable; share it behind an `Arc`.
#[derive(Debug)]
pub struct Engine {
    tables: &'static BaseTables,
    structure: structure::Checker,
    invariants: InvariantTable,
    profiles: Profiles,
    terminology: Arc<Terminology>,
    /// Read at once where a site has some of its own, else when first asked for.
    guidelines: OnceLock<Vec<Guideline>>,
    site: Vec<LoadedDefinition>,
}

impl Engine {
    /// Loads what ships with the crate.
    ///
    /// # Errors
    /// When a shipped file is inconsistent; a test keeps this from happening.
    pub fn builtin() -> Result<Engine, LoadError> {
        Engine::with_site_files::<&str, &str>(&[])
    }

    /// Loads what ships with the crate and the published definitions of a site: the StructureDefinition, ValueSet,
    /// CodeSystem and ConceptMap resources in `files`, each the name of a file and its text, and guidelines in the form of
    /// those that ship. A guideline takes the place of the shipped one of the same id.
    ///
    /// The order of the files does not matter. The names are only for messages.
    ///
    /// # Errors
    /// A file that is none of these, a guideline that leaves a case open or a number without a source, a resource that
    /// stands twice under the same canonical address, or one that asks for what cannot be enforced. The error names the
    /// file (or both) and what to change.
    pub fn with_site_files<N: AsRef<str>, T: AsRef<str>>(files: &[(N, T)]) -> Result<Engine, LoadError> {
        let site_files::Admitted { definitions, guidelines, listed } = site_files::admit(files)?;
        let files = definitions.as_slice();
        let tables = BaseTables::builtin();
        let terminology = Arc::new(Terminology::builtin().with_files(files)?);
        let read = match guidelines.as_slice() {
            [] => OnceLock::new(),
            own => OnceLock::from(risk::guidelines_with(own)?),
        };
        Ok(Engine {
            tables,
            structure: structure::Checker::new(tables),
            invariants: published_invariants(tables),
            profiles: Profiles::with_files(Arc::clone(&terminology), files)?,
            terminology,
            guidelines: read,
            site: listed,
        })
    }

    /// Holds a document (any R4 resource, or a Bundle of them) against everything known. Gives every issue, located
    /// and in the order of the text.
    #[must_use]
    pub fn check(&self, document: &Document, context: &CheckContext) -> Vec<Issue> {
        let mut issues = document.notes();
        let value = document.value();
        self.structure.check(value, &mut issues);
        // The properties of one object are asked for one after the other.
        let last: Cell<Option<&TypeDefinition>> = Cell::new(None);
        let types = |parent: &str, property: &str| {
            let known = last.get().filter(|definition| definition.name == parent);
            let definition = known.or_else(|| self.tables.type_definition(parent));
            last.set(definition);
            Some(definition?.property(property)?.type_use.code.as_ref())
        };
        let mut broken = Vec::new();
        invariants::check(value, &self.invariants, &types, &mut broken);
        let exact = FoundAt::of(&issues);
        broken.retain(|issue| !exact.says_more_exactly(issue));
        structure::append(broken, &mut issues);
        structure::append(self.profiles.check_document(value), &mut issues);
        structure::append(exam::check_codes(&self.terminology, self.tables, value), &mut issues);
        structure::append(exam::check(&self.terminology, value, context), &mut issues);
        keep_the_exact_ones(&mut issues);
        document.locate(&mut issues);
        issues
    }

    /// The profiles that each resource of a document is held against beside R4: where the resource stands, as JSON
    /// pointer, and the canonical addresses. Resources without any are left out.
    #[must_use]
    pub fn profiles_of(&self, document: &Document) -> Vec<(String, Vec<&str>)> {
        self.profiles.held_against(document.value())
    }

    /// Gives the resources of a document their exams and ids. Call it on a document that `check` did not refuse.
    ///
    /// # Errors
    /// The issues that keep a resource from belonging to an exam.
    pub fn submission(&self, document: &Document, context: &CheckContext) -> Result<Submission, Vec<Issue>> {
        exam::submission(&self.terminology, document.value(), context).map_err(|mut issues| {
            document.locate(&mut issues);
            issues
        })
    }

    /// How far an exam has come, by the first of the guidelines: what is recorded and what is missing. None when that
    /// guideline is not known.
    #[must_use]
    pub fn progress(
        &self,
        resources: &[&Value],
        options: &AssessOptions,
        past: Past<'_>,
    ) -> Option<Progress> {
        let ExamFacts { exam, mut findings } = self.facts(resources, options);
        Sequence::of(past.exams, &exam, &mut findings);
        let id = options.guidelines.first()?;
        let guideline = self.guidelines().iter().find(|guideline| guideline.id == *id)?;
        Some(progress::progress(guideline, &exam, &findings, past.closed))
    }

    /// The test that an Observation reports; none when it is no result of a foot examination.
    #[must_use]
    pub fn test_of(&self, observation: &Value) -> Option<exam::Test> {
        exam::test_of(&self.terminology, observation)
    }

    /// The element in which two Observations are not the same result: its code, subject, encounter or identifier. None
    /// when the second can take the place of the first.
    #[must_use]
    pub fn changed_identity(&self, old: &Value, new: &Value) -> Option<&'static str> {
        exam::changed_identity(&self.terminology, old, new)
    }

    /// Derives the resources that follow from the current resources of one exam, as [`Engine::submission`] placed
    /// them (or as they were stored after that). Guidelines that are not known are left out: ask
    /// [`Engine::knows_guideline`] first.
    #[must_use]
    pub fn assess(&self, key: &ExamKey, resources: &[&Value], options: &AssessOptions) -> Derived {
        self.assess_after(key, resources, options, Past::default())
    }

    /// Derives as [`Engine::assess`] does, in the light of what is known beside the exam. History that an earlier exam
    /// recorded stays in force, so no category is lower than without it.
    #[must_use]
    pub fn assess_after(
        &self,
        key: &ExamKey,
        resources: &[&Value],
        options: &AssessOptions,
        past: Past<'_>,
    ) -> Derived {
        let ExamFacts { exam, mut findings } = self.facts(resources, options);
        let sequence = Sequence::of(past.exams, &exam, &mut findings);
        let guidelines: Vec<&Guideline> = options
            .guidelines
            .iter()
            .filter_map(|id| self.guidelines().iter().find(|guideline| guideline.id == *id))
            .collect();
        resources::derive(&resources::Derivation {
            key,
            exam: &exam,
            findings: &findings,
            guidelines,
            options,
            sequence: sequence.as_ref(),
            so_far: past.assessments,
            closed: past.closed && exam.panel == exam::PanelStatus::NoPanel,
        })
    }

    /// When an exam was made: by its panel, else by the latest of its results. None when no exact time is given.
    #[must_use]
    pub fn exam_time(&self, resources: &[&Value]) -> Option<Timestamp> {
        self.read(resources).time?.timestamp()
    }

    /// Reads the resources of one exam and the facts in it, so that other exams of the person can be held against it.
    #[must_use]
    pub fn facts(&self, resources: &[&Value], options: &AssessOptions) -> ExamFacts {
        let exam = self.read(resources);
        let findings = findings::findings(&exam, &self.terminology, options.monofilament);
        ExamFacts { exam, findings }
    }

    fn read(&self, resources: &[&Value]) -> FootExam {
        let sources: Vec<SourceResource<'_>> = resources
            .iter()
            .map(|resource| {
                let text = |name: &str| resource.get(name).and_then(Value::as_str).unwrap_or_default();
                SourceResource {
                    reference: format!("{}/{}", text("resourceType"), text("id")),
                    pointer: String::new(),
                    value: resource,
                }
            })
            .collect();
        exam::read(&self.terminology, &sources).0
    }

    /// The definitions that documents are held against: those that ship, by kind and address, then those of the site.
    #[must_use]
    pub fn definitions(&self) -> Vec<LoadedDefinition> {
        let mut definitions = inventory::shipped();
        definitions.extend(self.site.iter().cloned());
        definitions
    }

    /// Every condition that R4 and the loaded profiles state in FHIRPath: R4's by key, then those of the profiles.
    #[must_use]
    pub fn conditions(&self) -> Vec<StatedCondition<'_>> {
        let mut conditions = invariants::published(self.tables);
        conditions.extend(self.profiles.conditions());
        conditions
    }

    /// Whether a guideline of this id is loaded.
    #[must_use]
    pub fn knows_guideline(&self, id: &str) -> bool {
        self.guidelines().iter().any(|guideline| guideline.id == id)
    }

    /// The loaded guidelines.
    #[must_use]
    pub fn guidelines(&self) -> &[Guideline] {
        // A test keeps those that ship from failing.
        self.guidelines.get_or_init(|| risk::builtin_guidelines().unwrap_or_default())
    }
}

/// Published invariants that say again what a structure rule says more exactly.
const RESTATED: &[(&str, &str)] = &[
    ("bdl-7", "bundle-full-url-duplicate"),
    ("dom-2", "structure-contained"),
    ("ele-1", "structure-cardinality"),
    ("ele-1", "structure-primitive"),
    ("ele-1", "structure-type"),
    ("sqty-1", "structure-cardinality"),
];

/// Where the structure rules found something, in order, for each condition that they restate.
struct FoundAt<'i>(Vec<(&'static str, Vec<&'i str>)>);

impl<'i> FoundAt<'i> {
    fn of(issues: &'i [Issue]) -> FoundAt<'i> {
        let mut found: Vec<(&str, Vec<&str>)> = Vec::new();
        for (key, rule) in RESTATED {
            let places =
                issues.iter().filter(|issue| issue.rule == *rule).map(|issue| issue.pointer.as_str());
            match found.iter_mut().find(|(known, _)| known == key) {
                Some((_, known)) => known.extend(places),
                None => found.push((key, places.collect())),
            }
        }
        for (_, places) in &mut found {
            places.sort_unstable();
        }
        FoundAt(found)
    }

    /// Whether a structure rule found the fault of a broken condition at its place or below it.
    fn says_more_exactly(&self, broken: &Issue) -> bool {
        let Some((_, places)) = self.0.iter().find(|(key, _)| *key == broken.rule) else { return false };
        let first = places.partition_point(|place| *place < broken.pointer.as_str());
        places.get(first).is_some_and(|place| place.starts_with(&broken.pointer))
    }
}

/// Rules that say exactly what is wrong with a code, a side or a unit, where a profile only says that it does not fit.
const EXACT: &[&str] = &["exam-side-conflict", "exam-unit", "terminology-unmapped-code"];
const INEXACT: &[&str] = &["profile-pattern", "profile-binding", "profile-binding-extensible"];

fn keep_the_exact_ones(issues: &mut Vec<Issue>) {
    // One of the two may speak of a coding and the other of its concept.
    fn concept(at: &str) -> &str {
        at.rsplit_once("/coding/").map_or(at, |(concept, _)| concept)
    }
    leave_unknown_codes_to_others(issues);
    let exact = |issue: &&Issue| EXACT.contains(&issue.rule.as_ref()) && issue.severity.refuses();
    let places: HashSet<String> = issues.iter().filter(exact).map(|issue| issue.pointer.clone()).collect();
    if places.is_empty() {
        return;
    }
    let concepts: HashSet<String> = places.iter().map(|at| concept(at).to_owned()).collect();
    issues.retain(|issue| {
        let at = issue.pointer.as_str();
        let covered = places.contains(at)
            || places.contains(concept(at))
            || (at == concept(at) && concepts.contains(at));
        !(covered && INEXACT.contains(&issue.rule.as_ref()))
    });
}

/// That a code is in no code system says less than what a profile says of the same coding or its concept.
fn leave_unknown_codes_to_others(issues: &mut Vec<Issue>) {
    let is_unknown = |issue: &Issue| issue.rule == TERMINOLOGY_UNKNOWN_CODE.id;
    if !issues.iter().any(is_unknown) {
        return;
    }
    let said: HashSet<String> = issues
        .iter()
        .filter(|issue| issue.severity.refuses() && !is_unknown(issue))
        .map(|issue| issue.pointer.clone())
        .collect();
    issues.retain(|issue| {
        let coding = issue.pointer.strip_suffix("/code").unwrap_or(&issue.pointer);
        let concept = coding.rsplit_once("/coding/").map_or(coding, |(concept, _)| concept);
        !is_unknown(issue) || ![issue.pointer.as_str(), coding, concept].iter().any(|at| said.contains(*at))
    });
}

fn published_invariants(tables: &'static BaseTables) -> InvariantTable {
    InvariantTable::published(tables.invariant_paths().flat_map(|path| {
        tables.invariants(path).iter().map(move |invariant| InvariantRow {
            path,
            key: invariant.key,
            severity: invariant.severity,
            human: &invariant.human,
            expression: &invariant.expression,
        })
    }))
}
