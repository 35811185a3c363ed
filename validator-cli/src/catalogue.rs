//! `solewire-check rules` and `explain`: what the checks look for.

use std::io::{ErrorKind, Write};

use serde_json::{Value, json};
use solewire_profiles::issue::Rule;

use crate::args::{CatalogueFormat, ExplainArguments, Loudness, RulesArguments};
use crate::console::Console;
use crate::exit::Exit;
use crate::report::{SCHEMA_VERSION, one_line, word};

/// Lists every rule.
pub(crate) fn rules(arguments: &RulesArguments) -> Exit {
    let rules = solewire_profiles::rules();
    let text = match arguments.format {
        CatalogueFormat::Human => table(&rules),
        CatalogueFormat::Json => one_line(&document()) + "\n",
    };
    print(&text)
}

/// The table of rules as JSON.
pub(crate) fn document() -> Value {
    let rules: Vec<Value> = solewire_profiles::rules().iter().map(|rule| members(rule)).collect();
    json!({ "schema_version": SCHEMA_VERSION, "rules": rules })
}

/// Explains one rule.
pub(crate) fn explain(arguments: &ExplainArguments) -> Exit {
    let rules = solewire_profiles::rules();
    let wanted = arguments.rule.trim();
    let Some(rule) = rules.iter().find(|rule| rule.id == wanted) else {
        let nearest = nearest(wanted, rules.iter().map(|rule| rule.id));
        let hint = nearest.map_or_else(String::new, |id| format!(" The nearest is {id}."));
        Console::new(Loudness::Normal)
            .fault(&format!("There is no rule {wanted}.{hint} `solewire-check rules` lists all."));
        return Exit::Usage;
    };
    let text = match arguments.format {
        CatalogueFormat::Human => explanation(rule),
        CatalogueFormat::Json => {
            let mut out = json!({ "schema_version": SCHEMA_VERSION });
            if let (Value::Object(out), Value::Object(members)) = (&mut out, members(rule)) {
                out.extend(members);
            }
            one_line(&out) + "\n"
        }
    };
    print(&text)
}

fn table(rules: &[&Rule]) -> String {
    let width = rules.iter().map(|rule| rule.id.len()).max().unwrap_or_default();
    let mut out = String::new();
    for rule in rules {
        out.push_str(&format!("{:<width$}  {:<7}  {}\n", rule.id, word(rule.severity), rule.summary));
    }
    out.push_str(&format!(
        "\n{} rules. `solewire-check explain RULE` says why one matters and how to mend it.\n",
        rules.len()
    ));
    out
}

fn explanation(rule: &Rule) -> String {
    format!(
        "{}\n\n{}.\n\n  severity  {} (FHIR: {}, {})\n  why       {}\n  mend      {}\n  source    {}\n",
        rule.id,
        rule.summary.trim_end_matches('.'),
        word(rule.severity),
        rule.severity.code(),
        rule.issue_type.code(),
        rule.why,
        rule.mend,
        rule.source
    )
}

fn members(rule: &Rule) -> Value {
    json!({
        "id": rule.id,
        "severity": rule.severity.code(),
        "type": rule.issue_type.code(),
        "summary": rule.summary,
        "why": rule.why,
        "mend": rule.mend,
        "source": rule.source,
    })
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
