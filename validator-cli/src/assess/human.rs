//! An assessment for people.

use solewire_profiles::resources::CAUTION;
use solewire_profiles::{AssessmentSummary, Derived, SubmittedExam};

use crate::args::Loudness;
use crate::input::Name;
use crate::report::text::visible;
use crate::report::{Counts, Settings, Style};

/// What stands in place of an assessment when the document is refused.
pub(super) fn not_assessed(name: &Name, line: Option<usize>, counts: Counts, style: Style) -> String {
    let line = line.map_or_else(String::new, |line| format!(", line {line}"));
    let text = format!("{}{line}: not assessed, because of {}.", visible(&name.shown), counts.words());
    format!("{}\n\n", style.strong(&text))
}

/// Appends the assessments of one exam.
pub(super) fn exam(
    out: &mut String,
    name: &Name,
    exam: &SubmittedExam,
    derived: &Derived,
    style: Style,
    settings: Settings,
) {
    if settings.loudness == Loudness::Silent {
        return;
    }
    let mut head = visible(&name.shown).into_owned();
    if let Some(identifier) = exam.panel_identifier.as_deref().filter(|_| settings.show_values) {
        head.push_str(&format!(", exam {}", visible(identifier)));
    }
    if derived.assessments.len() > 1 {
        side_by_side(out, &head, &derived.assessments, style);
    }
    for assessment in &derived.assessments {
        let first = format!("{head}: {}", category(assessment));
        out.push_str(&style.strong(&visible(&first)));
        out.push('\n');
        if settings.loudness < Loudness::Normal {
            continue;
        }
        out.push_str(&format!("  guideline  {}\n", visible(&assessment.guideline)));
        out.push_str(&format!("  status     {}\n", assessment.status));
        lines(out, "why", &assessment.reasons);
        lines(out, "missing", &assessment.missing);
        lines(out, "conflict", &assessment.contradictions);
        lines(out, "policy", &assessment.policies);
        lines(out, "near", &assessment.near_misses);
        lines(out, "changes", &assessment.changes);
        lines(out, "care", &assessment.care);
        lines(out, "recall", assessment.recall.as_slice());
        lines(out, "referral", assessment.referral.as_slice());
        lines(out, "caution", &[CAUTION.to_owned()]);
        out.push('\n');
    }
}

/// What each guideline comes to and by which rule, a line each.
fn side_by_side(out: &mut String, head: &str, assessments: &[AssessmentSummary], style: Style) {
    out.push_str(&style.strong(&visible(&format!("{head}: by {} guidelines", assessments.len()))));
    out.push('\n');
    let cells: Vec<(String, String)> = assessments
        .iter()
        .map(|assessment| {
            (visible(&assessment.guideline).into_owned(), visible(&category(assessment)).into_owned())
        })
        .collect();
    let widest = |width: fn(&(String, String)) -> usize| cells.iter().map(width).max().unwrap_or_default();
    let (guideline, category) =
        (widest(|cells| cells.0.chars().count()), widest(|cells| cells.1.chars().count()));
    for (cells, assessment) in cells.iter().zip(assessments) {
        out.push_str(&format!(
            "  {:<guideline$}  {:<category$}  {}\n",
            cells.0,
            cells.1,
            deciding(assessment)
        ));
    }
    out.push('\n');
}

/// The deciding rule, or those of both ends of a range.
pub(super) fn deciding(assessment: &AssessmentSummary) -> String {
    match assessment.rules.as_slice() {
        [] => "no rule".to_owned(),
        [only] => format!("rule {}", visible(only)),
        [lowest, .., highest] => format!("rules {} to {}", visible(lowest), visible(highest)),
    }
}

/// The category, or the range of those still possible.
pub(super) fn category(assessment: &AssessmentSummary) -> String {
    match assessment.displays.as_slice() {
        [] => "no category follows".to_owned(),
        [only] => only.clone(),
        [lowest, .., highest] => {
            // The name of the guideline need not be said twice.
            let rest = highest.strip_prefix(&assessment.title).unwrap_or(highest);
            format!("{lowest} to {}", rest.trim_start_matches([':', ',', ' ']))
        }
    }
}

/// A labelled list: the label stands before its first line.
fn lines(out: &mut String, label: &str, texts: &[String]) {
    let mut label = label;
    for text in texts {
        out.push_str(&format!("  {label:<9}  {}\n", visible(text)));
        label = "";
    }
}

#[cfg(test)]
mod tests {
    use solewire_profiles::ExamKey;

    use super::*;
    use crate::args::FailOn;

    fn render(displays: &[&str], settings: Settings) -> String {
        let summary = AssessmentSummary {
            guideline: "iwgdf-2023".to_owned(),
            title: "IWGDF 2023".to_owned(),
            assessment: "00000000-0000-5000-8000-000000000000".parse().unwrap(),
            status: if displays.len() == 1 { "final" } else { "preliminary" },
            categories: Vec::new(),
            rules: Vec::new(),
            displays: displays.iter().map(|display| (*display).to_owned()).collect(),
            reasons: vec!["Left foot: the monofilament is not felt at the hallux.".to_owned()],
            missing: vec!["Right pedal pulses: would decide it.".to_owned(), "Callus\u{1b}[2J.".to_owned()],
            contradictions: vec!["Left hallux: felt and not felt.".to_owned()],
            policies: vec!["Any listed deformity counts.".to_owned()],
            near_misses: vec!["Left ankle index 0.91.".to_owned()],
            changes: Vec::new(),
            care: vec!["left foot: callus".to_owned()],
            recall: Some("within 3 to 6 months".to_owned()),
            referral: None,
        };
        let exam_found = SubmittedExam {
            key: ExamKey("k".to_owned()),
            subject: "hidden-subject".to_owned(),
            encounter: None,
            panel_identifier: Some("https://harbourlane.example/exams|HL-1".to_owned()),
            resources: Vec::new(),
        };
        let name = Name { shown: "exams/a.json".to_owned(), uri: "exams/a.json".to_owned() };
        let derived = Derived { resources: Vec::new(), assessments: vec![summary] };
        let mut out = String::new();
        exam(&mut out, &name, &exam_found, &derived, Style { coloured: false }, settings);
        out
    }

    fn settings() -> Settings {
        Settings { show_values: false, fail_on: FailOn::Error, loudness: Loudness::Normal }
    }

    #[test]
    fn a_range_with_everything() {
        insta::assert_snapshot!(render(
            &["category 1 (low)", "category 2 (moderate)", "category 3 (high)"],
            settings()
        ));
    }

    #[test]
    fn the_identifier_of_the_exam_is_a_value() {
        assert!(!render(&["category 1 (low)"], settings()).contains("HL-1"));
        let shown = render(&["category 1 (low)"], Settings { show_values: true, ..settings() });
        assert!(
            shown
                .starts_with("exams/a.json, exam https://harbourlane.example/exams|HL-1: category 1 (low)\n"),
            "{shown}"
        );
        assert!(!shown.contains("hidden-subject"));
    }

    #[test]
    fn quiet_gives_one_line_an_assessment() {
        let quiet = render(&["category 1 (low)"], Settings { loudness: Loudness::Quiet, ..settings() });
        assert_eq!(quiet, "exams/a.json: category 1 (low)\n");
        assert_eq!(render(&["category 1 (low)"], Settings { loudness: Loudness::Silent, ..settings() }), "");
    }
}
