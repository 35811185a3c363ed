//! Facts to a risk category, exactly: the set of categories that no completion of the unknown facts can leave.

mod completions;
mod condition;
mod guideline;
mod load;
#[cfg(test)]
mod tests;

use crate::findings::{Fact, FactTable, State};
use crate::load_error::LoadError;
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

/// The shipped guidelines, with a site's own in the place of those of the same id. The files are names and texts.
///
/// # Errors
/// When a file is inconsistent, has an id or a category that does not ship (they have no code in `foot-risk`), has the
/// version of the shipped file, or stands for the same guideline as another one.
pub(crate) fn guidelines_with(files: &[(&str, &str)]) -> Result<Vec<Guideline>, LoadError> {
    let shipped = builtin_guidelines()?;
    let mut own: Vec<(&str, Guideline)> = Vec::new();
    for &(file, text) in files {
        let fail = |reason: String| Err(LoadError { file: file.to_owned(), reason });
        let guideline = Guideline::load(file, text)?;
        let Some(place) = shipped.iter().find(|other| other.id == guideline.id) else {
            let ids = guideline_ids().join(", ");
            return fail(format!(
                "the id `{}` does not ship; a site's guideline takes the place of one of {ids}",
                guideline.id
            ));
        };
        if let Some((first, _)) = own.iter().find(|(_, other)| other.id == guideline.id) {
            return fail(format!("{first} is also for `{}`; keep one of them", guideline.id));
        }
        if guideline.version == place.version {
            let version = &place.version;
            return fail(format!(
                "its version is `{version}`, as of the shipped file; give it one of its own, such as `{version}-harbour-lane`"
            ));
        }
        let known = |code: &str| place.categories.iter().any(|category| category.code == code);
        if let Some(other) = guideline.categories.iter().find(|category| !known(&category.code)) {
            return fail(format!("the category `{}` has no code of `{}`", other.code, guideline.id));
        }
        own.push((file, guideline));
    }
    let mut out = shipped;
    for (_, guideline) in own {
        if let Some(place) = out.iter_mut().find(|place| place.id == guideline.id) {
            *place = guideline;
        }
    }
    Ok(out)
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
