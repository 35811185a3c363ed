//! The report as JUnit XML: a suite for each file, a case for each resource.

use solewire_profiles::issue::Issue;

use super::text::{count, is_treacherous, visible};
use super::{Counts, Entry, Reporter, Settings, Totals, Verdict, word};
use crate::input::Name;

/// JUnit XML. An issue at or above the level that fails is a failure of its resource, any other is output of the case.
pub(super) struct Junit {
    settings: Settings,
    /// The cases of the file at hand: a suite states their number before them.
    cases: String,
    tests: usize,
    failures: usize,
    errors: usize,
    skipped: usize,
}

impl Junit {
    pub(super) fn new(settings: Settings) -> Junit {
        Junit { settings, cases: String::new(), tests: 0, failures: 0, errors: 0, skipped: 0 }
    }

    fn case(&mut self, entry: &Entry<'_>, resource: &str, body: &str) {
        let name = match entry.line {
            Some(line) => format!("line {line}: {resource}"),
            None => resource.to_owned(),
        };
        let attributes =
            format!("classname=\"{}\" name=\"{}\"", escaped(&visible(&entry.name.shown)), escaped(&name));
        self.cases.push_str(&format!("    <testcase {attributes}"));
        self.cases.push_str(&if body.is_empty() {
            "/>\n".to_owned()
        } else {
            format!(">\n{body}    </testcase>\n")
        });
        self.tests += 1;
    }

    fn resource(&mut self, entry: &Entry<'_>, resource: &str, issues: &[&Issue], unlisted: Counts) {
        let fail_on = self.settings.fail_on;
        let (failing, other): (Vec<&Issue>, Vec<&Issue>) =
            issues.iter().partition(|issue| fail_on.fails(issue.severity));
        let mut body = String::new();
        let text = |issues: &[&Issue]| -> String {
            issues.iter().map(|issue| self.block(entry, issue)).collect::<Vec<_>>().join("\n")
        };
        let more = match unlisted.all() {
            0 => String::new(),
            number => format!("{} not listed here.", count(number, "further issue")),
        };
        if !failing.is_empty() || unlisted.failing(fail_on) > 0 {
            let total = failing.len() + unlisted.failing(fail_on);
            let kind = failing.first().map_or("unlisted", |issue| issue.rule.as_ref());
            body.push_str(&format!(
                "      <failure message=\"{}\" type=\"{}\">{}</failure>\n",
                escaped(&count(total, "issue")),
                escaped(&visible(kind)),
                escaped(&[text(&failing), more.clone()].join("\n"))
            ));
        }
        if !other.is_empty() || (!more.is_empty() && body.is_empty()) {
            body.push_str(&format!(
                "      <system-out>{}</system-out>\n",
                escaped(&[text(&other), more].join("\n"))
            ));
        }
        self.failures += usize::from(body.contains("<failure "));
        self.case(entry, resource, &body);
    }

    fn block(&self, entry: &Entry<'_>, issue: &Issue) -> String {
        let place = issue.position.map_or_else(String::new, |at| format!(":{}:{}", at.line, at.column));
        let path = issue.expression(entry.root);
        let value = issue.value.as_deref().filter(|_| self.settings.show_values);
        let mut block = format!("{}: {}\n", word(issue.severity), visible(&issue.message));
        for (label, text) in [
            ("where", Some(format!("{}{place}", entry.name.shown).as_str())),
            ("path", Some(path.as_str())),
            ("rule", Some(issue.rule.as_ref())),
            ("mend", Some(issue.mend.as_ref())),
            ("value", value),
        ] {
            if let Some(text) = text {
                block.push_str(&format!("{label:<6} {}\n", visible(text)));
            }
        }
        block
    }
}

impl Reporter for Junit {
    fn begin(&mut self, out: &mut String) {
        out.push_str("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites name=\"solewire-check\">\n");
    }

    fn entry(&mut self, _out: &mut String, entry: &Entry<'_>) {
        match &entry.verdict {
            Verdict::Checked { issues, unlisted } => {
                let (inside, outside): (Vec<&Issue>, Vec<&Issue>) =
                    issues.iter().partition(|issue| bundle_entry(issue, entry.entries.len()).is_some());
                self.resource(entry, entry.root, &outside, *unlisted);
                for (number, resource_type) in entry.entries.iter().enumerate() {
                    let here: Vec<&Issue> = inside
                        .iter()
                        .copied()
                        .filter(|issue| bundle_entry(issue, entry.entries.len()) == Some(number))
                        .collect();
                    let name = format!("{}.entry[{number}]: {resource_type}", entry.root);
                    self.resource(entry, &name, &here, Counts::default());
                }
            }
            Verdict::Skipped(reason) => {
                self.skipped += 1;
                self.case(
                    entry,
                    entry.root,
                    &format!("      <skipped>{}</skipped>\n", escaped(&visible(reason))),
                );
            }
            Verdict::Unread(reason) => {
                self.errors += 1;
                let text = format!("The document could not be read: {reason}.");
                let body =
                    format!("      <error message=\"{}\" type=\"unread\"/>\n", escaped(&visible(&text)));
                self.case(entry, entry.root, &body);
            }
        }
    }

    fn end_file(&mut self, out: &mut String, name: &Name, _totals: &Totals) {
        let Junit { tests, failures, errors, skipped, .. } = *self;
        out.push_str(&format!(
            "  <testsuite name=\"{}\" tests=\"{tests}\" failures=\"{failures}\" errors=\"{errors}\" skipped=\"{skipped}\">\n",
            escaped(&visible(&name.shown))
        ));
        out.push_str(&self.cases);
        out.push_str("  </testsuite>\n");
        *self = Junit::new(self.settings);
    }

    fn stale(&mut self, out: &mut String, entries: &[String]) {
        if entries.is_empty() {
            return;
        }
        let tests = entries.len();
        out.push_str(&format!(
            "  <testsuite name=\"baseline\" tests=\"{tests}\" failures=\"0\" errors=\"0\" skipped=\"0\">\n"
        ));
        for (number, text) in entries.iter().enumerate() {
            out.push_str(&format!(
                "    <testcase classname=\"baseline\" name=\"stale entry {}\">\n      <system-out>{}</system-out>\n    </testcase>\n",
                number + 1,
                escaped(&visible(text))
            ));
        }
        out.push_str("  </testsuite>\n");
    }

    fn finish(&mut self, out: &mut String, totals: &Totals) {
        if totals.incomplete {
            // A suite of its own, so that no reader takes a run that was broken off for a passed one.
            out.push_str(concat!(
                "  <testsuite name=\"run\" tests=\"1\" failures=\"0\" errors=\"1\" skipped=\"0\">\n",
                "    <testcase classname=\"run\" name=\"complete\">\n",
                "      <error message=\"The run ended before everything was read.\" type=\"incomplete\"/>\n",
                "    </testcase>\n  </testsuite>\n"
            ));
        }
        out.push_str("</testsuites>\n");
    }
}

/// The number of the Bundle entry that an issue lies in.
fn bundle_entry(issue: &Issue, entries: usize) -> Option<usize> {
    let number = issue.pointer.strip_prefix("/entry/")?.split('/').next()?.parse().ok()?;
    (number < entries).then_some(number)
}

/// Text for XML content, or for an attribute when it has no line feed. What XML 1.0 cannot hold, and what could steer a
/// terminal, is spelt out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&apos;"),
            '\n' => out.push('\n'),
            '\u{FFFE}' | '\u{FFFF}' => out.push('\u{FFFD}'),
            other if is_treacherous(other) => out.push_str(&format!("\\u{{{:x}}}", u32::from(other))),
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::args::FailOn;
    use crate::report::samples::{render, settings};

    #[test]
    fn a_case_for_every_resource() {
        insta::assert_snapshot!(render(Box::new(Junit::new(settings()))));
    }

    #[test]
    fn the_level_that_fails_decides_what_is_a_failure() {
        let failures = |fail_on| {
            let report = render(Box::new(Junit::new(Settings { fail_on, ..settings() })));
            report.matches("<failure ").count()
        };
        assert_eq!((failures(FailOn::Error), failures(FailOn::Warning), failures(FailOn::Note)), (2, 2, 3));
    }

    #[test]
    fn xml_cannot_be_left_through_text() {
        assert_eq!(escaped("]]><a b='\"&\u{1b}\n"), "]]&gt;&lt;a b=&apos;&quot;&amp;\\u{1b}\n");
    }
}
