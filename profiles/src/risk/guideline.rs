//! A guideline as data: categories in order, rules in order, intervals, advice, and a source for each of them.

use std::collections::BTreeMap;

use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::engine::LoadError;
use crate::findings::{Fact, State};
use crate::time::IntervalUnit;

/// Where a value comes from.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// The publication.
    pub citation: String,
    /// How it was read: in the text itself, in a restatement, or from `memory`.
    pub read: String,
}

/// A screening interval: a window with both ends.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Interval {
    /// Earliest, in units.
    pub from: i64,
    /// Latest, in units.
    pub to: i64,
    /// The unit.
    pub unit: IntervalUnit,
    /// Key of the source.
    pub source: String,
}

/// What to do for a category, in our own words.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Advice {
    /// The advice.
    pub text: String,
    /// Key of the source.
    pub source: String,
}

/// A category. They are listed from the lowest to the highest.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Category {
    /// Its code behind the id of the guideline in `foot-risk`.
    pub code: String,
    /// Its name.
    pub display: String,
    /// Whether it stands for an active problem, which has an urgency and no interval.
    #[serde(default)]
    pub active: bool,
    /// When to screen again.
    pub interval: Option<Interval>,
    /// What to do.
    #[serde(default)]
    pub advice: Vec<Advice>,
}

/// A condition over facts.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// The fact is present. An unknown fact leaves both possibilities open.
    Fact(Fact),
    /// The fact was recorded as present. The published table does not ask for it, so it counts when found and its
    /// absence from the record changes nothing.
    Recorded(Fact),
    /// All hold; true without any.
    All(Vec<Condition>),
    /// One holds; false without any.
    Any(Vec<Condition>),
    /// It does not hold.
    Not(Box<Condition>),
    /// At least a number of them hold.
    AtLeast {
        /// How many.
        count: usize,
        /// Of which.
        of: Vec<Condition>,
    },
}

impl Condition {
    /// Whether it holds when every asked fact is known.
    pub(super) fn holds(&self, asked: &dyn Fn(Fact) -> bool, recorded: &dyn Fn(Fact) -> State) -> bool {
        match self {
            Condition::Fact(fact) => asked(*fact),
            Condition::Recorded(fact) => recorded(*fact) == State::Present,
            Condition::All(list) => list.iter().all(|condition| condition.holds(asked, recorded)),
            Condition::Any(list) => list.iter().any(|condition| condition.holds(asked, recorded)),
            Condition::Not(condition) => !condition.holds(asked, recorded),
            Condition::AtLeast { count, of } => {
                of.iter().filter(|condition| condition.holds(asked, recorded)).count() >= *count
            }
        }
    }

    /// The facts it speaks of, in order, each once.
    pub(crate) fn facts(&self, out: &mut Vec<Fact>) {
        match self {
            Condition::Fact(fact) | Condition::Recorded(fact) => {
                if !out.contains(fact) {
                    out.push(*fact);
                }
            }
            Condition::All(list) | Condition::Any(list) | Condition::AtLeast { of: list, .. } => {
                list.iter().for_each(|condition| condition.facts(out));
            }
            Condition::Not(condition) => condition.facts(out),
        }
    }

    fn asked(&self, out: &mut Vec<Fact>) {
        match self {
            Condition::Fact(fact) => {
                if !out.contains(fact) {
                    out.push(*fact);
                }
            }
            Condition::Recorded(_) => {}
            Condition::All(list) | Condition::Any(list) | Condition::AtLeast { of: list, .. } => {
                list.iter().for_each(|condition| condition.asked(out));
            }
            Condition::Not(condition) => condition.asked(out),
        }
    }

    fn always(&self) -> bool {
        matches!(self, Condition::All(list) if list.is_empty())
    }
}

/// A rule. The first one that holds decides.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GuidelineRule {
    /// Its name.
    pub id: String,
    /// The category it leads to.
    pub category: String,
    /// When it holds.
    pub when: Condition,
    /// Why, in words.
    pub because: String,
    /// The local policy it states, where the guideline decides nothing.
    pub policy: Option<String>,
    /// Key of the source.
    pub source: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    id: String,
    title: String,
    version: String,
    sources: BTreeMap<String, Source>,
    categories: Vec<Category>,
    rules: Vec<GuidelineRule>,
}

/// A loaded guideline.
#[derive(Debug, Clone)]
pub struct Guideline {
    /// Its id, a code of `foot-risk`.
    pub id: String,
    /// Its name.
    pub title: String,
    /// Version of the file.
    pub version: String,
    /// SHA-256 of the file, in hexadecimal.
    pub hash: String,
    /// The sources by key.
    pub sources: BTreeMap<String, Source>,
    /// The categories, lowest first.
    pub categories: Vec<Category>,
    /// The rules, first match decides.
    pub rules: Vec<GuidelineRule>,
    /// The facts it asks for: an unknown one leaves a range.
    pub asks: Vec<Fact>,
}

/// More asked facts than this would make the exact set of completions too large to enumerate.
const MOST_FACTS: usize = 14;

impl Guideline {
    /// Loads a file and checks it: every category known, a last rule that always holds, every source there.
    ///
    /// # Errors
    /// Names the file and what is wrong.
    pub fn load(file: &str, text: &str) -> Result<Guideline, LoadError> {
        let fail = |reason: String| LoadError { file: file.to_owned(), reason };
        let content: File = serde_json::from_str(text).map_err(|error| fail(error.to_string()))?;
        let hash = Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut hex, byte| {
            hex.push_str(&format!("{byte:02x}"));
            hex
        });
        let cited = content
            .categories
            .iter()
            .flat_map(|category| {
                category.interval.iter().map(|i| &i.source).chain(category.advice.iter().map(|a| &a.source))
            })
            .chain(content.rules.iter().map(|rule| &rule.source));
        for key in cited {
            if !content.sources.contains_key(key) {
                return Err(fail(format!("the source `{key}` is used but not listed under `sources`")));
            }
        }
        for rule in &content.rules {
            if !content.categories.iter().any(|category| category.code == rule.category) {
                return Err(fail(format!(
                    "rule `{}` leads to the unknown category `{}`",
                    rule.id, rule.category
                )));
            }
        }
        for category in &content.categories {
            if category.active == category.interval.is_some() {
                return Err(fail(format!(
                    "category `{}` needs an interval, or `active: true` without one",
                    category.code
                )));
            }
            if let Some(interval) = category.interval.as_ref().filter(|interval| interval.from > interval.to)
            {
                return Err(fail(format!(
                    "category `{}`: the interval ends ({}) before it begins ({})",
                    category.code, interval.to, interval.from
                )));
            }
        }
        if !content.rules.last().is_some_and(|rule| rule.when.always()) {
            return Err(fail(
                "the last rule must hold always (`\"when\": {\"all\": []}`), or a case stays open".into(),
            ));
        }
        let mut asks = Vec::new();
        content.rules.iter().for_each(|rule| rule.when.asked(&mut asks));
        if asks.len() > MOST_FACTS {
            return Err(fail(format!(
                "the rules ask for {} facts; at most {MOST_FACTS} are enumerated",
                asks.len()
            )));
        }
        Ok(Guideline {
            id: content.id,
            title: content.title,
            version: content.version,
            hash,
            sources: content.sources,
            categories: content.categories,
            rules: content.rules,
            asks,
        })
    }

    /// The code of a category in `foot-risk`.
    #[must_use]
    pub fn category_code(&self, category: &Category) -> String {
        format!("{}.{}", self.id, category.code)
    }
}
