//! Conditions of rules: as written in a guideline file, and in the form that thousands of completions are held against.

use serde::Deserialize;

use crate::findings::Fact;

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
    /// At least a number of them hold. A fact that is listed twice counts once.
    AtLeast {
        /// How many.
        count: u32,
        /// Of which.
        of: Vec<Condition>,
    },
}

impl Condition {
    /// The facts it speaks of, in order, each once.
    pub(crate) fn facts(&self, out: &mut Vec<Fact>) {
        self.collect(true, out);
    }

    /// The facts it asks for, in order, each once: an unknown one leaves both possibilities open.
    pub(super) fn asked(&self, out: &mut Vec<Fact>) {
        self.collect(false, out);
    }

    fn collect(&self, with_recorded: bool, out: &mut Vec<Fact>) {
        match self {
            Condition::Fact(fact) => {
                if !out.contains(fact) {
                    out.push(*fact);
                }
            }
            Condition::Recorded(fact) => {
                if with_recorded && !out.contains(fact) {
                    out.push(*fact);
                }
            }
            Condition::All(list) | Condition::Any(list) | Condition::AtLeast { of: list, .. } => {
                list.iter().for_each(|condition| condition.collect(with_recorded, out));
            }
            Condition::Not(condition) => condition.collect(with_recorded, out),
        }
    }

    /// Whether it holds whatever the facts.
    pub(super) fn always(&self) -> bool {
        matches!(self, Condition::All(list) if list.is_empty())
    }
}

/// What is taken for present while rules are tried: asked facts as a completion has them, recorded facts as they are.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Present(u64);

// One half of the word for asked facts, the other for recorded ones.
const _: () = assert!(Fact::ALL.len() <= 32);

impl Present {
    pub(super) fn asked(fact: Fact) -> Present {
        Present(1 << fact as u32)
    }

    pub(super) fn recorded(fact: Fact) -> Present {
        Present(1 << (32 + fact as u32))
    }

    pub(super) fn and(self, other: Present) -> Present {
        Present(self.0 | other.0)
    }

    fn shared(self, other: Present) -> Present {
        Present(self.0 & other.0)
    }
}

/// A condition whose facts are gathered into one word for each list, so that trying it takes a few operations.
#[derive(Debug, Clone)]
pub(super) enum Test {
    All { facts: Present, others: Vec<Test> },
    Any { facts: Present, others: Vec<Test> },
    AtLeast { count: u32, facts: Present, others: Vec<Test> },
    Not(Box<Test>),
}

impl Test {
    pub(super) fn of(condition: &Condition) -> Test {
        match condition {
            Condition::Fact(fact) => Test::All { facts: Present::asked(*fact), others: Vec::new() },
            Condition::Recorded(fact) => Test::All { facts: Present::recorded(*fact), others: Vec::new() },
            Condition::All(list) => {
                let (facts, others) = Test::of_list(list);
                Test::All { facts, others }
            }
            Condition::Any(list) => {
                let (facts, others) = Test::of_list(list);
                Test::Any { facts, others }
            }
            Condition::AtLeast { count, of } => {
                let (facts, others) = Test::of_list(of);
                Test::AtLeast { count: *count, facts, others }
            }
            Condition::Not(condition) => Test::Not(Box::new(Test::of(condition))),
        }
    }

    fn of_list(list: &[Condition]) -> (Present, Vec<Test>) {
        let (mut facts, mut others) = (Present::default(), Vec::new());
        for condition in list {
            match condition {
                Condition::Fact(fact) => facts = facts.and(Present::asked(*fact)),
                Condition::Recorded(fact) => facts = facts.and(Present::recorded(*fact)),
                Condition::All(_) | Condition::Any(_) | Condition::Not(_) | Condition::AtLeast { .. } => {
                    others.push(Test::of(condition));
                }
            }
        }
        (facts, others)
    }

    pub(super) fn holds(&self, present: Present) -> bool {
        match self {
            Test::All { facts, others } => {
                present.shared(*facts) == *facts && others.iter().all(|other| other.holds(present))
            }
            Test::Any { facts, others } => {
                present.shared(*facts) != Present::default()
                    || others.iter().any(|other| other.holds(present))
            }
            Test::AtLeast { count, facts, others } => {
                let listed = present.shared(*facts).0.count_ones();
                let further = || others.iter().map(|other| u32::from(other.holds(present))).sum::<u32>();
                listed >= *count || listed + further() >= *count
            }
            Test::Not(other) => !other.holds(present),
        }
    }
}
