//! What an assessment says about the exam before it.

use super::derive::{Derivation, Verdict, fact_words};
use super::prediction::name;
use crate::findings::State;
use crate::risk::{Category, Guideline, Possibilities, stratify};
use crate::sequence::{Change, Exchanged, Sequence};

/// Begins the note about a category below the one before.
pub const LOWER: &str = "Lower than before:";
/// Begins the note about feet that look exchanged.
pub const EXCHANGED: &str = "Left and right may be exchanged:";

/// The note about a category lower than that of the exam before, with what it rests on. A change that lowers only one
/// end of a range counts too.
pub(super) fn lower(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Option<String> {
    let sequence = derivation.sequence?;
    let (guideline, now) = (verdict.guideline, &verdict.person);
    let then = stratify(guideline, &sequence.before.person);
    let number = |end: Option<(usize, _)>| end.map(|(number, _)| number);
    let is_lower =
        number(now.lowest()) < number(then.lowest()) || number(now.highest()) < number(then.highest());
    if !is_lower {
        return None;
    }
    let changes: Vec<String> = changes(derivation, sequence, guideline).iter().map(words).collect();
    let completeness = if now.open.is_empty() {
        format!("The facts that decide the {} are complete", verdict.noun())
    } else {
        format!("The facts are not complete, so it is not certain; not known: {}", fact_words(&now.open))
    };
    Some(format!(
        "{LOWER} {} now, {} in the exam of {}. What changed: {}. {completeness}.",
        range(guideline, now),
        range(guideline, &then),
        sequence.date,
        changes.join("; "),
    ))
}

/// What changed since the exam before, a line each, and whether the feet look exchanged.
pub(super) fn lines(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Vec<String> {
    let Some(sequence) = derivation.sequence else { return Vec::new() };
    let date = sequence.date;
    let changes = changes(derivation, sequence, verdict.guideline);
    let mut out: Vec<String> = changes
        .iter()
        .map(|change| format!("Since the exam of {date}: {}, {}.", direction(change), words(change)))
        .collect();
    if out.is_empty() {
        out.push(format!("Since the exam of {date}: none of the facts changed."));
    }
    out.extend(sequence.exchanged.map(|counts| exchanged(sequence, counts)));
    out
}

fn changes(derivation: &Derivation<'_>, sequence: &Sequence, guideline: &Guideline) -> Vec<Change> {
    sequence.changes(derivation.findings, &guideline.facts())
}

fn direction(change: &Change) -> &'static str {
    match (change.then, change.now) {
        (State::Absent, State::Present) => "worse",
        (State::Present, State::Absent) => "better",
        (State::Unknown, _) => "known now",
        (State::Present | State::Absent, _) => "no longer known",
    }
}

fn words(change: &Change) -> String {
    let side = change.side.map(|side| format!("{} foot: ", side.word())).unwrap_or_default();
    let state = |state: State| match state {
        State::Present => "present",
        State::Absent => "absent",
        State::Unknown => "not known",
    };
    format!("{side}{} ({} then, {} now)", change.fact.words(), state(change.then), state(change.now))
}

fn range(guideline: &Guideline, possible: &Possibilities) -> String {
    range_of(guideline, possible.categories.keys())
}

/// Categories, lowest first, as one or as both ends.
pub(super) fn range_of<'n>(guideline: &Guideline, numbers: impl Iterator<Item = &'n usize>) -> String {
    let categories: Vec<&Category> = numbers.filter_map(|&number| guideline.categories.get(number)).collect();
    match categories.as_slice() {
        [] => "nothing".to_owned(),
        [only] => name(only),
        [lowest, .., highest] => format!("between {} and {}", name(lowest), name(highest)),
    }
}

fn exchanged(sequence: &Sequence, counts: Exchanged) -> String {
    use crate::sequence::{DIFFERING, FEWER};
    let Exchanged { compared, as_recorded, with_feet_exchanged } = counts;
    format!(
        "{EXCHANGED} of {compared} coded results that this exam and the exam of {} have for both feet, {as_recorded} \
         differ as recorded and {with_feet_exchanged} with the feet exchanged. Nothing was changed; look at the feet \
         again. Local policy: said when at least {DIFFERING} differ and at most one in {FEWER} of that number does with \
         the feet exchanged.",
        sequence.date
    )
}
