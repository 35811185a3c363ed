//! Rules across the elements and resources of an exam.

use jiff::SignedDuration;
use serde_json::Value;

use super::document::{Entries, EntryResource, reference_key, same_target};
use super::read::{SourceResource, read, test_of};
use super::{CheckContext, GroupBy, Test, submission};
use crate::issue::{Issue, IssueType, Rule, Severity};
use crate::terminology::Terminology;
use crate::time::ExamTime;

macro_rules! rules {
    ($($name:ident = $id:literal $severity:ident $issue_type:ident {
        $summary:literal, why $why:literal, mend $mend:literal, source $source:literal
    })*) => {
        $(
            #[doc = $summary]
            pub(crate) static $name: Rule = Rule {
                id: $id,
                severity: Severity::$severity,
                issue_type: IssueType::$issue_type,
                summary: $summary,
                why: $why,
                mend: $mend,
                source: $source,
            };
        )*
        /// The rules of this family.
        pub static RULES: &[&Rule] = &[$(&$name),*];
    };
}

rules! {
    EXAM_PANEL_MISSING = "exam-panel-missing" Error Required {
        "A result of the exam belongs to no panel of the document",
        why "Without the panel nobody can tell which exam of which day the result belongs to.",
        mend "Add one panel Observation (foot-test|foot-exam) whose hasMember lists the results.",
        source "project rule"
    }
    EXAM_ENCOUNTER_MISSING = "exam-encounter-missing" Error Required {
        "A result without a panel names no encounter",
        why "Results that arrive one by one are put together by person and encounter; without it they could mix two visits.",
        mend "Add encounter (a reference or an identifier) to the Observation, or send it with its panel; a service may also be set to group by subject and day.",
        source "project rule"
    }
    EXAM_MEMBER_AMBIGUOUS = "exam-member-ambiguous" Error Structure {
        "A result is listed by no panel although the document has several",
        why "It could belong to any of the exams.",
        mend "List the result in hasMember of the panel it belongs to, and in no other.",
        source "project rule"
    }
    EXAM_MEMBER_UNLISTED = "exam-member-unlisted" Warning Incomplete {
        "The panel does not list this result",
        why "Readers that follow hasMember would not see it. It is counted here all the same, because leaving out a finding could hide a risk.",
        mend "Add a reference to this Observation to hasMember of the panel.",
        source "HL7 FHIR R4, Observation.hasMember"
    }
    EXAM_MEMBER_UNRESOLVED = "exam-member-unresolved" Warning NotFound {
        "The panel lists a result that is not in the document",
        why "The exam may be more than what is here; what is not here counts as unknown.",
        mend "Send the Observation in the same document, or take it out of hasMember.",
        source "project rule"
    }
    EXAM_SUBJECT_MISSING = "exam-subject-missing" Error Required {
        "A result names no person",
        why "A result without its person must never be filed.",
        mend "Add subject with a reference or an identifier that has a system.",
        source "project rule"
    }
    EXAM_SUBJECT_MISMATCH = "exam-subject-mismatch" Error Conflict {
        "A result is about another person than its panel",
        why "Filing a result under the wrong person harms two people.",
        mend "Give the result and its panel the same subject, or send two exams.",
        source "project rule"
    }
    EXAM_SUBJECT_UNIDENTIFIED = "exam-subject-unidentified" Error Required {
        "The Patient in the document has no identifier with a system",
        why "Patients are never created here; the record system can only find the person by an identifier.",
        mend "Give the Patient an identifier with system and value, or refer to the person by identifier.",
        source "project rule"
    }
    EXAM_TIME_OFFSET = "exam-time-offset" Error Value {
        "The time of the examination has no time of day or no offset",
        why "Recall dates and the order of results depend on the exact instant.",
        mend "Write date, time and offset, such as 2026-09-14T10:20:00+01:00.",
        source "HL7 FHIR R4, dateTime: a time needs a zone"
    }
    EXAM_TIME_FUTURE = "exam-time-future" Error Value {
        "The time of the examination lies in the future",
        why "The clock of the sender is probably wrong; times are never corrected in silence. Up to a day ahead this is a warning, because devices run wrong and their results still count; further ahead the recall date would be lost.",
        mend "Set the clock of the sending device and send the result again with the right time.",
        source "project rule"
    }
    EXAM_SIDE_CONFLICT = "exam-side-conflict" Error Conflict {
        "The side of a component contradicts the side of its Observation",
        why "A finding on the wrong foot leads to the wrong care.",
        mend "Use the code without a side in the component, and one Observation for each foot.",
        source "project rule"
    }
    EXAM_RESULT_MISSING = "exam-result-missing" Error Required {
        "There is neither a result nor a reason for its absence",
        why "An empty result can be read as normal. What was not tested has to say so.",
        mend "Add a value, or dataAbsentReason (not-performed, not-applicable, asked-declined).",
        source "HL7 FHIR R4, Observation.dataAbsentReason"
    }
    EXAM_RESULT_AND_REASON = "exam-result-and-reason" Error Conflict {
        "A component has both a result and a reason why there is none",
        why "One of the two is wrong. Taken as tested it could hide a gap; taken as not tested it could hide a finding.",
        mend "Keep the value if the place was tested, else keep dataAbsentReason, and take the other one out.",
        source "HL7 FHIR R4, Observation: obs-6 says it of the Observation; for components it is a project rule"
    }
    EXAM_RATIO = "exam-ratio" Error Value {
        "A Ratio of answers does not count right answers of at least three questions",
        why "A site counts as felt when two of three answers are right, one of the three questions being a sham.",
        mend "Write the right answers as numerator and the questions asked (three or more, shams included) as denominator, both whole numbers.",
        source "IWGDF sensory examination addendum (Schaper 2024): three questions at each site, two right answers"
    }
    EXAM_RANGE = "exam-range" Error Value {
        "A number cannot be the measurement that it claims to be",
        why "A number in another unit or scale (an index sent as a percentage, a temperature in Fahrenheit) would be read wrongly.",
        mend "Send the number in the unit of the test.",
        source "common practice, no source"
    }
    EXAM_UNIT = "exam-unit" Error Value {
        "The unit of a number is no UCUM code, or a ratio is sent as a percentage",
        why "Units are read by their code. A number in a unit that is not understood would be read a thousand or a hundred times wrong.",
        mend "Send system http://unitsofmeasure.org with the UCUM code of the unit of the test; a ratio has the unit 1.",
        source "UCUM (Unified Code for Units of Measure); HL7 FHIR R4, Quantity"
    }
    EXAM_SITE_CONTRADICTION = "exam-site-contradiction" Warning Conflict {
        "The same place has two different results",
        why "One of them is wrong. Until that is cleared, the more cautious one is used.",
        mend "Find out which result is right and withdraw the other one (status entered-in-error).",
        source "project rule"
    }
    EXAM_NOT_COUNTED = "exam-not-counted" Information Informational {
        "A result does not count because of its status",
        why "Only final, preliminary, amended and corrected results are results.",
        mend "Nothing, if that is meant; else send the result with its final status.",
        source "HL7 FHIR R4, observation-status"
    }
}

/// Holds a document against the rules of this family. Issues are not placed yet.
pub(crate) fn check(terminology: &Terminology, document: &Value, context: &CheckContext) -> Vec<Issue> {
    let entries = Entries::of(document);
    let mut issues = Vec::new();
    let tests: Vec<Option<Test>> =
        entries.list.iter().map(|entry| test_of(terminology, entry.resource)).collect();
    let grouping = Grouping::of(&entries, &tests);
    for (entry, test) in entries.list.iter().zip(&tests) {
        if test.is_some() {
            check_time(entry, context, &mut issues);
        }
    }
    for panel in &grouping.panels {
        check_members(&entries, *panel, &mut issues);
    }
    check_memberships(&entries, &tests, &grouping, context, &mut issues);
    let groups = submission::groups(&entries, &tests, &grouping, context.group_by);
    for group in &groups {
        check_subjects(&entries, group, &mut issues);
        let sources: Vec<SourceResource<'_>> = group
            .iter()
            .filter_map(|&number| entries.list.get(number))
            .map(|entry| SourceResource {
                reference: String::new(),
                pointer: entry.pointer.clone(),
                value: entry.resource,
            })
            .collect();
        issues.extend(read(terminology, &sources).1);
    }
    issues
}

/// Which panels a document has, and which panel lists which entry.
#[derive(Debug)]
pub(super) struct Grouping {
    pub(super) panels: Vec<usize>,
    /// For each entry, the panels that list it.
    pub(super) listed_by: Vec<Vec<usize>>,
}

impl Grouping {
    pub(super) fn of(entries: &Entries<'_>, tests: &[Option<Test>]) -> Grouping {
        let panels: Vec<usize> = tests
            .iter()
            .enumerate()
            .filter(|(_, test)| **test == Some(Test::FootExam))
            .map(|(number, _)| number)
            .collect();
        let mut listed_by = vec![Vec::new(); entries.list.len()];
        for &panel in &panels {
            let Some(entry) = entries.list.get(panel) else { continue };
            let references = members(entry).filter_map(|(_, reference)| reference);
            for number in references.filter_map(|reference| entries.number_of(entry, reference)) {
                // A panel that lists a result twice still lists it once.
                if let Some(list) = listed_by.get_mut(number).filter(|list| list.last() != Some(&panel)) {
                    list.push(panel);
                }
            }
        }
        Grouping { panels, listed_by }
    }
}

fn members<'d>(panel: &EntryResource<'d>) -> impl Iterator<Item = (usize, Option<&'d str>)> {
    panel
        .resource
        .get("hasMember")
        .and_then(Value::as_array)
        .map(Vec::as_slice)
        .unwrap_or_default()
        .iter()
        .map(|member| member.get("reference").and_then(Value::as_str))
        .enumerate()
}

fn check_time(entry: &EntryResource<'_>, context: &CheckContext, issues: &mut Vec<Issue>) {
    for name in ["effectiveDateTime", "effectiveInstant"] {
        let Some(time) = entry.resource.get(name).and_then(Value::as_str).and_then(ExamTime::parse) else {
            continue;
        };
        let Some(ahead) = time.timestamp().map(|time| time.duration_since(context.at)) else { continue };
        if ahead > context.clock_tolerance {
            let message = "The time of the examination lies further ahead than clocks may differ.";
            let mut issue = Issue::new(&EXAM_TIME_FUTURE, format!("{}/{name}", entry.pointer), message);
            if ahead <= SignedDuration::from_hours(24) {
                issue.severity = Severity::Warning;
            }
            issues.push(issue);
        }
    }
}

fn check_members(entries: &Entries<'_>, panel: usize, issues: &mut Vec<Issue>) {
    let Some(entry) = entries.list.get(panel) else { return };
    for (number, reference) in members(entry) {
        let Some(reference) = reference else { continue };
        // An unresolved URN is an error of the Bundle and is raised there.
        if !reference.starts_with("urn:") && entries.resolve(entry, reference).is_none() {
            let pointer = format!("{}/hasMember/{number}/reference", entry.pointer);
            let message = "The panel lists a result that is not in this document.";
            issues.push(Issue::new(&EXAM_MEMBER_UNRESOLVED, pointer, message));
        }
    }
}

fn check_memberships(
    entries: &Entries<'_>,
    tests: &[Option<Test>],
    grouping: &Grouping,
    context: &CheckContext,
    issues: &mut Vec<Issue>,
) {
    for ((entry, test), listed_by) in entries.list.iter().zip(tests).zip(&grouping.listed_by) {
        let Some(test) = test else { continue };
        if entry.resource.get("subject").is_none() {
            let message = "The Observation names no subject.";
            issues.push(Issue::new(&EXAM_SUBJECT_MISSING, entry.pointer.clone(), message));
        }
        if *test == Test::FootExam {
            continue;
        }
        match (grouping.panels.len(), listed_by.len()) {
            (_, 1) => {}
            (0, _) => {
                let alone_is_enough = entry.resource.get("encounter").and_then(reference_key).is_some()
                    || context.group_by == GroupBy::SubjectAndDay;
                if !alone_is_enough {
                    let message = "The result belongs to no panel and names no encounter.";
                    issues.push(Issue::new(&EXAM_ENCOUNTER_MISSING, entry.pointer.clone(), message));
                }
            }
            (1, _) => {
                let message = "The result is in the document but not in hasMember of its panel.";
                issues.push(Issue::new(&EXAM_MEMBER_UNLISTED, entry.pointer.clone(), message));
            }
            _ => {
                let message = "The result cannot be given to one of the exams of the document.";
                issues.push(Issue::new(&EXAM_MEMBER_AMBIGUOUS, entry.pointer.clone(), message));
            }
        }
    }
}

fn check_subjects(entries: &Entries<'_>, group: &[usize], issues: &mut Vec<Issue>) {
    let mut members = group.iter().filter_map(|&number| entries.list.get(number));
    let Some(first) = members.next() else { return };
    let Some(subject) = first.resource.get("subject") else { return };
    for member in members {
        let Some(other) = member.resource.get("subject") else { continue };
        if !same_target(subject, other) {
            let message = "The result and its panel are about different people.";
            issues.push(Issue::new(&EXAM_SUBJECT_MISMATCH, format!("{}/subject", member.pointer), message));
        }
    }
    let literal = subject.get("reference").and_then(Value::as_str);
    let Some(patient) = literal.and_then(|reference| entries.resolve(first, reference)) else { return };
    if submission::logical_identifier(patient.resource).is_none() {
        let message = "The Patient of the exam cannot be found again by an identifier.";
        issues.push(Issue::new(&EXAM_SUBJECT_UNIDENTIFIED, patient.pointer.clone(), message));
    }
}
