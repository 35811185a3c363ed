//! [`InvariantTable`]: the published invariants by the path of the element that carries them.

use std::borrow::Cow;
use std::fmt::Display;
use std::sync::OnceLock;

use ahash::AHashMap;

use super::INVARIANT;
use super::evaluate::EvaluationError;
use super::exceptions::{Treatment, exception};
use super::expression::{CompileError, Expression};
use super::focus::Focus;
use super::types::{choice_type, parent_type};
use crate::issue::{Issue, IssueType, Severity};

/// An invariant as its definition lists it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct InvariantRow<'a> {
    /// The path of the element that carries it: `Observation`, `Timing.repeat`,
    /// `RiskAssessment.prediction.probability[x]`.
    pub path: &'a str,
    /// The published key, such as `obs-6`.
    pub key: &'a str,
    /// How bad a breach is: error or warning.
    pub severity: Severity,
    /// The condition in words.
    pub human: &'a str,
    /// The condition as FHIRPath.
    pub expression: &'a str,
}

/// Who states a constraint; it decides the words of the message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// The base definitions of FHIR R4.
    Fhir,
    /// A profile.
    Profile,
}

/// A row that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("invariant {key} on {path}: {source}")]
pub struct TableError {
    /// The path of the element.
    pub path: String,
    /// The key.
    pub key: String,
    /// What is wrong with the expression.
    pub source: CompileError,
}

/// A constraint with its expression, which is compiled when a node is first held against it.
#[derive(Debug, Clone)]
pub struct Constraint {
    key: String,
    severity: Severity,
    human: String,
    origin: Origin,
    written: String,
    expression: OnceLock<Result<Expression, CompileError>>,
}

impl Constraint {
    /// Takes a row and compiles its expression at once.
    ///
    /// # Errors
    /// When the expression is outside the subset.
    pub fn compile(row: InvariantRow<'_>, origin: Origin) -> Result<Constraint, TableError> {
        let constraint = Constraint::stated(row, origin);
        match constraint.expression() {
            Ok(_) => Ok(constraint),
            Err(source) => {
                Err(TableError { path: row.path.to_owned(), key: row.key.to_owned(), source: source.clone() })
            }
        }
    }

    fn stated(row: InvariantRow<'_>, origin: Origin) -> Constraint {
        Constraint {
            key: row.key.to_owned(),
            severity: row.severity,
            human: row.human.to_owned(),
            origin,
            written: row.expression.to_owned(),
            expression: OnceLock::new(),
        }
    }

    fn expression(&self) -> Result<&Expression, &CompileError> {
        self.expression.get_or_init(|| Expression::compile(&self.written)).as_ref()
    }

    /// The published key.
    #[must_use]
    pub fn key(&self) -> &str {
        &self.key
    }

    /// How bad a breach is.
    #[must_use]
    pub fn severity(&self) -> Severity {
        self.severity
    }

    /// The condition in words.
    #[must_use]
    pub fn human(&self) -> &str {
        &self.human
    }

    /// The expression as it was written.
    #[must_use]
    pub fn written(&self) -> &str {
        &self.written
    }

    /// Tests a node; raises an issue at `pointer` when the constraint is broken or cannot be evaluated.
    pub fn test(&self, focus: &Focus<'_>, pointer: impl FnOnce() -> String, issues: &mut Vec<Issue>) {
        let expression = match self.expression() {
            Ok(expression) => expression,
            Err(error) => return issues.push(self.undecidable(error, pointer())),
        };
        match expression.holds(focus) {
            Ok(true) => {}
            Ok(false) => issues.push(self.breach(pointer())),
            Err(error @ EvaluationError::Steps { .. }) => {
                let mut issue = self.undecidable(&error, pointer());
                issue.issue_type = IssueType::TooLong;
                issues.push(issue.mend("Send a smaller document, one exam per message."));
            }
            Err(error) => issues.push(self.undecidable(&error, pointer())),
        }
    }

    fn breach(&self, pointer: String) -> Issue {
        let owner = match self.origin {
            Origin::Fhir => "FHIR",
            Origin::Profile => "the profile",
        };
        let human = self.human.trim_end_matches('.');
        let message = format!("The condition {} of {owner} does not hold here: {human}.", self.key);
        breach(self.key.clone().into(), self.severity, pointer, message)
    }

    /// The issue that a node is built so that the constraint cannot be applied. Its severity is that of a breach:
    /// what could not be checked is not taken as sound.
    fn undecidable(&self, error: &dyn Display, pointer: String) -> Issue {
        let message = format!("The condition {} cannot be evaluated here: {error}.", self.key);
        let mut issue = Issue::new(&INVARIANT, pointer, message);
        issue.severity = self.severity;
        issue.mend("Correct the type or the number of the elements that the condition reads.")
    }
}

/// A breach of a published condition.
pub(super) fn breach(
    key: Cow<'static, str>,
    severity: Severity,
    pointer: String,
    message: impl Into<String>,
) -> Issue {
    let mut issue = Issue::new(&INVARIANT, pointer, message);
    issue.rule = key;
    issue.severity = severity;
    issue
}

/// The invariants of the base definitions, ready to run.
///
/// Build it once with [`InvariantTable::published`] from the rows of the base tables, then call
/// [`check`](super::check) with it and with a closure over the same tables that gives element types:
///
/// ```
/// use solewire_profiles::invariants::{InvariantRow, InvariantTable, check};
/// use solewire_profiles::issue::Severity;
///
/// let row = InvariantRow {
///     path: "Observation",
///     key: "obs-6",
///     severity: Severity::Error,
///     human: "dataAbsentReason SHALL only be present if Observation.value[x] is not present",
///     expression: "dataAbsentReason.empty() or value.empty()",
/// };
/// let table = InvariantTable::published([row]);
/// let types = |_parent: &str, property: &str| match property {
///     "dataAbsentReason" => Some("CodeableConcept"),
///     _ => None,
/// };
/// let observation = serde_json::json!({
///     "resourceType": "Observation", "valueBoolean": true, "dataAbsentReason": {"text": "not done"}
/// });
/// let mut issues = Vec::new();
/// check(&observation, &table, &types, &mut issues);
/// assert_eq!(issues[0].rule, "obs-6");
/// ```
#[derive(Debug, Default)]
pub struct InvariantTable {
    by_path: AHashMap<String, Vec<Constraint>>,
    /// Parent type to its elements that carry constraints.
    elements: AHashMap<String, CarryingElements>,
    /// Whether any primitive type carries constraints.
    on_primitives: bool,
}

/// The elements of one type that carry constraints: name (`probability[x]` for a choice), and the whole path.
#[derive(Debug, Default)]
pub(super) struct CarryingElements(Vec<(String, String)>);

impl InvariantTable {
    /// Takes the published rows. Keys that are checked by code, restated or left out (see the module `exceptions`)
    /// are treated as listed there. A key that stands twice on one path counts once. An expression is compiled when it
    /// is first needed; where it is outside the subset, every node that carries it cannot be judged and raises an issue.
    #[must_use]
    pub fn published<'a>(rows: impl IntoIterator<Item = InvariantRow<'a>>) -> InvariantTable {
        let mut table = InvariantTable::default();
        for mut row in rows {
            match exception(row.key).map(|exception| exception.treatment) {
                Some(Treatment::Native | Treatment::LeftOut) => continue,
                Some(Treatment::Restated(expression)) => row.expression = expression,
                None => {}
            }
            let constraints = table.by_path.entry(row.path.to_owned()).or_default();
            if constraints.iter().any(|other| other.key == row.key) {
                continue;
            }
            constraints.push(Constraint::stated(row, Origin::Fhir));
            let first = row.path.chars().next();
            table.on_primitives |= first.is_some_and(|first| first.is_ascii_lowercase());
            if let Some((parent, element)) = row.path.rsplit_once('.') {
                let CarryingElements(elements) = table.elements.entry(parent.to_owned()).or_default();
                if !elements.iter().any(|(known, _)| known == element) {
                    elements.push((element.to_owned(), row.path.to_owned()));
                }
            }
        }
        table
    }

    /// The constraints carried by a type or an element path.
    pub(super) fn on(&self, path: &str) -> &[Constraint] {
        self.by_path.get(path).map_or(&[], Vec::as_slice)
    }

    /// Whether values of a type have to keep constraints of their own: no primitive type has any in R4.
    pub(super) fn speaks_of_type(&self, ty: &str) -> bool {
        let is_primitive = ty.starts_with(|first: char| first.is_ascii_lowercase());
        let speaks = |ty: &str| self.by_path.contains_key(ty);
        !is_primitive || (self.on_primitives && (speaks(ty) || parent_type(ty).is_some_and(speaks)))
    }

    /// The elements of a type that carry constraints; none for most types.
    pub(super) fn elements_of(&self, ty: &str) -> Option<&CarryingElements> {
        self.elements.get(ty)
    }

    /// The constraints carried by an element, with the path that carries them.
    pub(super) fn on_element<'t>(
        &'t self,
        CarryingElements(elements): &'t CarryingElements,
        property: &str,
    ) -> Option<(&'t str, &'t [Constraint])> {
        let of_choice = |name: &str| {
            let suffix = name.strip_suffix("[x]").and_then(|stem| property.strip_prefix(stem));
            suffix.is_some_and(|suffix| choice_type(suffix).is_some())
        };
        let exact = elements.iter().find(|(name, _)| name == property);
        let (_, path) = exact.or_else(|| elements.iter().find(|(name, _)| of_choice(name)))?;
        Some((path, self.on(path)))
    }
}
