//! Issues made by hand, to see how each report renders them.

use solewire_profiles::issue::{Issue, IssueType, Rule, Severity};
use solewire_profiles::json::{JSON_BYTE_ORDER_MARK, JSON_DUPLICATE_KEY, Position};

use super::{Counts, Entry, Reporter, Settings, Totals, Verdict};
use crate::args::{FailOn, Loudness};
use crate::input::Name;

/// A rule that is not in the table, as an invariant of a profile would be.
static LOCAL: Rule = Rule {
    id: "hl-1",
    severity: Severity::Warning,
    issue_type: IssueType::Invariant,
    summary: "A rule of the Harbour Lane clinic",
    why: "To see a rule that the table does not know.",
    mend: "Name the <device> & its maker.",
    source: "invented",
};

pub(super) fn settings() -> Settings {
    Settings { show_values: false, fail_on: FailOn::Error, loudness: Loudness::Normal }
}

/// A code of a device that no map covers.
pub(super) fn unmapped(code: &str) -> Issue {
    let rules = solewire_profiles::rules();
    let rule = rules.iter().find(|rule| rule.id == "terminology-unmapped-code").unwrap();
    let coding = serde_json::json!({ "system": "https://harbourlane.example/device", "code": code });
    Issue::new(rule, "/code/coding/0", "No map covers this code.").value(&coding)
}

/// Renders a run of four documents: one with issues of every severity under a hostile name, one NDJSON record, one
/// skipped, one unread.
pub(super) fn render(mut reporter: Box<dyn Reporter>) -> String {
    let place = |line, column| Position { line, column, offset: 10 * line };
    let name =
        |shown: &str| Name { shown: shown.to_owned(), uri: super::text::uri(std::path::Path::new(shown)) };
    let entries = ["Observation".to_owned(), "Observation".to_owned()];
    let hostile = [
        Issue::new(&JSON_DUPLICATE_KEY, "/entry/1/resource/code", "The property stands twice.")
            .at(place(3, 7)),
        Issue::new(&LOCAL, "/entry/1/resource/device", "No device is named.")
            .value(&serde_json::json!("hidden-value\u{1b}[2J"))
            .at(place(4, 1)),
        Issue::new(&JSON_BYTE_ORDER_MARK, "", "A mark stands before the text.").at(place(1, 1)),
    ];
    let record = [Issue::new(&JSON_DUPLICATE_KEY, "/a b", "The property stands twice.").at(place(4, 2))];
    type Run<'a> = (Name, Option<usize>, &'a str, &'a [String], Verdict<'a>);
    let runs: [Run<'_>; 4] = [
        (
            name("exams/a\u{1b}\n]]>.json"),
            None,
            "Bundle",
            &entries,
            Verdict::Checked { issues: &hostile, unlisted: Counts::default() },
        ),
        (
            name("exams/b.ndjson"),
            Some(4),
            "Resource",
            &[],
            Verdict::Checked { issues: &record, unlisted: Counts { errors: 0, warnings: 0, notes: 2 } },
        ),
        (name("exams/c.json"), None, "Resource", &[], Verdict::Skipped("JSON, but no FHIR resource")),
        (name("exams/d.json"), None, "Resource", &[], Verdict::Unread("it is gone")),
    ];
    let mut out = String::new();
    let mut totals = Totals::default();
    reporter.begin(&mut out);
    for (name, line, root, entries, verdict) in runs {
        let mut file = Totals { files: 1, ..Totals::default() };
        match &verdict {
            Verdict::Checked { issues, unlisted } => {
                file.documents = 1;
                file.issues = Counts::of(issues);
                file.issues.add(*unlisted);
                file.unlisted = unlisted.all();
            }
            Verdict::Skipped(_) => file.skipped = 1,
            Verdict::Unread(_) => file.unread = 1,
        }
        reporter.entry(&mut out, &Entry { name: &name, line, root, entries, verdict });
        reporter.end_file(&mut out, &name, &file);
        totals.add(file);
    }
    reporter.finish(&mut out, &totals);
    out
}
