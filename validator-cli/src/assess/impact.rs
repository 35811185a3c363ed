//! What a change of guideline would do to the people whose exams are read.

use std::collections::{BTreeMap, HashMap};

use jiff::Timestamp;
use serde_json::Value;
use solewire_profiles::time::ExamTime;
use solewire_profiles::{AssessmentSummary, Derived, ExamKey, SubmittedExam};

use super::human::{category, deciding};
use crate::report::Style;
use crate::report::text::{count, visible};

/// The latest exam of each person, by what it comes to. The person stays in memory and is never written.
#[derive(Debug, Default)]
pub(super) struct Impact {
    people: HashMap<String, Latest>,
}

#[derive(Debug)]
struct Latest {
    /// Exams without an exact time come before all others; of two at one instant the key decides.
    order: (Option<Timestamp>, ExamKey),
    results: Vec<Part>,
}

/// What a guideline comes to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Part {
    guideline: String,
    category: String,
    rules: String,
}

impl Part {
    fn of(assessment: &AssessmentSummary) -> Part {
        Part {
            guideline: assessment.guideline.clone(),
            category: category(assessment),
            rules: deciding(assessment),
        }
    }
}

/// A row: what the first guideline comes to, and what another one does.
type Row<'i> = (&'i Part, &'i Part);

impl Impact {
    /// Counts an exam, unless it was withdrawn or the person has a later one.
    pub(super) fn add(&mut self, exam: &SubmittedExam, derived: &Derived) {
        if derived.assessments.iter().any(|assessment| assessment.status == "entered-in-error") {
            return;
        }
        let time = derived.resources.first().and_then(|resource| resource.get("occurrenceDateTime"));
        let time = time.and_then(Value::as_str).and_then(ExamTime::parse).and_then(ExamTime::timestamp);
        let order = (time, exam.key.clone());
        if self.people.get(&exam.subject).is_none_or(|known| known.order < order) {
            let results = derived.assessments.iter().map(Part::of).collect();
            self.people.insert(exam.subject.clone(), Latest { order, results });
        }
    }

    /// The rows with the number of people in each: the guidelines in the order they were named, most people first.
    fn rows(&self) -> Vec<(Row<'_>, usize)> {
        let mut counts: BTreeMap<(usize, Row<'_>), usize> = BTreeMap::new();
        for latest in self.people.values() {
            if let Some((first, others)) = latest.results.split_first() {
                for (number, other) in others.iter().enumerate() {
                    *counts.entry((number, (first, other))).or_default() += 1;
                }
            }
        }
        let mut rows: Vec<_> = counts.into_iter().collect();
        rows.sort_by(|((a, _), many), ((b, _), few)| a.cmp(b).then(few.cmp(many)));
        rows.into_iter().map(|((_, row), people)| (row, people)).collect()
    }

    /// A table for people.
    pub(super) fn table(&self, style: Style) -> String {
        let mut out = String::new();
        let mut pair = None;
        for ((from, to), people) in self.rows() {
            if pair.replace((&from.guideline, &to.guideline)) != Some((&from.guideline, &to.guideline)) {
                let all = people_words(self.people.len());
                let head = format!("From {} to {}: {all} with an exam", from.guideline, to.guideline);
                out.push_str(&style.strong(&visible(&head)));
                out.push('\n');
            }
            let line = format!(
                "  {people:>6}  from {} ({})\n          to   {} ({})",
                visible(&from.category),
                visible(&from.rules),
                visible(&to.category),
                visible(&to.rules)
            );
            out.push_str(&line);
            out.push('\n');
        }
        out
    }

    /// The same for programs (RFC 4180, lines ended by LF).
    pub(super) fn csv(&self) -> String {
        let mut out =
            "people,from_guideline,from_category,from_rule,to_guideline,to_category,to_rule\n".to_owned();
        for ((from, to), people) in self.rows() {
            let cells =
                [from, to].into_iter().flat_map(|part| [&part.guideline, &part.category, &part.rules]);
            out.push_str(&people.to_string());
            for cell in cells {
                out.push(',');
                out.push_str(&quoted(cell));
            }
            out.push('\n');
        }
        out
    }
}

fn people_words(number: usize) -> String {
    if number == 1 { count(1, "person") } else { format!("{number} people") }
}

fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn summary(guideline: &str, category: &str, rule: &str, status: &'static str) -> AssessmentSummary {
        AssessmentSummary {
            guideline: guideline.to_owned(),
            title: guideline.to_uppercase(),
            assessment: "00000000-0000-5000-8000-000000000000".parse().unwrap(),
            status,
            categories: Vec::new(),
            displays: vec![category.to_owned()],
            rules: vec![rule.to_owned()],
            reasons: Vec::new(),
            missing: Vec::new(),
            contradictions: Vec::new(),
            policies: Vec::new(),
            near_misses: Vec::new(),
            changes: Vec::new(),
            care: Vec::new(),
            recall: None,
            referral: None,
        }
    }

    fn add(impact: &mut Impact, person: &str, time: &str, to: &str, status: &'static str) {
        let exam = SubmittedExam {
            key: ExamKey(format!("{person} {time}")),
            subject: person.to_owned(),
            encounter: None,
            panel_identifier: None,
            resources: Vec::new(),
        };
        let derived = Derived {
            resources: vec![json!({ "occurrenceDateTime": time })],
            assessments: vec![summary("a", "A: low", "neither", status), summary("b", to, "one", status)],
        };
        impact.add(&exam, &derived);
    }

    #[test]
    fn people_are_counted_once_by_their_latest_exam_and_never_named() {
        let mut impact = Impact::default();
        add(&mut impact, "moth", "2026-03-01T09:00:00Z", "B: high", "final");
        // Earlier by the clock, later in the text of the time.
        add(&mut impact, "moth", "2026-03-01T09:30:00+01:00", "B: moderate", "final");
        add(&mut impact, "moth", "2026-04-01T09:00:00Z", "B: void", "entered-in-error");
        add(&mut impact, "wren", "2026-03-01T09:00:00Z", "B: high", "final");
        add(&mut impact, "lark", "2026-03-01T09:00:00Z", "B: low, \"quoted\"", "preliminary");
        assert_eq!(
            impact.csv(),
            "people,from_guideline,from_category,from_rule,to_guideline,to_category,to_rule\n\
             2,a,A: low,rule neither,b,B: high,rule one\n\
             1,a,A: low,rule neither,b,\"B: low, \"\"quoted\"\"\",rule one\n"
        );
        let table = impact.table(Style { coloured: false });
        assert_eq!(
            table,
            "From a to b: 3 people with an exam\n       2  from A: low (rule neither)\n          to   B: high (rule one)\n       \
             1  from A: low (rule neither)\n          to   B: low, \"quoted\" (rule one)\n"
        );
        for person in ["moth", "wren", "lark"] {
            assert!(!table.contains(person) && !impact.csv().contains(person));
        }
        assert_eq!(Impact::default().table(Style { coloured: false }), "");
    }
}
