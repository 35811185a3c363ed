//! Reports: they render what was found and decide nothing.
//!
//! A report grows document by document, so that a long NDJSON file needs no memory of its beginning. Its order is the
//! order of the run: path, line, column, rule. No time, host or absolute path enters it.

mod human;
mod json;
mod json_text;
mod junit;
mod ndjson;
mod operationoutcome;
pub(crate) mod output;
mod sarif;
pub(crate) mod text;
mod unmapped;

use solewire_profiles::issue::{Issue, Severity};
pub(crate) use unmapped::Unmapped;

use crate::args::{FailOn, Format, Loudness};
use crate::input::Name;
pub(crate) use human::{Style, write_issue};
pub(crate) use json::summary;
pub(crate) use json_text::one_line;
pub(crate) use operationoutcome::outcome_line;

/// The version of the JSON and NDJSON reports. It grows when a member is renamed, removed or changes its meaning.
pub(crate) const SCHEMA_VERSION: u32 = 1;

/// How many issues of each kind.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Counts {
    /// Fatal ones and errors.
    pub(crate) errors: usize,
    pub(crate) warnings: usize,
    pub(crate) notes: usize,
}

impl Counts {
    pub(crate) fn of(issues: &[Issue]) -> Counts {
        let mut counts = Counts::default();
        for issue in issues {
            match issue.severity {
                Severity::Fatal | Severity::Error => counts.errors += 1,
                Severity::Warning => counts.warnings += 1,
                Severity::Information => counts.notes += 1,
            }
        }
        counts
    }

    pub(crate) fn add(&mut self, other: Counts) {
        self.errors += other.errors;
        self.warnings += other.warnings;
        self.notes += other.notes;
    }

    pub(crate) fn all(self) -> usize {
        self.errors + self.warnings + self.notes
    }

    /// Those that fail the run.
    pub(crate) fn failing(self, fail_on: FailOn) -> usize {
        match fail_on {
            FailOn::Error => self.errors,
            FailOn::Warning => self.errors + self.warnings,
            FailOn::Note => self.all(),
        }
    }

    /// In words, without the kinds that do not occur.
    pub(crate) fn words(self) -> String {
        let kinds = [(self.errors, "error"), (self.warnings, "warning"), (self.notes, "note")];
        let words: Vec<String> = kinds
            .iter()
            .filter(|(number, _)| *number > 0)
            .map(|(number, word)| text::count(*number, word))
            .collect();
        if words.is_empty() { "no issues".to_owned() } else { words.join(", ") }
    }
}

/// What a file, or the whole run, came to.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Totals {
    pub(crate) files: usize,
    /// Documents that were checked.
    pub(crate) documents: usize,
    pub(crate) skipped: usize,
    pub(crate) unread: usize,
    /// Issues that the baseline does not accept.
    pub(crate) issues: Counts,
    /// Issues that the baseline accepts. They are neither listed nor counted elsewhere.
    pub(crate) accepted: usize,
    /// Issues counted but not listed, because of `--max-errors` or `--max-errors-per-file`.
    pub(crate) unlisted: usize,
    /// Whether the run was interrupted before everything was read.
    pub(crate) incomplete: bool,
}

impl Totals {
    pub(crate) fn add(&mut self, other: Totals) {
        self.files += other.files;
        self.documents += other.documents;
        self.skipped += other.skipped;
        self.unread += other.unread;
        self.issues.add(other.issues);
        self.accepted += other.accepted;
        self.unlisted += other.unlisted;
        self.incomplete |= other.incomplete;
    }
}

/// One document and what came of it.
#[derive(Debug)]
pub(crate) struct Entry<'a> {
    pub(crate) name: &'a Name,
    /// The line of an NDJSON record.
    pub(crate) line: Option<usize>,
    /// The resource type, as the root of expressions.
    pub(crate) root: &'a str,
    /// In a Bundle: the resource type of every entry.
    pub(crate) entries: &'a [String],
    pub(crate) verdict: Verdict<'a>,
}

#[derive(Debug)]
pub(crate) enum Verdict<'a> {
    Checked {
        /// The issues to list.
        issues: &'a [Issue],
        /// The issues beyond them, only counted.
        unlisted: Counts,
    },
    Skipped(&'a str),
    Unread(&'a str),
}

/// A report in one format. Everything is appended to `out`, which is written away after each call.
pub(crate) trait Reporter {
    /// Before the first document.
    fn begin(&mut self, _out: &mut String) {}
    /// A document.
    fn entry(&mut self, out: &mut String, entry: &Entry<'_>);
    /// After the last document of a file.
    fn end_file(&mut self, _out: &mut String, _name: &Name, _totals: &Totals) {}
    /// After the last document of the run, before it is finished: the codes that no map covered.
    fn unmapped(&mut self, _out: &mut String, _codes: &Unmapped) {}
    /// Before the run is finished: entries of the baseline that accept nothing any more, a line each.
    fn stale(&mut self, _out: &mut String, _entries: &[String]) {}
    /// After the last document of the run.
    fn finish(&mut self, out: &mut String, totals: &Totals);
}

/// What shapes a report beside its format.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Settings {
    pub(crate) show_values: bool,
    pub(crate) fail_on: FailOn,
    pub(crate) loudness: Loudness,
}

/// The reporter for a format; none for a format that holds no findings.
pub(crate) fn reporter(format: Format, style: Style, settings: Settings) -> Option<Box<dyn Reporter>> {
    let show_values = settings.show_values;
    Some(match format {
        Format::Human => Box::new(human::Human::new(style, settings)),
        Format::Json => Box::new(json::Json::new(show_values)),
        Format::Ndjson => Box::new(ndjson::Ndjson::new(show_values)),
        Format::Sarif => Box::new(sarif::Sarif::new(show_values)),
        Format::Junit => Box::new(junit::Junit::new(settings)),
        Format::OperationOutcome => Box::new(operationoutcome::Outcomes::new(show_values)),
        Format::Csv => return None,
    })
}

/// The word for a severity in texts for people; `--fail-on` takes the same words.
pub(crate) fn word(severity: Severity) -> &'static str {
    match severity {
        Severity::Fatal => "fatal",
        Severity::Error => "error",
        Severity::Warning => "warning",
        Severity::Information => "note",
    }
}

#[cfg(test)]
mod samples;
