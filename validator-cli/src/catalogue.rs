//! `solewire-check rules` and `explain`: what the checks look for.

use std::io::{ErrorKind, Write};

use serde_json::{Value, json};
use solewire_profiles::invariants::{Handling, INVARIANT, StatedCondition};
use solewire_profiles::issue::Rule;
use solewire_profiles::{Engine, example};

use crate::args::{CatalogueFormat, ExplainArguments, Loudness, RulesArguments};
use crate::config::Configuration;
use crate::console::Console;
use crate::exit::Exit;
use crate::report::text::visible;
use crate::report::{SCHEMA_VERSION, one_line, word};
use crate::unconfirmed::{Unconfirmed, unconfirmed, unconfirmed_table};

/// Lists every rule, and what still has to be checked against its publication.
pub(crate) fn rules(arguments: RulesArguments) -> Exit {
    let engine = match Configuration::engine(arguments.definitions, Console::new(Loudness::Normal)) {
        Ok(engine) => engine,
        Err(exit) => return exit,
    };
    print(&match arguments.format {
        CatalogueFormat::Human => table(&engine) + &unconfirmed_table(engine.guidelines()),
        CatalogueFormat::Json => one_line(&document(&engine)) + "\n",
    })
}

/// The table of rules as JSON: our own, the conditions that R4 and the profiles state, and what is unconfirmed.
pub(crate) fn document(engine: &Engine) -> Value {
    let rules: Vec<Value> = solewire_profiles::rules().iter().map(|rule| members(rule)).collect();
    let conditions: Vec<Value> = engine.conditions().iter().map(condition_members).collect();
    let unconfirmed: Vec<Value> = unconfirmed(engine.guidelines()).iter().map(Unconfirmed::members).collect();
    json!({
        "schema_version": SCHEMA_VERSION, "rules": rules, "conditions": conditions, "unconfirmed": unconfirmed
    })
}

/// Explains one rule.
pub(crate) fn explain(arguments: ExplainArguments) -> Exit {
    let console = Console::new(Loudness::Normal);
    let engine = match Configuration::engine(arguments.definitions, console) {
        Ok(engine) => engine,
        Err(exit) => return exit,
    };
    let rules = solewire_profiles::rules();
    let conditions = engine.conditions();
    let wanted = arguments.rule.trim();
    let rule = rules.iter().find(|rule| rule.id == wanted);
    let stated: Vec<&StatedCondition<'_>> =
        conditions.iter().filter(|condition| condition.key == wanted).collect();
    let (text, members) = match (rule, stated.as_slice()) {
        (Some(rule), _) => (explanation(rule), members(rule)),
        (None, [first, rest @ ..]) => {
            let all = std::iter::once(first).chain(rest);
            let text = all.map(|condition| condition_explanation(condition)).collect::<Vec<_>>().join("\n");
            let mut members = condition_members(first);
            if let (false, Some(members)) = (rest.is_empty(), members.as_object_mut()) {
                let rest = rest.iter().map(|condition| condition_members(condition)).collect();
                members.insert("also".to_owned(), Value::Array(rest));
            }
            (text, members)
        }
        (None, []) => {
            let ids = rules.iter().map(|rule| rule.id);
            let nearest = nearest(wanted, ids.chain(conditions.iter().map(|condition| condition.key)));
            let hint = nearest.map_or_else(String::new, |id| format!(" The nearest is {id}."));
            console.fault(&format!("There is no rule {wanted}.{hint} `solewire-check rules` lists all."));
            return Exit::Usage;
        }
    };
    print(&match arguments.format {
        CatalogueFormat::Human => text,
        CatalogueFormat::Json => {
            let mut out = json!({ "schema_version": SCHEMA_VERSION });
            if let (Value::Object(out), Value::Object(members)) = (&mut out, members) {
                out.extend(members);
            }
            one_line(&out) + "\n"
        }
    })
}

fn table(engine: &Engine) -> String {
    let rules = solewire_profiles::rules();
    let conditions = engine.conditions();
    let keys = conditions.iter().map(|condition| condition.key);
    let width = rules.iter().map(|rule| rule.id).chain(keys).map(str::len).max().unwrap_or_default();
    let mut out = String::new();
    let mut row = |id: &str, severity, text: &str| {
        out.push_str(&format!("{:<width$}  {:<7}  {}\n", visible(id), word(severity), visible(text)));
    };
    for rule in &rules {
        row(rule.id, rule.severity, rule.summary);
    }
    for condition in &conditions {
        row(condition.key, condition.severity, condition.human);
    }
    out.push_str(&format!(
        "\n{} rules and {} conditions of FHIR R4 and profiles. `solewire-check explain RULE` says why one matters and \
         how to mend it.\n",
        rules.len(),
        conditions.len()
    ));
    out
}

fn explanation(rule: &Rule) -> String {
    let mut out = format!(
        "{}\n\n{}.\n\n  severity  {} (FHIR: {}, {})\n  why       {}\n  mend      {}\n  source    {}\n",
        rule.id,
        rule.summary.trim_end_matches('.'),
        word(rule.severity),
        rule.severity.code(),
        rule.issue_type.code(),
        rule.why,
        rule.mend,
        rule.source
    );
    if let Some(example) = example(rule.id) {
        out.push_str(&format!("  wrong     {}\n  right     {}\n", example.wrong, example.right));
    }
    out
}

const CONDITION_WHY: &str =
    "FHIR lets a type state conditions across its elements; who reads the resource may rely on them.";

fn condition_explanation(condition: &StatedCondition<'_>) -> String {
    format!(
        "{}\n\n{}.\n\n  severity  {} (FHIR: {}, {})\n  on        {}\n  states    {}\n  checked   {}\n  why       {}\n  \
         mend      {}\n  source    {}\n",
        visible(condition.key),
        visible(condition.human.trim_end_matches('.')),
        word(condition.severity),
        condition.severity.code(),
        INVARIANT.issue_type.code(),
        visible(&condition.on.join(", ")),
        visible(if condition.expression.is_empty() { "in words only" } else { condition.expression }),
        checked(condition.handling),
        CONDITION_WHY,
        INVARIANT.mend,
        visible(&condition_source(condition))
    )
}

fn checked(handling: Handling) -> String {
    match handling {
        Handling::AsWritten => "as stated".to_owned(),
        Handling::ByCode(reason) => format!("by code of its own: {reason}"),
        Handling::Restated { expression, reason } => format!("as {expression}\n            because {reason}"),
        Handling::LeftOut(reason) => format!("not at all: {reason}"),
    }
}

fn condition_source(condition: &StatedCondition<'_>) -> String {
    match condition.profile {
        Some(profile) => format!("profile {profile}"),
        None => INVARIANT.source.to_owned(),
    }
}

fn condition_members(condition: &StatedCondition<'_>) -> Value {
    json!({
        "id": condition.key,
        "severity": condition.severity.code(),
        "type": INVARIANT.issue_type.code(),
        "summary": condition.human,
        "why": CONDITION_WHY,
        "mend": INVARIANT.mend,
        "source": condition_source(condition),
        "on": condition.on,
        "expression": condition.expression,
        "checked": checked(condition.handling),
    })
}

fn members(rule: &Rule) -> Value {
    let mut members = json!({
        "id": rule.id,
        "severity": rule.severity.code(),
        "type": rule.issue_type.code(),
        "summary": rule.summary,
        "why": rule.why,
        "mend": rule.mend,
        "source": rule.source,
    });
    if let (Some(example), Some(members)) = (example(rule.id), members.as_object_mut()) {
        members.insert("wrong".to_owned(), json!(example.wrong));
        members.insert("right".to_owned(), json!(example.right));
    }
    members
}

pub(crate) fn print(text: &str) -> Exit {
    let mut stdout = std::io::stdout().lock();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        Ok(()) => Exit::Clean,
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Exit::Clean,
        Err(error) => {
            Console::new(Loudness::Normal).fault(&format!("Standard output could not be written: {error}."));
            Exit::Fault
        }
    }
}

/// The candidate that takes the fewest single-character edits; none when all are far off.
pub(crate) fn nearest<'a>(wanted: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = wanted.to_lowercase();
    candidates
        .map(|candidate| (edits(&wanted, candidate), candidate))
        .min()
        .filter(|(edits, candidate)| *edits * 2 <= candidate.chars().count())
        .map(|(_, candidate)| candidate)
}

/// Levenshtein distance.
fn edits(from: &str, to: &str) -> usize {
    let mut row: Vec<usize> = (0..=to.chars().count()).collect();
    for (number, left) in from.chars().enumerate() {
        let mut before = number + 1;
        let mut next = vec![before];
        for (right, above) in to.chars().zip(row.windows(2)) {
            let &[diagonal, up] = above else { continue };
            before = (diagonal + usize::from(left != right)).min(up + 1).min(before + 1);
            next.push(before);
        }
        row = next;
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances() {
        for (from, to, distance) in
            [("", "abc", 3), ("abc", "", 3), ("kitten", "sitting", 3), ("same", "same", 0)]
        {
            assert_eq!(edits(from, to), distance, "{from} {to}");
        }
    }

    #[test]
    fn the_nearest_is_given_only_when_it_is_near() {
        let ids = || ["json-syntax", "json-limit", "exam-ratio"].into_iter();
        assert_eq!(nearest("JSON-sintax", ids()), Some("json-syntax"));
        assert_eq!(nearest("completely different", ids()), None);
    }

    #[test]
    fn every_rule_is_complete_and_stands_once() {
        let rules = solewire_profiles::rules();
        let mut ids: Vec<&str> = rules.iter().map(|rule| rule.id).collect();
        ids.sort_unstable();
        let all = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), all, "an id stands twice");
        for rule in rules {
            for text in [rule.summary, rule.why, rule.mend, rule.source] {
                assert!(!text.is_empty(), "{} lacks a text", rule.id);
            }
        }
    }
}
