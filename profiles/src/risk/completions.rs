//! Every way in which the unknown facts could turn out, and what each leads to.

use std::collections::BTreeMap;

use super::condition::Present;
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

/// What one open fact alone would change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effect {
    /// The fact.
    pub fact: Fact,
    /// The categories still possible if it turns out present, lowest first.
    pub present: Vec<usize>,
    /// The categories still possible if it turns out absent, lowest first.
    pub absent: Vec<usize>,
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
    /// What each open fact alone would change, in the order of `open`.
    pub effects: Vec<Effect>,
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

/// What a completion leads to: the number of the category and of the rule.
#[derive(Clone, Copy)]
struct Outcome {
    category: usize,
    rule: usize,
}

/// A completion is the number of a bit mask over the unknown facts: a bit is set where the fact turns out present.
struct Completions {
    unknown: Vec<Fact>,
    outcomes: Vec<Outcome>,
}

impl Completions {
    fn of(guideline: &Guideline, state: &dyn Fn(Fact) -> State) -> Completions {
        let unknown = unknown(guideline, state);
        let mut known = Present::default();
        for &fact in Fact::ALL.iter().filter(|fact| state(**fact) == State::Present) {
            known = known.and(Present::asked(fact)).and(Present::recorded(fact));
        }
        let mut completions = vec![known];
        for &fact in &unknown {
            let with_fact: Vec<Present> =
                completions.iter().map(|present| present.and(Present::asked(fact))).collect();
            completions.extend(with_fact);
        }
        // The last rule of a loaded guideline always holds, so every completion has an outcome.
        let outcomes = completions
            .into_iter()
            .filter_map(|present| {
                let mut decisions = guideline.decisions.iter().enumerate();
                let (rule, decision) = decisions.find(|(_, decision)| decision.test.holds(present))?;
                Some(Outcome { category: decision.category, rule })
            })
            .collect();
        Completions { unknown, outcomes }
    }

    fn category(&self, mask: usize) -> Option<usize> {
        self.outcomes.get(mask).map(|outcome| outcome.category)
    }

    /// The bits of the facts that can change the category.
    fn open_bits(&self) -> usize {
        (0..self.unknown.len())
            .map(|bit| 1_usize << bit)
            .filter(|bit| {
                let without = (0..self.outcomes.len()).filter(|mask| mask & bit == 0);
                without.into_iter().any(|mask| self.category(mask) != self.category(mask | bit))
            })
            .sum()
    }

    /// What each of these facts alone would change.
    fn effects(&self, bits: usize) -> Vec<Effect> {
        let categories = |bit: usize, present: bool| -> Vec<usize> {
            let all = self.outcomes.iter().enumerate();
            let some = all.filter(|(mask, _)| (mask & bit != 0) == present);
            let set = some.fold(0_u64, |set, (_, outcome)| set | 1 << outcome.category);
            (0..u64::BITS as usize).filter(|category| set >> category & 1 == 1).collect()
        };
        let effect =
            |(bit, fact)| Effect { fact, present: categories(bit, true), absent: categories(bit, false) };
        self.facts(bits).map(effect).collect()
    }

    fn facts(&self, bits: usize) -> impl Iterator<Item = (usize, Fact)> + '_ {
        self.unknown
            .iter()
            .enumerate()
            .map(|(number, fact)| (1_usize << number, *fact))
            .filter(move |(bit, _)| bits & bit != 0)
    }
}

/// The unknown facts that the guideline asks for, in its order.
///
/// A rate of exactly 30 is read from the same number as a rate below 30. While it is open whether the number is
/// below 30, the question of exactly 30 is the same question, and not a second one.
fn unknown(guideline: &Guideline, state: &dyn Fn(Fact) -> State) -> Vec<Fact> {
    let is_unknown = |fact: Fact| state(fact) == State::Unknown;
    let same_question = |fact: Fact| fact == Fact::EgfrExactly30 && is_unknown(Fact::EgfrBelow30);
    guideline.asks.iter().copied().filter(|&fact| is_unknown(fact) && !same_question(fact)).collect()
}

pub(super) fn possibilities(guideline: &Guideline, state: &dyn Fn(Fact) -> State) -> Possibilities {
    let completions = Completions::of(guideline, state);
    let open_bits = completions.open_bits();
    // For each category the way to it that assumes the fewest problems; facts that do not matter are assumed absent.
    let mut ways: BTreeMap<usize, (usize, Outcome)> = BTreeMap::new();
    for (mask, outcome) in completions.outcomes.iter().enumerate() {
        if mask & !open_bits == 0 {
            let best = ways.entry(outcome.category).or_insert((mask, *outcome));
            if mask.count_ones() < best.0.count_ones() {
                *best = (mask, *outcome);
            }
        }
    }
    let categories = ways
        .into_iter()
        .map(|(category, (mask, outcome))| {
            let assumed = completions.facts(open_bits).map(|(bit, fact)| (fact, mask & bit != 0)).collect();
            (category, Witness { rule: outcome.rule, assumed })
        })
        .collect();
    let open: Vec<Fact> = completions.facts(open_bits).map(|(_, fact)| fact).collect();
    // What settles the category however it turns out leaves no fact that could still change it. So nothing less than
    // all open facts does, and all of them together do: the smallest set is theirs and there is no other.
    let smallest_sets = if open.is_empty() { Vec::new() } else { vec![open.clone()] };
    let settles_alone = if open.len() == 1 { open.clone() } else { Vec::new() };
    let effects = completions.effects(open_bits);
    Possibilities { categories, open, settles_alone, smallest_sets, effects }
}
