//! The conditions as they are told to people: what each says, where it stands, and how it is checked here.

use std::collections::BTreeMap;

use super::exceptions::{Treatment, exception};
use crate::definitions::BaseTables;
use crate::issue::Severity;

/// A condition that FHIR R4 or a profile states for an element, under the key that an issue gives as its rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedCondition<'s> {
    /// The published key, such as `obs-6`. Some keys stand for more than one condition.
    pub key: &'s str,
    /// How bad a breach is: error or warning.
    pub severity: Severity,
    /// The condition in the words of its publisher.
    pub human: &'s str,
    /// The condition in FHIRPath; empty where the publisher gives none.
    pub expression: &'s str,
    /// The types and elements that carry it, sorted.
    pub on: Vec<&'s str>,
    /// The canonical address of the profile that states it; none for R4 itself.
    pub profile: Option<&'s str>,
    /// How it is checked here.
    pub handling: Handling,
}

/// How a condition is checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Handling {
    /// By its expression.
    AsWritten,
    /// By code, for the reason given.
    ByCode(&'static str),
    /// By another expression, for the reason given.
    Restated {
        /// The expression that stands for the published one.
        expression: &'static str,
        /// Why.
        reason: &'static str,
    },
    /// Not at all, for the reason given.
    LeftOut(&'static str),
}

fn handling(key: &str) -> Handling {
    let Some(exception) = exception(key) else { return Handling::AsWritten };
    let reason = exception.reason;
    match exception.treatment {
        Treatment::Native => Handling::ByCode(reason),
        Treatment::Restated(expression) => Handling::Restated { expression, reason },
        Treatment::LeftOut => Handling::LeftOut(reason),
    }
}

/// The conditions of R4, by key.
#[must_use]
pub fn published(tables: &BaseTables) -> Vec<StatedCondition<'_>> {
    let mut stated: BTreeMap<(&str, &str), StatedCondition<'_>> = BTreeMap::new();
    let mut paths: Vec<&str> = tables.invariant_paths().collect();
    paths.sort_unstable();
    for path in paths {
        for invariant in tables.invariants(path) {
            let condition = stated.entry((invariant.key, &invariant.human)).or_insert(StatedCondition {
                key: invariant.key,
                severity: invariant.severity,
                human: &invariant.human,
                expression: &invariant.expression,
                on: Vec::new(),
                profile: None,
                handling: handling(invariant.key),
            });
            condition.on.push(path);
        }
    }
    stated.into_values().collect()
}
