//! Facts to a risk category, exactly: the set of categories that no completion of the unknown facts can leave.

mod completions;
mod guideline;

use crate::engine::LoadError;
use crate::findings::{Fact, FactTable, State};
pub use completions::{Possibilities, Witness};
pub use guideline::{Advice, Category, Condition, Guideline, GuidelineRule, Interval, Source};

/// The shipped guidelines: id and content.
const BUILTIN: &[(&str, &str)] = &[("iwgdf-2023.json", include_str!("../../guidelines/iwgdf-2023.json"))];

/// Loads the shipped guidelines.
///
/// # Errors
/// When a file is inconsistent: an unknown category, rules that leave a case open, a missing source.
pub fn builtin_guidelines() -> Result<Vec<Guideline>, LoadError> {
    BUILTIN.iter().map(|(file, text)| Guideline::load(file, text)).collect()
}

/// Ids of the shipped guidelines, the default first.
#[must_use]
pub fn guideline_ids() -> Vec<&'static str> {
    BUILTIN.iter().filter_map(|(file, _)| file.strip_suffix(".json")).collect()
}

/// Stratifies the facts of a person or of a foot.
#[must_use]
pub fn stratify(guideline: &Guideline, facts: &FactTable) -> Possibilities {
    completions::possibilities(guideline, &|fact: Fact| facts.state(fact))
}

/// Stratifies with one fact taken as known.
#[must_use]
pub fn stratify_with(guideline: &Guideline, facts: &FactTable, known: Fact, state: State) -> Possibilities {
    completions::possibilities(guideline, &|fact: Fact| if fact == known { state } else { facts.state(fact) })
}
