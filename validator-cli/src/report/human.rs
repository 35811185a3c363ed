//! The report for people.

use solewire_profiles::issue::{Issue, Severity};

use super::text::{count, visible};
use super::{Entry, Reporter, Settings, Totals, Unmapped, Verdict};
use crate::args::Loudness;
use crate::input::Name;

/// Emphasis on a terminal. Whatever it marks is also said in words.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Style {
    pub(crate) coloured: bool,
}

impl Style {
    pub(crate) fn severity(self, severity: Severity, text: &str) -> String {
        match severity {
            Severity::Fatal | Severity::Error => self.wrap("1;35", text),
            Severity::Warning => self.wrap("1;36", text),
            Severity::Information => self.wrap("1", text),
        }
    }

    pub(crate) fn strong(self, text: &str) -> String {
        self.wrap("1", text)
    }

    fn wrap(self, code: &str, text: &str) -> String {
        if self.coloured { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// Writes one issue as a block, ended by an empty line.
pub(crate) fn write_issue(
    out: &mut String,
    issue: &Issue,
    file: &str,
    root: &str,
    style: Style,
    show_values: bool,
) {
    let word = match issue.severity {
        Severity::Fatal => "Fatal",
        Severity::Error => "Error",
        Severity::Warning => "Warning",
        Severity::Information => "Note",
    };
    let place = match issue.position {
        Some(position) => format!("{file}:{}:{}", position.line, position.column),
        None => file.to_owned(),
    };
    let value = issue.value.as_deref().filter(|_| show_values);
    let expression = issue.expression(root);
    out.push_str(&format!("{} - {}\n", style.severity(issue.severity, word), visible(&issue.message)));
    for (label, text) in [
        ("where", Some(place.as_str())),
        ("path", Some(expression.as_str())),
        ("rule", Some(issue.rule.as_ref())),
        ("mend", Some(issue.mend.as_ref())),
        ("value", value),
    ] {
        if let Some(text) = text {
            out.push_str(&format!("  {label:<6} {}\n", visible(text)));
        }
    }
    out.push('\n');
}

/// The report for people, document by document.
pub(super) struct Human {
    style: Style,
    settings: Settings,
}

impl Human {
    pub(super) fn new(style: Style, settings: Settings) -> Human {
        Human { style, settings }
    }
}

impl Reporter for Human {
    fn entry(&mut self, out: &mut String, entry: &Entry<'_>) {
        if self.settings.loudness < Loudness::Normal {
            return;
        }
        match &entry.verdict {
            Verdict::Checked { issues, .. } => {
                for issue in *issues {
                    write_issue(
                        out,
                        issue,
                        &entry.name.shown,
                        entry.root,
                        self.style,
                        self.settings.show_values,
                    );
                }
            }
            // Said on standard error, and counted in the closing line.
            Verdict::Skipped(_) | Verdict::Unread(_) => {}
        }
    }

    fn end_file(&mut self, out: &mut String, name: &Name, totals: &Totals) {
        if self.settings.loudness < Loudness::Normal || totals.issues.all() == 0 {
            return;
        }
        let unlisted = match totals.unlisted {
            0 => String::new(),
            number => format!(" (and {number} more, not listed here)"),
        };
        let summary = format!("{}: {}{unlisted}.", visible(&name.shown), totals.issues.words());
        out.push_str(&self.style.strong(&summary));
        out.push_str("\n\n");
    }

    fn unmapped(&mut self, out: &mut String, codes: &Unmapped) {
        let lines = codes.lines();
        if self.settings.loudness < Loudness::Normal || lines.is_empty() {
            return;
        }
        out.push_str(&self.style.strong("Codes that no map covers:"));
        out.push('\n');
        for line in lines {
            out.push_str(&visible(&line));
            out.push('\n');
        }
        out.push('\n');
    }

    fn finish(&mut self, out: &mut String, totals: &Totals) {
        if self.settings.loudness == Loudness::Silent {
            return;
        }
        let mut line = format!(
            "Checked {} in {}: {}.",
            count(totals.documents, "document"),
            count(totals.files, "file"),
            totals.issues.words()
        );
        if totals.unlisted > 0 {
            line.push_str(&format!(
                " {} not listed; see --max-errors and --max-errors-per-file.",
                count(totals.unlisted, "issue")
            ));
        }
        if totals.accepted > 0 {
            line.push_str(&format!(" Accepted by the baseline: {}.", totals.accepted));
        }
        if totals.skipped > 0 {
            line.push_str(&format!(" Skipped: {}.", totals.skipped));
        }
        if totals.unread > 0 {
            line.push_str(&format!(" Could not be read: {}.", totals.unread));
        }
        if totals.incomplete {
            line.push_str(" Incomplete: the run ended before everything was read.");
        }
        out.push_str(&self.style.strong(&line));
        out.push('\n');
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples::{render, settings, unmapped};

    #[test]
    fn blocks_file_line_and_closing_line() {
        let report = render(Box::new(Human::new(Style { coloured: false }, settings())));
        insta::assert_snapshot!(report);
        assert!(!report.contains('\x1b'), "nothing of the document may steer the terminal");
        assert!(!report.contains("hidden-value"), "values stay out unless asked for");
    }

    #[test]
    fn colour_marks_only_what_words_say() {
        let plain = render(Box::new(Human::new(Style { coloured: false }, settings())));
        let coloured = render(Box::new(Human::new(Style { coloured: true }, settings())));
        let mut stripped = coloured.clone();
        for code in ["\x1b[1;35m", "\x1b[1;36m", "\x1b[1m", "\x1b[0m"] {
            stripped = stripped.replace(code, "");
        }
        assert_ne!(coloured, plain);
        assert_eq!(stripped, plain);
    }

    #[test]
    fn codes_without_a_map_are_listed_before_the_closing_line() {
        let listed = |loudness, codes: &Unmapped| {
            let settings = Settings { loudness, ..settings() };
            let mut out = String::new();
            Human::new(Style { coloured: false }, settings).unmapped(&mut out, codes);
            out
        };
        let mut codes = Unmapped::default();
        assert_eq!(listed(Loudness::Normal, &codes), "");
        codes.count(&[unmapped("\u{1b}[2J"), unmapped("X9"), unmapped("X9")]);
        let text = listed(Loudness::Normal, &codes);
        assert!(text.contains("     2 x https://harbourlane.example/device|X9\n"), "{text}");
        assert!(!text.contains('\u{1b}'), "{text}");
        assert_eq!(listed(Loudness::Quiet, &codes), "");
    }

    #[test]
    fn values_on_request() {
        let settings = Settings { show_values: true, ..settings() };
        let report = render(Box::new(Human::new(Style { coloured: false }, settings)));
        assert!(report.contains(r#"  value  "hidden-value\u001b[2J""#), "{report}");
    }

    #[test]
    fn quiet_leaves_the_closing_line_and_silent_nothing() {
        let at = |loudness| {
            render(Box::new(Human::new(Style { coloured: false }, Settings { loudness, ..settings() })))
        };
        assert_eq!(at(Loudness::Quiet).lines().count(), 1);
        assert_eq!(at(Loudness::Silent), "");
    }
}
