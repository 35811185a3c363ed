//! Every way in which the unknown facts could turn out, and what each leads to.

use std::collections::BTreeMap;

use super::guideline::Guideline;
use crate::findings::{Fact, State};

/// One way to a category.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Witness {
    /// Number of the rule that decides, in the guideline.
    pub rule: usize,
    /// How the unknown facts that matter would have to turn out.
    pub assumed: Vec<(Fact, bool)>,
}

/// What an exam can still turn out to be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Possibilities {
    /// For each category still possible (its number in the guideline, lowest first), one way to it.
    pub categories: BTreeMap<usize, Witness>,
    /// The unknown facts that can change the category.
    pub open: Vec<Fact>,
    /// The open facts each of which alone would settle the category, however it turns out.
    pub settles_alone: Vec<Fact>,
    /// The smallest sets of open facts that would settle the category, however they turn out. Empty when it is
    /// settled; equal to `settles_alone`, one by one, when single facts do.
    pub smallest_sets: Vec<Vec<Fact>>,
}

impl Possibilities {
    /// The lowest category still possible.
    #[must_use]
    pub fn lowest(&self) -> Option<(usize, &Witness)> {
        self.categories.first_key_value().map(|(category, witness)| (*category, witness))
    }

    /// The highest category still possible.
    #[must_use]
    pub fn highest(&self) -> Option<(usize, &Witness)> {
        self.categories.last_key_value().map(|(category, witness)| (*category, witness))
    }

    /// Whether one category is left.
    #[must_use]
    pub fn settled(&self) -> bool {
        self.categories.len() == 1
    }
}

pub(super) fn possibilities(guideline: &Guideline, state: &dyn Fn(Fact) -> State) -> Possibilities {
    let unknown: Vec<Fact> =
        guideline.asks.iter().copied().filter(|&fact| state(fact) == State::Unknown).collect();
    let number_of = |code: &str| guideline.categories.iter().position(|category| category.code == code);
    let decide = |mask: usize| -> Option<(usize, usize)> {
        let asked = |fact: Fact| match unknown.iter().position(|&other| other == fact) {
            Some(bit) => mask >> bit & 1 == 1,
            None => state(fact) == State::Present,
        };
        let (rule, found) =
            guideline.rules.iter().enumerate().find(|(_, rule)| rule.when.holds(&asked, state))?;
        Some((number_of(&found.category)?, rule))
    };
    // The last rule of a loaded guideline always holds, so every completion has an outcome.
    let outcomes: Vec<(usize, usize)> = (0..1_usize << unknown.len()).filter_map(decide).collect();
    let category = |mask: usize| outcomes.get(mask).map(|(category, _)| *category);
    let open: Vec<Fact> = unknown
        .iter()
        .enumerate()
        .filter(|(bit, _)| (0..outcomes.len()).any(|mask| category(mask) != category(mask ^ (1 << bit))))
        .map(|(_, fact)| *fact)
        .collect();
    let open_bits: usize =
        unknown.iter().enumerate().filter(|(_, fact)| open.contains(fact)).map(|(bit, _)| 1 << bit).sum();
    let mut categories: BTreeMap<usize, (u32, usize, usize)> = BTreeMap::new();
    for (mask, (category, rule)) in outcomes.iter().enumerate() {
        // Prefer the way that assumes the fewest problems; facts that do not matter are assumed absent.
        if mask & !open_bits == 0 {
            let weight = mask.count_ones();
            let best = categories.entry(*category).or_insert((weight, mask, *rule));
            if weight < best.0 {
                *best = (weight, mask, *rule);
            }
        }
    }
    let settles = |set: usize| {
        let mut by_answer: BTreeMap<usize, usize> = BTreeMap::new();
        outcomes
            .iter()
            .enumerate()
            .all(|(mask, (category, _))| by_answer.entry(mask & set).or_insert(*category) == category)
    };
    let facts_of = |set: usize| -> Vec<Fact> {
        unknown.iter().enumerate().filter(|(bit, _)| set >> bit & 1 == 1).map(|(_, fact)| *fact).collect()
    };
    let mut smallest: Vec<usize> = Vec::new();
    if categories.len() > 1 {
        let mut sets: Vec<usize> =
            (1..1_usize << unknown.len()).filter(|set| set & !open_bits == 0).collect();
        sets.sort_by_key(|set| set.count_ones());
        for set in sets {
            if smallest.first().is_some_and(|first| first.count_ones() < set.count_ones()) {
                break;
            }
            if settles(set) {
                smallest.push(set);
            }
        }
    }
    let settles_alone = open
        .iter()
        .copied()
        .filter(|fact| smallest.iter().any(|&set| set.count_ones() == 1 && facts_of(set).contains(fact)))
        .collect();
    Possibilities {
        categories: categories
            .into_iter()
            .map(|(category, (_, mask, rule))| {
                let assumed = unknown
                    .iter()
                    .enumerate()
                    .filter(|(_, fact)| open.contains(fact))
                    .map(|(bit, fact)| (*fact, mask >> bit & 1 == 1))
                    .collect();
                (category, Witness { rule, assumed })
            })
            .collect(),
        open,
        settles_alone,
        smallest_sets: smallest.into_iter().map(facts_of).collect(),
    }
}
