//! Whether a coded value is in a value set, and whether it says what a pattern says.
//!
//! Both accept a standard code in place of one of ours where the concept maps leave no doubt.

use std::sync::{Arc, Mutex, PoisonError};

use ahash::{AHashMap, AHashSet};
use serde_json::Value;

use crate::definitions::BaseTables;
use crate::json::{get, member, text};
use crate::terminology::{CodingSense, LocalSystem, Resolved, Terminology, Text, codings};

const R4_VERSION: &str = "|4.0.1";

/// The value set of a binding, with its members.
#[derive(Debug)]
pub(super) struct BoundSet {
    /// Its canonical address.
    pub(super) url: String,
    /// Its title; empty where it has none.
    pub(super) title: String,
    /// System and code of its members.
    pub(super) members: Vec<(Text, Text)>,
    /// The same, to look them up.
    by_system: AHashMap<Text, AHashSet<Text>>,
}

impl BoundSet {
    fn new(url: &str, title: &str, members: Vec<(Text, Text)>) -> BoundSet {
        let mut by_system: AHashMap<Text, AHashSet<Text>> = AHashMap::new();
        for (system, code) in &members {
            by_system.entry(system.clone()).or_default().insert(code.clone());
        }
        BoundSet { url: url.to_owned(), title: title.to_owned(), members, by_system }
    }

    fn holds(&self, system: &str, code: &str) -> bool {
        self.by_system.get(system).is_some_and(|codes| codes.contains(code))
    }

    pub(super) fn has_system(&self, system: &str) -> bool {
        self.by_system.contains_key(system)
    }
}

/// The value sets of all bindings, each made when a profile first asks for it.
#[derive(Debug)]
pub(super) struct BoundSets {
    terminology: Arc<Terminology>,
    base: &'static BaseTables,
    made: Mutex<AHashMap<String, Arc<BoundSet>>>,
}

impl BoundSets {
    pub(super) fn new(terminology: Arc<Terminology>, base: &'static BaseTables) -> BoundSets {
        BoundSets { terminology, base, made: Mutex::default() }
    }

    /// A value set by its canonical address; none where it is not loaded, or its codes cannot be listed.
    pub(super) fn get(&self, url: &str) -> Option<Arc<BoundSet>> {
        let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = made.get(url) {
            return Some(Arc::clone(known));
        }
        let members = self.terminology.members(url).map(<[_]>::to_vec).or_else(|| self.of_base(url))?;
        let set = Arc::new(BoundSet::new(url, self.terminology.title(url).unwrap_or_default(), members));
        made.insert(url.to_owned(), Arc::clone(&set));
        Some(set)
    }

    fn of_base(&self, url: &str) -> Option<Vec<(Text, Text)>> {
        let plain = url.strip_suffix(R4_VERSION).unwrap_or(url);
        let systems = self.base.value_set(plain)?.codes.as_ref()?;
        let of = |(system, codes): &(&'static str, Vec<&'static str>)| {
            let system = *system;
            codes.iter().map(move |code| (system.into(), (*code).into())).collect::<Vec<_>>()
        };
        Some(systems.iter().flat_map(of).collect())
    }
}

/// How a coded value stands to a value set. Numbers are those of the coding at fault, where one is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    /// It is a member, or stands for one.
    Member,
    /// Two codings stand for different codes.
    Conflict(Option<usize>),
    /// A coding has one of our systems and no code of it.
    UnknownLocal(Option<usize>, LocalSystem),
    /// The codes are known or foreign, and none is a member.
    Outside(Option<usize>),
    /// There is no code at all.
    Uncoded,
}

/// Holds a code, Coding, CodeableConcept or Quantity against a value set.
pub(super) fn judge(terminology: &Terminology, set: &BoundSet, value: &Value) -> Verdict {
    if let Some(code) = value.as_str() {
        let member = set.members.iter().any(|(_, member)| member == code);
        return if member { Verdict::Member } else { Verdict::Outside(None) };
    }
    let mut all = codings(value);
    if let (Some((_, alone)), None) = (all.next(), all.next())
        && let (Some(system), Some(code)) = (text(alone, "system"), text(alone, "code"))
        && LocalSystem::from_url(system).is_some()
        && set.holds(system, code)
    {
        // The usual case: one coding, and one of ours. No other can disagree with it.
        return Verdict::Member;
    }
    if codings(value).all(|(_, coding)| get(coding, "code").is_none()) {
        return Verdict::Uncoded;
    }
    let mut members: Vec<(LocalSystem, &str)> = Vec::new();
    let mut fault = None;
    for system in LocalSystem::ALL.into_iter().filter(|system| set.has_system(system.url())) {
        if let Some(number) = unknown_local(terminology, system, value) {
            return Verdict::UnknownLocal(number, system);
        }
        match terminology.resolve(system, value) {
            Resolved::Code(code) if set.holds(system.url(), code) => members.push((system, code)),
            Resolved::Conflict(_) => return Verdict::Conflict(last_sense(terminology, system, value)),
            Resolved::Code(_) | Resolved::Unknown => {}
        }
    }
    if members.len() > 1 {
        let last = members.iter().filter_map(|(system, _)| last_sense(terminology, *system, value)).max();
        return Verdict::Conflict(last);
    }
    let mut count = 0;
    for (number, coding) in codings(value) {
        let text = |name: &str| text(coding, name).unwrap_or_default();
        if set.holds(text("system"), text("code")) {
            return Verdict::Member;
        }
        count += 1;
        if fault.is_none() && set.has_system(text("system")) {
            fault = number;
        }
    }
    if !members.is_empty() {
        return Verdict::Member;
    }
    Verdict::Outside(fault.or(if count == 1 {
        codings(value).next().and_then(|(number, _)| number)
    } else {
        None
    }))
}

/// The number of the first coding that has our system and no code of it.
pub(super) fn unknown_local(
    terminology: &Terminology,
    system: LocalSystem,
    value: &Value,
) -> Option<Option<usize>> {
    codings(value)
        .find(|(_, coding)| terminology.sense(system, coding) == CodingSense::UnknownLocal)
        .map(|(number, _)| number)
}

/// The number of the last coding that stands for anything in `system`: the one that disagrees.
pub(super) fn last_sense(terminology: &Terminology, system: LocalSystem, value: &Value) -> Option<usize> {
    codings(value)
        .filter(|(_, coding)| {
            matches!(terminology.sense(system, coding), CodingSense::Local(_) | CodingSense::Standard(_))
        })
        .last()
        .and_then(|(number, _)| number)
}

/// A place where a value differs from a pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Mismatch {
    /// JSON pointer from the value, to the part at fault or to the parent of what is missing.
    pub(super) pointer: String,
    /// The name of what is missing; none when it is there and differs.
    pub(super) missing: Option<String>,
    /// What the pattern asks for there.
    pub(super) wanted: Value,
}

/// Every place where `value` lacks what `pattern` asks for. Empty when it matches.
///
/// R4, `ElementDefinition.pattern[x]`: an object must hold what the pattern holds, an array one match for each item.
pub(super) fn mismatches(terminology: &Terminology, pattern: &Value, value: &Value) -> Vec<Mismatch> {
    let mut found = Vec::new();
    collect(terminology, pattern, value, String::new(), &mut found);
    found
}

/// Whether `value` holds what `pattern` asks for: whether there are no [`mismatches`].
pub(super) fn matches(terminology: &Terminology, pattern: &Value, value: &Value) -> bool {
    match (pattern, value) {
        (Value::Object(wanted), Value::Object(given)) => {
            wanted.iter().all(|(name, part)| match (member(given, name), part) {
                (None, _) => false,
                (Some(_), Value::Array(items)) if name == "coding" => {
                    items.iter().all(|item| says(terminology, item, value))
                }
                (Some(given), _) => matches(terminology, part, given),
            })
        }
        (Value::Array(wanted), Value::Array(given)) => {
            wanted.iter().all(|part| given.iter().any(|item| matches(terminology, part, item)))
        }
        _ => pattern == value,
    }
}

fn collect(terminology: &Terminology, pattern: &Value, value: &Value, at: String, found: &mut Vec<Mismatch>) {
    match (pattern, value) {
        (Value::Object(wanted), Value::Object(given)) => {
            for (name, part) in wanted {
                match member(given, name) {
                    None => found.push(Mismatch {
                        pointer: at.clone(),
                        missing: Some(name.clone()),
                        wanted: part.clone(),
                    }),
                    // A coding of ours may be said in standard codes, so a concept is held against it as a whole.
                    Some(_) if name == "coding" && part.is_array() => {
                        for item in part.as_array().into_iter().flatten() {
                            if !says(terminology, item, value) {
                                let pointer = at.clone() + &likely_coding(item, value);
                                found.push(Mismatch { pointer, missing: None, wanted: item.clone() });
                            }
                        }
                    }
                    Some(given) => collect(terminology, part, given, format!("{at}/{name}"), found),
                }
            }
        }
        (Value::Array(wanted), Value::Array(given)) => {
            for part in wanted {
                if !given.iter().any(|item| matches(terminology, part, item)) {
                    found.push(Mismatch { pointer: at.clone(), missing: None, wanted: part.clone() });
                }
            }
        }
        _ if pattern == value => {}
        _ => found.push(Mismatch { pointer: at, missing: None, wanted: pattern.clone() }),
    }
}

/// Whether a concept says what one coding of a pattern says: by that coding itself or by one that stands for it, and
/// by none that stands for something else.
fn says(terminology: &Terminology, wanted: &Value, concept: &Value) -> bool {
    let of_ours = text(wanted, "system").and_then(LocalSystem::from_url);
    if let (Some(system), Some(code)) = (of_ours, text(wanted, "code")) {
        return terminology.resolve(system, concept) == Resolved::Code(code);
    }
    codings(concept).any(|(_, coding)| matches(terminology, wanted, coding))
}

/// The coding that was meant to match: the only one, or the only one of the same system. Else the concept.
fn likely_coding(wanted: &Value, concept: &Value) -> String {
    let mut all = codings(concept).filter_map(|(number, _)| number);
    if let (Some(only), None) = (all.next(), all.next()) {
        return format!("/coding/{only}");
    }
    let mut same = codings(concept).filter(|(_, coding)| coding.get("system") == wanted.get("system"));
    match (same.next(), same.next()) {
        (Some((Some(number), _)), None) => format!("/coding/{number}"),
        _ => String::new(),
    }
}
