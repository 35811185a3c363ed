//! A guideline as data: categories in order, rules in order, intervals, advice, and a source for each of them.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::Deserialize;

use super::condition::{Condition, Test};
use crate::clinical_values::Certainty;
use crate::findings::Fact;
use crate::time::IntervalUnit;

/// Where a value comes from.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// The publication.
    pub citation: String,
    /// How sure it is.
    pub certainty: Certainty,
    /// How it was read, in words.
    pub read: String,
}

impl Source {
    /// The citation, marked where it is from memory.
    pub(crate) fn cited(&self) -> String {
        match self.certainty {
            Certainty::Primary | Certainty::Secondary | Certainty::Policy => self.citation.clone(),
            Certainty::Memory => format!("{} (from memory: check against the publication)", self.citation),
            Certainty::CommonPractice => format!("{} (common practice, no source)", self.citation),
        }
    }
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
    /// What is due, in words, where it is not another foot examination.
    pub what: Option<String>,
    /// Key of the source.
    pub source: String,
}

/// A referral that a category asks for, without an active problem: a window with both ends.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Referral {
    /// To whom and for what, in words.
    pub text: String,
    /// Earliest usual time, in units after the exam.
    pub from: i64,
    /// Latest time, in units after the exam.
    pub to: i64,
    /// The unit.
    pub unit: IntervalUnit,
    /// Key of the source.
    pub source: String,
}

/// The probability of a new foot ulcer, in percent as published.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Probability {
    /// The estimate, with the digits of the publication.
    pub percent: serde_json::Number,
    /// Lower end of the 95 % confidence interval of the estimate for the group.
    pub low: serde_json::Number,
    /// Upper end of it.
    pub high: serde_json::Number,
    /// Within how many months.
    pub within_months: i64,
    /// Key of the source.
    pub source: String,
}

impl Probability {
    /// The estimate and both ends of its interval, in order, as exact decimals.
    pub(super) fn values(&self) -> Option<[Decimal; 3]> {
        let exact = |number: &serde_json::Number| number.to_string().parse::<Decimal>().ok();
        Some([exact(&self.low)?, exact(&self.percent)?, exact(&self.high)?])
    }
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

/// A category. They are listed from the lowest to the highest. It has an interval, or a probability, or stands for an
/// active problem.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Category {
    /// Its code. With an interval, it stands behind the id of the guideline in `foot-risk`.
    pub code: String,
    /// Its name.
    pub display: String,
    /// Whether it stands for an active problem, which has an urgency and no interval or probability.
    #[serde(default)]
    pub active: bool,
    /// When to screen again.
    pub interval: Option<Interval>,
    /// How likely a new ulcer is.
    pub probability: Option<Probability>,
    /// Whom to refer to by the category alone.
    pub referral: Option<Referral>,
    /// What to do.
    #[serde(default)]
    pub advice: Vec<Advice>,
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

/// A rule made ready for trying.
#[derive(Debug, Clone)]
pub(super) struct Decision {
    pub(super) test: Test,
    /// Number of the category.
    pub(super) category: usize,
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
    /// Choices of local policy that every result rests on, where an exam cannot show what the guideline asks.
    pub policies: Vec<String>,
    /// The categories, lowest first.
    pub categories: Vec<Category>,
    /// The rules, first match decides.
    pub rules: Vec<GuidelineRule>,
    /// The facts it asks for: an unknown one leaves a range.
    pub asks: Vec<Fact>,
    /// The rules again, in the same order, ready for trying.
    pub(super) decisions: Vec<Decision>,
}

impl Guideline {
    /// The code of a category in `foot-risk`; none for a category that is a probability and for its case of an active
    /// problem, which have no code there.
    #[must_use]
    pub fn category_code(&self, category: &Category) -> Option<String> {
        (!self.gives_probability()).then(|| format!("{}.{}", self.id, category.code))
    }

    /// Whether it gives the probability of a new ulcer, and no category and no interval.
    #[must_use]
    pub fn gives_probability(&self) -> bool {
        self.categories.iter().any(|category| category.probability.is_some())
    }

    /// Where a source is used: categories by what they take from it, and rules.
    #[must_use]
    pub fn uses(&self, source: &str) -> Vec<String> {
        let mut out = Vec::new();
        for category in &self.categories {
            let cited = [
                (category.interval.as_ref().map(|interval| &interval.source), "interval"),
                (category.probability.as_ref().map(|probability| &probability.source), "probability"),
                (category.referral.as_ref().map(|referral| &referral.source), "referral"),
                (category.advice.iter().map(|advice| &advice.source).find(|key| *key == source), "advice"),
            ];
            let used = cited.into_iter().filter(|(key, _)| key.is_some_and(|key| key == source));
            out.extend(used.map(|(_, what)| format!("{what} of category {}", category.code)));
        }
        let rules = self.rules.iter().filter(|rule| rule.source == source);
        out.extend(rules.map(|rule| format!("rule {}", rule.id)));
        out
    }

    /// Every fact that its rules speak of, in their order.
    #[must_use]
    pub fn facts(&self) -> Vec<Fact> {
        let mut facts = Vec::new();
        self.rules.iter().for_each(|rule| rule.when.facts(&mut facts));
        facts
    }
}
