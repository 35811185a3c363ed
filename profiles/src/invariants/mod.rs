//! Invariants: the conditions that FHIR and the profiles state as FHIRPath, and the checks that stand for them.
//!
//! # The FHIRPath subset
//!
//! Source: HL7 FHIRPath Normative Release 1 (2.0.0) and the FHIRPath page of FHIR R4. What is outside the subset is
//! refused when an expression is compiled, by name and place; nothing is skipped when it runs.
//!
//! - Paths, `[index]`, `$this`, `$index`, `%resource`, `%rootResource`, `%context`, `%ucum`, `%sct`, `%loinc`; a path
//!   may begin with the type of its focus. A choice element is reached by its stem: `value` finds `valueQuantity`.
//! - Literals of Boolean, String, numbers, Date, DateTime, Time, Quantity with a UCUM unit, and `{}`.
//! - Operators `= != < <= > >= is as | in contains and or xor implies + - * / div mod &`. Not `~` and `!~`.
//! - Functions: see `functions`, and `is()`, `as()`, `ofType()`. Not among them: whatever needs a clock (`now`,
//!   `today`), another resource (`resolve`, `conformsTo`), a terminology server (`memberOf`, `subsumes`), or unbounded
//!   work (`repeat`, `aggregate`).
//!
//! Where the standard leaves room: `matches` means the whole text; `as()` accepts many items, as HL7's own dom-3
//! needs; a string beside a date is read as a date; Quantities are compared in the same unit only, else the result is
//! empty. Dates compare as far as both are known, beyond that the result is empty.
//!
//! # Unknown is no breach
//!
//! An invariant is broken when it is false. Empty means that it cannot be decided, mostly because an element is absent
//! that its own cardinality rule speaks for. Published invariants that are meant to fail on an absent element, yet say
//! it so that the result is empty, are restated in `exceptions`. A misspelt element would be unknown for ever:
//! [`Expression::check_names`] finds it when a profile is loaded.
//!
//! # Bounds
//!
//! Every elementary step is paid from a budget that grows linearly with the document ([`Steps`]). What does not depend
//! on `$this` is evaluated once for each focus, and sets are looked up by hash, so honest documents stay far below it.

mod calls;
mod compare;
mod evaluate;
mod exceptions;
mod expression;
mod focus;
mod functions;
mod item;
mod lexer;
mod moment;
mod names;
mod native;
mod parser;
mod scalar_calls;
mod stated;
mod syntax;
mod table;
#[cfg(test)]
mod tests;
mod types;
mod walk;
mod xhtml;

use crate::issue::{IssueType, Rule, Severity};
pub use evaluate::EvaluationError;
pub use expression::{CompileError, Expression};
pub use focus::{ElementTypes, Focus, Steps};
pub use names::UnknownElement;
pub use stated::{Handling, StatedCondition, published};
pub use table::{Constraint, InvariantRow, InvariantTable, Origin, TableError};
pub use walk::check;

/// The rule behind every published invariant; an issue carries the invariant's own key. Under this id itself stand the
/// invariants that could not be evaluated.
pub static INVARIANT: Rule = Rule {
    id: "invariant",
    severity: Severity::Error,
    issue_type: IssueType::Invariant,
    summary: "A condition that FHIR or a profile states for an element does not hold, or cannot be evaluated",
    why: "Each type of FHIR carries conditions across its elements, such as obs-6: a result has a value or a reason \
          for its absence, not both. Issues name the published key of the condition. When this id itself is named, \
          the element is built in a way that the condition cannot be applied to.",
    mend: "Change the element so that the condition in the message holds.",
    source: "HL7 FHIR R4 4.0.1, constraints of the base definitions (CC0); FHIRPath N1 (2.0.0)",
};

/// The rules of this family.
pub static RULES: &[&Rule] = &[&INVARIANT];
