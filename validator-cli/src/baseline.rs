//! Findings that somebody accepted one by one, each with a reason and a last day.
//!
//! The file is TOML:
//!
//! ```toml
//! version = 1
//!
//! [[accept]]
//! rule = "exam-member-unlisted"               # exactly this rule
//! path = "Bundle.entry[*].resource"           # the path of the report; * stands for anything
//! file = "exams/2026-*.json"                  # * ? [..] within a name, ** for folders; without a slash, the name alone
//! reason = "The old sender leaves the list out; replaced in spring."
//! until = 2027-03-31                          # the last day it holds (UTC)
//! ```
//!
//! What could hide harm is never accepted: see [`is_safety`].

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use serde::Deserialize;
use serde_json::{Value, json};
use solewire_profiles::issue::{Issue, Severity};

use crate::evidence::sha256;
use crate::glob;

/// The version of the format.
pub(crate) const VERSION: u32 = 1;

/// Rules whose breach may mean that a result stands for the wrong person, foot or site, or is not there at all.
const SAFETY: &[&str] = &[
    "exam-result-and-reason",
    "exam-result-missing",
    "exam-side-conflict",
    "exam-site-contradiction",
    "exam-subject-mismatch",
    "json-duplicate-key",
];

/// Whether breaches of this rule are never accepted: those of [`SAFETY`] and everything fatal, behind which nothing
/// was checked.
pub(crate) fn is_safety(rule: &str) -> bool {
    SAFETY.contains(&rule)
        || solewire_profiles::rules()
            .iter()
            .any(|known| known.id == rule && known.severity == Severity::Fatal)
}

/// The accepted findings of a file.
#[derive(Debug)]
pub(crate) struct Baseline {
    pub(crate) path: PathBuf,
    pub(crate) sha256: String,
    entries: Vec<Entry>,
    /// The present day.
    today: Date,
}

#[derive(Debug)]
struct Entry {
    accept: Accept,
    until: Date,
    used: usize,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    version: u32,
    #[serde(default)]
    accept: Vec<Accept>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Accept {
    rule: String,
    path: String,
    file: String,
    reason: String,
    until: toml::value::Datetime,
}

impl Baseline {
    /// Reads a file.
    ///
    /// # Errors
    /// What is wrong with it and how to mend it.
    pub(crate) fn load(path: &Path, today: Date) -> Result<Baseline, String> {
        let text = std::fs::read_to_string(path).map_err(|error| format!("cannot be read: {error}."))?;
        let file: File =
            toml::from_str(&text).map_err(|error| format!("{}.", error.to_string().trim_end()))?;
        if file.version != VERSION {
            return Err(format!("version {} is not known; this program reads {VERSION}.", file.version));
        }
        let mut entries = Vec::new();
        for (number, accept) in file.accept.into_iter().enumerate() {
            let fail = |text: String| Err(format!("entry {}: {text}", number + 1));
            if is_safety(&accept.rule) {
                return fail(format!(
                    "{} is a safety rule, whose findings cannot be accepted; remove the entry and mend them.",
                    accept.rule
                ));
            }
            if accept.reason.trim().is_empty() {
                return fail("the reason is empty; say why the finding can be lived with.".to_owned());
            }
            let Some(until) = day(&accept.until) else {
                return fail("until is not a date; write a day such as 2027-03-31.".to_owned());
            };
            entries.push(Entry { accept, until, used: 0 });
        }
        Ok(Baseline { path: path.to_owned(), sha256: sha256(text.as_bytes()), entries, today })
    }

    /// Whether a finding is accepted. Counts the entry that does.
    pub(crate) fn accepts(&mut self, issue: &Issue, root: &str, file: &str) -> bool {
        if issue.severity == Severity::Fatal || is_safety(&issue.rule) {
            return false;
        }
        let path = issue.expression(root);
        let today = self.today;
        let found = self.entries.iter_mut().find(|entry| {
            entry.until >= today
                && entry.accept.rule == issue.rule
                && glob::matches_stars(&entry.accept.path, &path)
                && glob::matches_path(&entry.accept.file, file)
        });
        match found {
            Some(entry) => {
                entry.used += 1;
                true
            }
            None => false,
        }
    }

    /// What should be removed or looked at again, a line each. Call it when everything was read.
    pub(crate) fn stale(&self) -> Vec<String> {
        let entries = self.entries.iter().enumerate();
        entries
            .filter_map(|(number, entry)| {
                let state = match self.state(entry) {
                    State::Expired => {
                        format!("expired on {}; mend the finding or decide anew.", entry.until)
                    }
                    State::Unused => "accepts nothing any more; remove it.".to_owned(),
                    State::Used => return None,
                };
                let (number, rule) = (number + 1, &entry.accept.rule);
                Some(format!("{}: entry {number} ({rule}) {state}", self.path.display()))
            })
            .collect()
    }

    /// Every entry with how often it was used.
    pub(crate) fn members(&self) -> Value {
        let entries = self.entries.iter().map(|entry| {
            json!({
                "rule": entry.accept.rule,
                "path": entry.accept.path,
                "file": entry.accept.file,
                "reason": entry.accept.reason,
                "until": entry.until.to_string(),
                "state": match self.state(entry) {
                    State::Used => "used",
                    State::Unused => "unused",
                    State::Expired => "expired",
                },
                "accepted": entry.used,
            })
        });
        entries.collect()
    }

    fn state(&self, entry: &Entry) -> State {
        match entry.used {
            _ if entry.until < self.today => State::Expired,
            0 => State::Unused,
            _ => State::Used,
        }
    }
}

#[derive(Debug, Clone, Copy)]
enum State {
    Used,
    Unused,
    Expired,
}

/// A date without time and offset.
fn day(given: &toml::value::Datetime) -> Option<Date> {
    let toml::value::Datetime { date: Some(_), time: None, offset: None } = given else { return None };
    given.to_string().parse().ok()
}

/// Findings to be written as a new file: what accepts them is exact, and each stands once.
#[derive(Debug, Default)]
pub(crate) struct Draft {
    entries: BTreeSet<(String, String, String)>,
}

impl Draft {
    /// Takes a finding up.
    pub(crate) fn add(&mut self, issue: &Issue, root: &str, file: &str) {
        self.entries.insert((file.to_owned(), issue.expression(root), issue.rule.to_string()));
    }

    pub(crate) fn len(&self) -> usize {
        self.entries.len()
    }

    /// The file.
    pub(crate) fn text(&self, reason: &str, until: Date) -> String {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let mut out = format!("version = {VERSION}\n");
        for (file, path, rule) in &self.entries {
            out.push_str(&format!(
                "\n[[accept]]\nrule = {}\npath = {}\nfile = {}\nreason = {}\nuntil = {until}\n",
                quoted(rule),
                quoted(path),
                quoted(&glob::literal_pattern(file)),
                quoted(reason)
            ));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use solewire_profiles::issue::{IssueType, Rule};
    use solewire_profiles::json::JSON_SYNTAX;

    use super::*;

    static UNLISTED: Rule = Rule {
        id: "exam-member-unlisted",
        severity: Severity::Warning,
        issue_type: IssueType::BusinessRule,
        summary: "s",
        why: "w",
        mend: "m",
        source: "project rule",
    };

    fn load(text: &str) -> Result<Baseline, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("accepted.toml");
        std::fs::write(&path, text).unwrap();
        Baseline::load(&path, "2026-11-02".parse().unwrap())
    }

    fn entry(rule: &str, until: &str) -> String {
        format!(
            "version = 1\n[[accept]]\nrule = \"{rule}\"\npath = \"Bundle.entry[*].resource\"\nfile = \"exams/*.json\"\nreason = \"known\"\nuntil = {until}\n"
        )
    }

    fn issue() -> Issue {
        Issue::new(&UNLISTED, "/entry/12/resource", "m")
    }

    #[test]
    fn an_entry_accepts_its_rule_at_its_path_in_its_files_until_its_day() {
        let mut baseline = load(&entry("exam-member-unlisted", "2026-11-02")).unwrap();
        assert!(baseline.accepts(&issue(), "Bundle", "exams/a.json"));
        assert!(!baseline.accepts(&issue(), "Bundle", "other/a.json"));
        assert!(!baseline.accepts(&issue(), "Bundle", "exams/deeper/a.json"));
        let elsewhere = Issue::new(&UNLISTED, "/entry/12/resource/code", "m");
        assert!(!baseline.accepts(&elsewhere, "Bundle", "exams/a.json"));
        assert!(baseline.stale().is_empty());
        assert_eq!(baseline.members()[0]["accepted"], 1);
    }

    #[test]
    fn an_expired_or_unused_entry_is_told() {
        let mut baseline = load(&entry("exam-member-unlisted", "2026-11-01")).unwrap();
        assert!(!baseline.accepts(&issue(), "Bundle", "exams/a.json"));
        assert!(baseline.stale()[0].contains("expired on 2026-11-01"), "{:?}", baseline.stale());
        let baseline = load(&entry("exam-member-unlisted", "2026-12-01")).unwrap();
        assert!(baseline.stale()[0].contains("accepts nothing any more"), "{:?}", baseline.stale());
    }

    #[test]
    fn safety_is_never_accepted() {
        for rule in SAFETY.iter().chain(&["json-syntax", "json-limit"]) {
            assert!(load(&entry(rule, "2026-12-01")).unwrap_err().contains("safety rule"), "{rule}");
        }
        let mut baseline = load(&entry("exam-member-unlisted", "2026-12-01")).unwrap();
        let mut fatal = issue();
        fatal.severity = Severity::Fatal;
        assert!(!baseline.accepts(&fatal, "Bundle", "exams/a.json"));
        assert!(!baseline.accepts(&Issue::new(&JSON_SYNTAX, "", "m"), "Bundle", "exams/a.json"));
    }

    #[test]
    fn a_file_that_is_not_well_said_is_refused() {
        let good = entry("exam-ratio", "2026-12-01");
        for (from, to) in [
            ("version = 1", "version = 2"),
            ("reason = \"known\"", "reason = \" \""),
            ("reason = \"known\"\n", ""),
            ("until = 2026-12-01", "until = \"2026-12-01\""),
            ("until = 2026-12-01", "until = 2026-12-01T00:00:00Z"),
            ("until", "expires"),
        ] {
            assert!(load(&good.replace(from, to)).is_err(), "{to}");
        }
    }

    #[test]
    fn a_draft_is_read_back_and_accepts_what_it_was_made_of() {
        let mut draft = Draft::default();
        draft.add(&issue(), "Bundle", "exams/[1] \"a\".json");
        draft.add(&issue(), "Bundle", "exams/[1] \"a\".json");
        assert_eq!(draft.len(), 1);
        let mut baseline =
            load(&draft.text("a \"reason\"\nin two lines", "2027-01-01".parse().unwrap())).unwrap();
        assert!(baseline.accepts(&issue(), "Bundle", "exams/[1] \"a\".json"));
        assert!(!baseline.accepts(&issue(), "Bundle", "exams/1 \"a\".json"));
    }
}
