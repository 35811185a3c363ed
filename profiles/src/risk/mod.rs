//! Facts to a risk category, exactly: the set of categories that no completion of the unknown facts can leave.

mod completions;
mod condition;
mod guideline;
mod load;
#[cfg(test)]
mod tests;

use crate::engine::LoadError;
use crate::findings::{Fact, FactTable, State};
pub use completions::{Effect, Possibilities, Witness};
pub use condition::Condition;
pub use guideline::{Advice, Category, Guideline, GuidelineRule, Interval, Probability, Referral, Source};

/// The shipped guidelines: name and content of the file, the default first.
const BUILTIN: &[(&str, &str)] = &[
    ("iwgdf-2023.json", include_str!("../../guidelines/iwgdf-2023.json")),
    ("nice-ng19.json", include_str!("../../guidelines/nice-ng19.json")),
    ("ada-2008.json", include_str!("../../guidelines/ada-2008.json")),
    ("scotland-2016.json", include_str!("../../guidelines/scotland-2016.json")),
    ("podus-2021.json", include_str!("../../guidelines/podus-2021.json")),
];

/// Loads the shipped guidelines.
///
/// # Errors
/// When a file is inconsistent: an unknown category, rules that leave a case open, a number without a source.
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
