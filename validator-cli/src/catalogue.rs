//! `solewire-check rules` and `explain`: what the checks look for.

use std::io::{ErrorKind, Write};

use serde_json::{Value, json};
use solewire_profiles::issue::Rule;
use solewire_profiles::risk::{Guideline, builtin_guidelines};
use solewire_profiles::{Certainty, clinical_values};

use crate::args::{CatalogueFormat, ExplainArguments, Loudness, RulesArguments};
use crate::console::Console;
use crate::exit::Exit;
use crate::report::{SCHEMA_VERSION, one_line, word};

/// Lists every rule, and what still has to be checked against its publication.
pub(crate) fn rules(arguments: &RulesArguments) -> Exit {
    let guidelines = match builtin_guidelines() {
        Ok(guidelines) => guidelines,
        Err(error) => {
            Console::new(Loudness::Normal).fault(&error.to_string());
            return Exit::Fault;
        }
    };
    let text = match arguments.format {
        CatalogueFormat::Human => table(&solewire_profiles::rules()) + &unconfirmed_table(&guidelines),
        CatalogueFormat::Json => one_line(&document(&guidelines)) + "\n",
    };
    print(&text)
}

/// The table of rules as JSON, with what is unconfirmed in findings and in these guidelines.
pub(crate) fn document(guidelines: &[Guideline]) -> Value {
    let rules: Vec<Value> = solewire_profiles::rules().iter().map(|rule| members(rule)).collect();
    let unconfirmed: Vec<Value> = unconfirmed(guidelines).iter().map(Unconfirmed::members).collect();
    json!({ "schema_version": SCHEMA_VERSION, "rules": rules, "unconfirmed": unconfirmed })
}

/// A clinical value or rule whose publication nobody has compared it with yet.
struct Unconfirmed {
    id: String,
    /// `findings`, or the id of a guideline.
    part: String,
    /// The number with its unit.
    value: Option<String>,
    /// What rests on it.
    used_by: Vec<String>,
    /// What it says.
    meaning: String,
    source: String,
    certainty: Certainty,
}

impl Unconfirmed {
    fn members(&self) -> Value {
        let mut out = json!({
            "id": self.id,
            "part": self.part,
            "meaning": self.meaning,
            "source": self.source,
            "certainty": self.certainty.words(),
        });
        if let Some(out) = out.as_object_mut() {
            out.extend(self.value.iter().map(|value| ("value".to_owned(), json!(value))));
            if !self.used_by.is_empty() {
                out.insert("used_by".to_owned(), json!(self.used_by));
            }
        }
        out
    }
}

fn unconfirmed(guidelines: &[Guideline]) -> Vec<Unconfirmed> {
    let of_findings =
        clinical_values().into_iter().filter(|value| value.certainty.is_unconfirmed()).map(|value| {
            // A plain ratio has the unit `1`, which nobody reads.
            let unit = if value.unit == "1" { "" } else { value.unit };
            let number = |number| format!("{number} {unit}").trim_end().to_owned();
            Unconfirmed {
                id: value.id.to_owned(),
                part: "findings".to_owned(),
                value: value.number.map(number),
                used_by: Vec::new(),
                meaning: value.meaning.to_owned(),
                source: value.source.to_owned(),
                certainty: value.certainty,
            }
        });
    let of_guidelines = guidelines.iter().flat_map(|guideline| {
        let sources = guideline.sources.iter().filter(|(_, source)| source.certainty.is_unconfirmed());
        sources.map(|(key, source)| Unconfirmed {
            id: format!("{}.{key}", guideline.id),
            part: guideline.id.clone(),
            value: None,
            used_by: guideline.uses(key),
            meaning: source.read.clone(),
            source: source.citation.clone(),
            certainty: source.certainty,
        })
    });
    of_findings.chain(of_guidelines).collect()
}

fn unconfirmed_table(guidelines: &[Guideline]) -> String {
    let list = unconfirmed(guidelines);
    let width = list.iter().map(|one| one.id.len()).max().unwrap_or_default();
    let mut out =
        "\nUnconfirmed: to be compared with the publication before anyone relies on it.\n".to_owned();
    for one in &list {
        let value = one.value.as_ref().map(|value| format!("{value}: ")).unwrap_or_default();
        // How a source was read says already that it is from memory.
        let how = one.certainty.words();
        let how = if one.meaning.starts_with(how) { String::new() } else { format!("{how}; ") };
        out.push_str(&format!("{:<width$}  {how}{value}{}\n", one.id, one.meaning));
        let indent = " ".repeat(width);
        if !one.used_by.is_empty() {
            out.push_str(&format!("{indent}  used by: {}\n", one.used_by.join(", ")));
        }
        out.push_str(&format!("{indent}  source: {}\n", one.source));
    }
    out
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
