//! An exam beside the earlier exams of the same person: what changed, which history stays in force, and whether the
//! feet look exchanged. Pure; which exams are of one person is for the caller to know.

mod exchanged;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::Value;

use crate::exam::{FootExam, Laterality, PanelStatus};
use crate::findings::{Evidence, Fact, FactTable, Finding, Findings, OF_A_FOOT, State};
pub(crate) use exchanged::{DIFFERING, Exchanged, FEWER, VALUES};

/// What is known beside an exam: the person's other exams, and what was derived from this exam before. The default
/// knows nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct Past<'a> {
    /// The person's other exams, in any order. Those that were withdrawn, that have no exact time or that are not
    /// earlier than this one are left aside.
    pub exams: &'a [&'a ExamFacts],
    /// The RiskAssessments that hold for this exam so far, each with the number of its version.
    pub assessments: &'a [(i64, &'a Value)],
    /// Whether no more results are waited for although no panel closes the exam. Says nothing of an exam with a panel.
    pub closed: bool,
}

/// An exam as it was read, with the facts in it. Read once, it can be held against many others.
#[derive(Debug, Clone)]
pub struct ExamFacts {
    pub(crate) exam: FootExam,
    pub(crate) findings: Findings,
}

/// History that does not go away by not being mentioned.
const LASTING: &[Fact] = &[
    Fact::PreviousUlcer,
    Fact::PreviousAmputation,
    Fact::EndStageRenalDisease,
    Fact::RenalReplacementTherapy,
    Fact::CharcotHistory,
];

/// What became of a fact since the exam before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Change {
    pub(crate) fact: Fact,
    /// The foot; none for what concerns the person.
    pub(crate) side: Option<Laterality>,
    pub(crate) then: State,
    pub(crate) now: State,
}

/// The exam before this one, held against it.
#[derive(Debug)]
pub(crate) struct Sequence {
    /// The local date of the exam before.
    pub(crate) date: Date,
    /// Its facts, with the history that was in force then.
    pub(crate) before: Findings,
    /// How much better it fits with left and right exchanged, when it does.
    pub(crate) exchanged: Option<Exchanged>,
}

impl Sequence {
    /// Compares an exam with the earlier ones and keeps their history in force in `findings`. None for a withdrawn exam,
    /// for one without an exact time and for the first of a person.
    pub(crate) fn of(others: &[&ExamFacts], exam: &FootExam, findings: &mut Findings) -> Option<Sequence> {
        let now = exam.time?.timestamp()?;
        if exam.panel == PanelStatus::EnteredInError {
            return None;
        }
        let mut earlier: Vec<_> = others
            .iter()
            .filter(|other| other.exam.panel != PanelStatus::EnteredInError)
            .filter_map(|other| {
                let time = other.exam.time?;
                let instant = time.timestamp().filter(|instant| *instant < now)?;
                let first = other.exam.sources.first().map(|source| &source.reference);
                Some((instant, first, time.date(), *other))
            })
            .collect();
        // Two exams at one instant have no order of their own; the reference gives them the same one each time.
        earlier.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)));
        let (_, _, date, last) = earlier.pop()?;
        let mut history = History::default();
        for (_, _, date, other) in earlier {
            history.record(date, &other.findings);
        }
        let mut before = last.findings.clone();
        history.keep_in_force(&mut before);
        history.record(date, &last.findings);
        history.keep_in_force(findings);
        let exchanged = exchanged::compare(&last.exam, exam);
        Some(Sequence { date, before, exchanged })
    }

    /// What changed of these facts, feet before the person.
    pub(crate) fn changes(&self, now: &Findings, facts: &[Fact]) -> Vec<Change> {
        let mut out = Vec::new();
        for &fact in Fact::ALL.iter().filter(|fact| facts.contains(fact)) {
            let change = |side: Option<Laterality>, then: &FactTable, now: &FactTable| {
                let (then, now) = (then.state(fact), now.state(fact));
                (then != now).then_some(Change { fact, side, then, now })
            };
            let of_person = change(None, &self.before.person, &now.person);
            if !OF_A_FOOT.contains(&fact) {
                out.extend(of_person);
                continue;
            }
            let left = change(Some(Laterality::Left), &self.before.left, &now.left);
            let right = change(Some(Laterality::Right), &self.before.right, &now.right);
            // Something stated without its side changes the person and neither foot.
            let unsided = if left.is_none() && right.is_none() { of_person } else { None };
            out.extend([left, right, unsided].into_iter().flatten());
        }
        out
    }
}

/// The lasting items recorded so far, each with the date of the last exam that recorded it.
#[derive(Default)]
struct History(BTreeMap<Fact, Date>);

impl History {
    /// Takes up what an exam records by itself.
    fn record(&mut self, date: Date, findings: &Findings) {
        let recorded = LASTING.iter().filter(|fact| findings.person.state(**fact) == State::Present);
        self.0.extend(recorded.map(|fact| (*fact, date)));
    }

    fn keep_in_force(&self, findings: &mut Findings) {
        for (&fact, &date) in &self.0 {
            let now = findings.person.state(fact);
            if now == State::Present {
                continue;
            }
            let finding = carried(fact, date, now);
            for table in [&mut findings.left, &mut findings.right, &mut findings.person] {
                table.put(fact, finding.clone());
            }
        }
    }
}

fn carried(fact: Fact, date: Date, now: State) -> Finding {
    let words = fact.words();
    let said = if now == State::Absent { "recorded as absent" } else { "not recorded" };
    let contradictions = if now == State::Absent {
        vec![format!(
            "{words}: present by the exam of {date}, absent by this one; the earlier record stays in force"
        )]
    } else {
        Vec::new()
    };
    Finding {
        state: State::Present,
        evidence: vec![Evidence {
            statement: format!("carried over from the exam of {date}"),
            sources: Vec::new(),
        }],
        missing: Vec::new(),
        contradictions,
        near: Vec::new(),
        policies: vec![format!(
            "{words} is {said} now and was present in the exam of {date}; it is carried over until that record is \
             withdrawn or amended"
        )],
    }
}
