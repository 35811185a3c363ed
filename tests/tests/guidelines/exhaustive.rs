//! Every combination of present, absent and unknown of what a table asks, against the published table completed in every
//! way by brute force.

use std::cell::Cell;
use std::collections::BTreeSet;

use solewire_profiles::findings::{Fact, FactTable, State};
use solewire_profiles::risk::{Guideline, Possibilities, builtin_guidelines, stratify};

use crate::published::{TABLES, Table, Truth};

/// A value that something asked can have: the states it shows as, and what may be true.
struct Value {
    states: Vec<(Fact, State)>,
    worlds: Vec<Truth>,
    /// The fact under which the open question is known; none when nothing is open.
    question: Option<Fact>,
}

fn value(states: Vec<(Fact, State)>, worlds: Vec<Truth>, question: Option<Fact>) -> Value {
    Value { states, worlds, question }
}

/// The values of everything that a table asks or counts when recorded.
fn variables(table: &Table) -> Vec<Vec<Value>> {
    let none = Truth::default();
    let known = |fact: Fact| {
        vec![
            value(vec![(fact, State::Present)], vec![Truth::of(fact)], None),
            value(vec![(fact, State::Absent)], vec![none], None),
        ]
    };
    let mut out = Vec::new();
    for &fact in table.asks.iter().filter(|fact| !matches!(fact, Fact::EgfrBelow30 | Fact::EgfrExactly30)) {
        let mut values = known(fact);
        values.push(value(vec![(fact, State::Unknown)], vec![none, Truth::of(fact)], Some(fact)));
        out.push(values);
    }
    for &fact in table.recorded {
        let mut values = known(fact);
        values.push(value(vec![(fact, State::Unknown)], vec![none], None));
        out.push(values);
    }
    if table.asks.contains(&Fact::EgfrBelow30) {
        // One number answers both: below 30, exactly 30 or above; not measured; measured as 30 or more.
        let (below, exactly) = (Fact::EgfrBelow30, Fact::EgfrExactly30);
        let states = |first: State, second: State| vec![(below, first), (exactly, second)];
        let (low, edge) = (Truth::of(below), Truth::of(exactly));
        out.push(vec![
            value(states(State::Present, State::Absent), vec![low], None),
            value(states(State::Absent, State::Present), vec![edge], None),
            value(states(State::Absent, State::Absent), vec![none], None),
            value(states(State::Unknown, State::Unknown), vec![none, edge, low], Some(below)),
            value(states(State::Absent, State::Unknown), vec![none, edge], Some(exactly)),
        ]);
    }
    out
}

/// The categories of all completions, and which answers lead to each.
struct Completions {
    open: Vec<(Fact, usize)>,
    categories: Vec<&'static str>,
}

impl Completions {
    fn of(table: &Table, values: &[&Value]) -> Completions {
        let mut truths = vec![Truth::default()];
        let mut open = Vec::new();
        for value in values {
            // The newest variable counts slowest: completion = sum of answer * product of the answers before.
            truths = value
                .worlds
                .iter()
                .flat_map(|world| truths.iter().map(move |truth| truth.and(*world)))
                .collect();
            if let Some(question) = value.question {
                open.push((question, value.worlds.len()));
            }
        }
        let categories = truths.into_iter().map(table.category).collect();
        Completions { open, categories }
    }

    /// The categories that are left once a question is answered with yes, and with no. The last answer is yes.
    fn alone(&self, fact: Fact) -> (BTreeSet<&'static str>, BTreeSet<&'static str>) {
        let (mut weight, mut present, mut absent) = (1, BTreeSet::new(), BTreeSet::new());
        for (question, answers) in &self.open {
            if *question == fact {
                for (completion, category) in self.categories.iter().enumerate() {
                    let yes = completion / weight % answers + 1 == *answers;
                    if yes {
                        present.insert(*category)
                    } else {
                        absent.insert(*category)
                    };
                }
            }
            weight *= answers;
        }
        (present, absent)
    }

    /// The completion that answers the questions of a set alike and all others with their first answer.
    fn projected(&self, completion: usize, set: usize) -> usize {
        let (mut rest, mut weight, mut out) = (completion, 1, 0);
        for (number, (_, answers)) in self.open.iter().enumerate() {
            if set >> number & 1 == 1 {
                out += rest % answers * weight;
            }
            rest /= answers;
            weight *= answers;
        }
        out
    }

    /// Whether answering a set of questions settles the category, however they are answered. What refuted the set
    /// before is likely to refute this one, and is tried first.
    fn settles(&self, set: usize, refuted_by: &Cell<usize>) -> bool {
        let same = |completion: usize| {
            self.categories[completion] == self.categories[self.projected(completion, set)]
        };
        if !same(refuted_by.get()) {
            return false;
        }
        match (0..self.categories.len()).rev().find(|completion| !same(*completion)) {
            Some(completion) => {
                refuted_by.set(completion);
                false
            }
            None => true,
        }
    }

    /// All smallest sets of questions that settle the category; none when it is settled.
    fn smallest(&self) -> BTreeSet<BTreeSet<Fact>> {
        let refuted_by = Cell::new(0);
        for size in 0..=self.open.len() {
            let sets = (0..1_usize << self.open.len()).filter(|set| set.count_ones() as usize == size);
            let settling: Vec<usize> = sets.filter(|set| self.settles(*set, &refuted_by)).collect();
            if !settling.is_empty() {
                let facts = |set: usize| {
                    let open = self.open.iter().enumerate();
                    open.filter(|(number, _)| set >> number & 1 == 1).map(|(_, (fact, _))| *fact).collect()
                };
                return if size == 0 { BTreeSet::new() } else { settling.into_iter().map(facts).collect() };
            }
        }
        unreachable!("answering everything settles everything");
    }
}

/// The categories in words; the witness of each has to lead to it.
fn categories<'g>(
    table: &Table,
    guideline: &'g Guideline,
    possible: &Possibilities,
    values: &[&Value],
) -> BTreeSet<&'g str> {
    let known = values.iter().flat_map(|value| &value.states);
    let known: Truth = known
        .filter(|(_, state)| *state == State::Present)
        .fold(Truth::default(), |truth, (fact, _)| truth.and(Truth::of(*fact)));
    for (number, witness) in &possible.categories {
        let assumed = witness.assumed.iter().filter(|(_, present)| *present);
        let truth = assumed.fold(known, |truth, (fact, _)| truth.and(Truth::of(*fact)));
        let code = &guideline.categories[*number].code;
        assert_eq!((table.category)(truth), code, "{}: {truth:?}", guideline.id);
        assert_eq!(&guideline.rules[witness.rule].category, code, "{}", guideline.id);
    }
    possible.categories.keys().map(|number| guideline.categories[*number].code.as_str()).collect()
}

fn compare(table: &Table, guideline: &Guideline, values: &[&Value]) {
    let states: Vec<(Fact, State)> = values.iter().flat_map(|value| value.states.iter().copied()).collect();
    let possible = stratify(guideline, &FactTable::of_states(&states));
    let completions = Completions::of(table, values);
    let expected: BTreeSet<&str> = completions.categories.iter().copied().collect();
    assert_eq!(categories(table, guideline, &possible, values), expected, "{}: {states:?}", guideline.id);
    let smallest: BTreeSet<BTreeSet<Fact>> =
        possible.smallest_sets.iter().map(|set| set.iter().copied().collect()).collect();
    assert_eq!(smallest, completions.smallest(), "{}: {states:?}", guideline.id);
    for effect in &possible.effects {
        let (present, absent) = completions.alone(effect.fact);
        let codes = |numbers: &[usize]| -> BTreeSet<&str> {
            numbers.iter().map(|number| guideline.categories[*number].code.as_str()).collect()
        };
        assert_eq!(codes(&effect.present), present, "{}: {:?} in {states:?}", guideline.id, effect.fact);
        // Above 30 and exactly 30 are both "not below 30"; which of them it is, is told with the rate.
        if effect.fact != Fact::EgfrBelow30 {
            assert_eq!(codes(&effect.absent), absent, "{}: {:?} in {states:?}", guideline.id, effect.fact);
        }
    }
    assert!(possible.effects.iter().map(|effect| effect.fact).eq(possible.open.iter().copied()));
    let alone: BTreeSet<BTreeSet<Fact>> =
        possible.settles_alone.iter().map(|fact| BTreeSet::from([*fact])).collect();
    let singles: BTreeSet<BTreeSet<Fact>> = smallest.into_iter().filter(|set| set.len() == 1).collect();
    assert_eq!(alone, singles, "{}: {states:?}", guideline.id);
}

/// Runs through every combination of the values.
fn each_combination(variables: &[Vec<Value>], run: &mut dyn FnMut(&[&Value])) -> usize {
    let total: usize = variables.iter().map(Vec::len).product();
    for number in 0..total {
        let mut rest = number;
        let mut values = Vec::with_capacity(variables.len());
        for variable in variables {
            values.push(&variable[rest % variable.len()]);
            rest /= variable.len();
        }
        run(&values);
    }
    total
}

fn check(id: &str, combinations: usize) {
    let table = TABLES.iter().find(|table| table.id == id).unwrap();
    let guidelines = builtin_guidelines().unwrap();
    let guideline = guidelines.iter().find(|guideline| guideline.id == id).unwrap();
    let asks: BTreeSet<Fact> = guideline.asks.iter().copied().collect();
    assert_eq!(asks, table.asks.iter().copied().collect(), "what {id} asks");
    let others =
        guideline.facts().into_iter().filter(|fact| !asks.contains(fact)).collect::<BTreeSet<Fact>>();
    assert_eq!(others, table.recorded.iter().copied().collect(), "what {id} counts when recorded");
    let total = each_combination(&variables(table), &mut |values| compare(table, guideline, values));
    assert_eq!(total, combinations, "{id}");
}

#[test]
fn every_combination_of_iwgdf_2023() {
    check("iwgdf-2023", 3_usize.pow(10));
}

#[test]
fn every_combination_of_nice_ng19() {
    check("nice-ng19", 3_usize.pow(11));
}

#[test]
fn every_combination_of_ada_2008() {
    check("ada-2008", 3_usize.pow(7));
}

#[test]
fn every_combination_of_scotland_2016() {
    check("scotland-2016", 3_usize.pow(9) * 5);
}

#[test]
fn every_combination_of_podus_2021() {
    check("podus-2021", 3_usize.pow(5));
}

#[test]
fn every_rule_decides_somewhere() {
    for guideline in builtin_guidelines().unwrap() {
        let table = TABLES.iter().find(|table| table.id == guideline.id).unwrap();
        let mut deciding = BTreeSet::new();
        let known: Vec<Vec<Value>> = variables(table)
            .into_iter()
            .map(|values| values.into_iter().filter(|value| value.question.is_none()).collect())
            .collect();
        each_combination(&known, &mut |values| {
            let states: Vec<(Fact, State)> =
                values.iter().flat_map(|value| value.states.iter().copied()).collect();
            let possible = stratify(&guideline, &FactTable::of_states(&states));
            deciding.extend(possible.categories.values().map(|witness| witness.rule));
        });
        let all: BTreeSet<usize> = (0..guideline.rules.len()).collect();
        assert_eq!(deciding, all, "a rule of {} never decides", guideline.id);
    }
}
