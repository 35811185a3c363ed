//! Reads a guideline file and refuses one that leaves a case open or a clinical number without a source.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::Deserialize;
use sha2::{Digest, Sha256};

use super::condition::Test;
use super::guideline::{Category, Decision, Guideline, GuidelineRule, Source};
use crate::clinical_values::Certainty;
use crate::load_error::LoadError;
use crate::time::IntervalUnit;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    id: String,
    title: String,
    version: String,
    sources: BTreeMap<String, Source>,
    #[serde(default)]
    policies: Vec<String>,
    categories: Vec<Category>,
    rules: Vec<GuidelineRule>,
}

/// More asked facts than this would make the exact set of completions too large to enumerate.
const MOST_FACTS: usize = 14;
/// More categories than this would not fit the word in which sets of them are kept.
const MOST_CATEGORIES: usize = 64;

impl Guideline {
    /// Loads a file and checks it: every fact and category known, the last rule always holding, the categories in
    /// order, every value with a source and every clinical number with a published one (or marked as from memory).
    ///
    /// # Errors
    /// Names the file and what is wrong.
    pub fn load(file: &str, text: &str) -> Result<Guideline, LoadError> {
        let fail = |reason: String| LoadError { file: file.to_owned(), reason };
        let content: File = serde_json::from_str(text).map_err(|error| fail(error.to_string()))?;
        content.check().map_err(fail)?;
        let hash = Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut hex, byte| {
            hex.push_str(&format!("{byte:02x}"));
            hex
        });
        let mut asks = Vec::new();
        content.rules.iter().for_each(|rule| rule.when.asked(&mut asks));
        if asks.len() > MOST_FACTS {
            let reason =
                format!("the rules ask for {} facts; at most {MOST_FACTS} are enumerated", asks.len());
            return Err(fail(reason));
        }
        let decisions = content
            .rules
            .iter()
            .filter_map(|rule| {
                let category = content.categories.iter().position(|other| other.code == rule.category)?;
                Some(Decision { test: Test::of(&rule.when), category })
            })
            .collect();
        Ok(Guideline {
            id: content.id,
            title: content.title,
            version: content.version,
            hash,
            sources: content.sources,
            policies: content.policies,
            categories: content.categories,
            rules: content.rules,
            asks,
            decisions,
        })
    }
}

impl File {
    fn check(&self) -> Result<(), String> {
        for (key, source) in &self.sources {
            if source.citation.is_empty() || source.read.is_empty() {
                return Err(format!("the source `{key}` needs a citation and how it was read"));
            }
        }
        if self.categories.len() > MOST_CATEGORIES {
            return Err(format!(
                "{} categories; at most {MOST_CATEGORIES} are kept apart",
                self.categories.len()
            ));
        }
        let mut codes = BTreeSet::new();
        for category in &self.categories {
            if !codes.insert(category.code.as_str()) {
                return Err(format!("the category `{}` is listed twice", category.code));
            }
            self.check_category(category)?;
        }
        let mut ids = BTreeSet::new();
        for rule in &self.rules {
            if !ids.insert(rule.id.as_str()) {
                return Err(format!("the rule `{}` is listed twice", rule.id));
            }
            if !codes.contains(rule.category.as_str()) {
                return Err(format!("rule `{}` leads to the unknown category `{}`", rule.id, rule.category));
            }
            let certainty = self.source(&rule.source)?.certainty;
            if rule.policy.is_some() != (certainty == Certainty::Policy) {
                return Err(format!(
                    "rule `{}`: a rule of local policy states it under `policy` and cites a source of that \
                     certainty; any other rule does neither",
                    rule.id
                ));
            }
        }
        if let Some(code) = codes.iter().find(|code| self.rules.iter().all(|rule| rule.category != **code)) {
            return Err(format!("no rule leads to the category `{code}`"));
        }
        let always = self.rules.iter().position(|rule| rule.when.always());
        if always.is_none_or(|number| number + 1 != self.rules.len()) {
            return Err(
                "the last rule, and no other, must hold always (`\"when\": {\"all\": []}`), or a case stays open"
                    .to_owned(),
            );
        }
        self.check_order()
    }

    fn source(&self, key: &str) -> Result<&Source, String> {
        let listed = self.sources.get(key);
        listed.ok_or_else(|| format!("the source `{key}` is used but not listed under `sources`"))
    }

    /// The source of a clinical number, which local policy cannot be.
    fn number_source(&self, category: &Category, key: &str) -> Result<(), String> {
        match self.source(key)?.certainty {
            Certainty::Primary | Certainty::Secondary | Certainty::Memory => Ok(()),
            other @ (Certainty::CommonPractice | Certainty::Policy) => Err(format!(
                "category `{}`: a clinical number needs a publication, or `memory`; `{key}` is {}",
                category.code,
                other.words()
            )),
        }
    }

    fn check_category(&self, category: &Category) -> Result<(), String> {
        let code = &category.code;
        for advice in &category.advice {
            self.source(&advice.source)?;
        }
        let kinds = [category.active, category.interval.is_some(), category.probability.is_some()];
        if kinds.iter().filter(|kind| **kind).count() != 1 {
            return Err(format!(
                "category `{code}` needs an interval or a probability, or `active: true` without either"
            ));
        }
        let windows = [
            category.interval.as_ref().map(|interval| (interval.from, interval.to, &interval.source)),
            category.referral.as_ref().map(|referral| (referral.from, referral.to, &referral.source)),
        ];
        for (from, to, source) in windows.into_iter().flatten() {
            self.number_source(category, source)?;
            if from < 1 || to < from {
                return Err(format!(
                    "category `{code}`: the window from {from} to {to} is empty or begins before the exam"
                ));
            }
        }
        if let Some(probability) = &category.probability {
            self.number_source(category, &probability.source)?;
            let plausible = probability.values().is_some_and(|values| {
                values.is_sorted()
                    && values.iter().all(|value| (Decimal::ZERO..=Decimal::ONE_HUNDRED).contains(value))
            });
            if !plausible || probability.within_months < 1 {
                return Err(format!(
                    "category `{code}`: the probability needs percentages from 0 to 100, `percent` between `low` and \
                     `high`, and a time of a month or more"
                ));
            }
        }
        Ok(())
    }

    /// From the lowest category to the highest, the time to the next examination does not grow, the probability does,
    /// and active problems come last.
    fn check_order(&self) -> Result<(), String> {
        for pair in self.categories.windows(2) {
            let [lower, higher] = pair else { continue };
            let in_order = match (lower, higher) {
                _ if lower.active => higher.active,
                _ if higher.active => true,
                _ => match (&lower.interval, &higher.interval) {
                    (Some(before), Some(after)) => {
                        days(after.to, after.unit) <= days(before.to, before.unit)
                            && days(after.from, after.unit) <= days(before.from, before.unit)
                    }
                    (None, None) => {
                        let percent = |category: &Category| {
                            category.probability.as_ref().and_then(|probability| probability.values())
                        };
                        matches!((percent(lower), percent(higher)), (Some([_, before, _]), Some([_, after, _])) if before < after)
                    }
                    _ => false,
                },
            };
            if !in_order {
                return Err(format!(
                    "the categories `{}` and `{}` are not in order, lowest first, or are not of one kind",
                    lower.code, higher.code
                ));
            }
        }
        Ok(())
    }
}

/// Days for comparing lengths of different units; not for dates.
fn days(count: i64, unit: IntervalUnit) -> i64 {
    match unit {
        IntervalUnit::Week => count * 7,
        IntervalUnit::Month => count * 30,
    }
}
