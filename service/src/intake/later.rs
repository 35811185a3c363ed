//! The later exams of a person. One that arrives late, is corrected or is withdrawn changes what the exams behind it are
//! held against, so these are derived again, in the same transaction.

use std::collections::BTreeSet;

use serde_json::Value;
use solewire_profiles::issue::Issue;
use solewire_profiles::submit::SUBMIT_TOO_MANY_LATER;
use solewire_profiles::{AssessOptions, ExamFacts, ExamKey, Past, SubmittedExam};

use super::past::assessments_of;
use super::plan::{derived_again, is_assessment, merged, same_meaning, submitted};
use super::{Intake, Refusal};
use crate::store::{Commit, SeenEarlier, SeenLater, StoredExam};

/// So many later exams of one person are derived again at once; a weekly exam for five years is fewer. What would
/// change more is refused, because exams left as they are would say something that no longer holds.
pub(super) const MOST_LATER: usize = 256;

/// An exam that a submission changes.
pub(super) struct Changed<'a> {
    pub(super) key: &'a ExamKey,
    pub(super) stored: Option<&'a StoredExam>,
    pub(super) exam: &'a SubmittedExam,
}

impl Changed<'_> {
    fn subject_now(&self) -> &str {
        &self.exam.subject
    }

    fn subject_before(&self) -> &str {
        self.stored.map_or(&self.exam.subject, |stored| &stored.subject)
    }
}

impl Intake {
    /// Adds the later exams that the changed ones bear on to a commit, and gives the ids of their assessments that
    /// change. An exam without an exact time is held against none.
    pub(super) async fn derive_later(
        &self,
        changed: &[Changed<'_>],
        root: &str,
        options: &AssessOptions,
        commit: &mut Commit,
    ) -> Result<Vec<String>, Refusal> {
        let mut told = Vec::new();
        // A correction can say that an exam was made of another person; then the later ones of both are other ones now.
        let subjects: BTreeSet<&str> =
            changed.iter().flat_map(|one| [one.subject_now(), one.subject_before()]).collect();
        for subject in subjects {
            told.extend(self.derive_later_of(subject, changed, root, options, commit).await?);
        }
        Ok(told)
    }

    async fn derive_later_of(
        &self,
        subject: &str,
        changed: &[Changed<'_>],
        root: &str,
        options: &AssessOptions,
        commit: &mut Commit,
    ) -> Result<Vec<String>, Refusal> {
        // A correction can move an exam: what lay behind its old time and what lies behind the new one are both later.
        let before =
            || changed.iter().filter(|one| one.subject_before() == subject).filter_map(|one| one.stored);
        let after = || changed.iter().filter(|one| one.subject_now() == subject);
        let old = before().map(|stored| self.engine.exam_time(&submitted(stored)));
        let new = after().map(|one| self.engine.exam_time(&merged(one.stored, one.exam)));
        let times = old.chain(new).flatten();
        let Some(from) = times.map(|time| time.as_millisecond()).min() else { return Ok(Vec::new()) };
        let later = self.store.later_exams(subject, commit.clinic.as_ref(), from).await?;
        let exams = later.iter().map(|exam| (exam.key.clone(), exam.version)).collect();
        commit.seen_later.push(SeenLater { subject: subject.to_owned(), from, exams });
        let is_changed = |key: &ExamKey| changed.iter().any(|one| one.key == key);
        let later: Vec<&StoredExam> = later.iter().filter(|exam| !is_changed(&exam.key)).collect();
        let Some(first) = changed.first().filter(|_| !later.is_empty()) else { return Ok(Vec::new()) };
        if later.len() > MOST_LATER {
            return Err(too_many(later.len(), root));
        }
        let earlier = self.store.earlier_exams(subject, commit.clinic.as_ref(), first.key, from).await?;
        let exams = earlier.iter().map(|exam| (exam.key.clone(), exam.version)).collect();
        let key = first.key.clone();
        commit.seen_earlier.push(SeenEarlier { subject: subject.to_owned(), key, before: from, exams });

        let facts = |resources: &[&Value]| self.engine.facts(resources, options);
        let around: Vec<ExamFacts> = earlier
            .iter()
            .filter(|exam| !is_changed(&exam.key))
            .map(|exam| facts(&exam.resources.iter().collect::<Vec<_>>()))
            .collect();
        let before: Vec<ExamFacts> = before().map(|stored| facts(&submitted(stored))).collect();
        let after: Vec<ExamFacts> = after().map(|one| facts(&merged(one.stored, one.exam))).collect();
        let behind: Vec<ExamFacts> = later.iter().map(|exam| facts(&submitted(exam))).collect();

        let mut told = Vec::new();
        for (number, exam) in later.iter().enumerate() {
            let bodies = submitted(exam);
            let so_far = assessments_of(Some(exam));
            let derive = |changed: &[ExamFacts]| {
                let others = behind.iter().enumerate().filter(|(other, _)| *other != number);
                let exams: Vec<&ExamFacts> =
                    around.iter().chain(changed).chain(others.map(|(_, other)| other)).collect();
                let past = Past { exams: &exams, assessments: &so_far, closed: exam.closed };
                self.engine.assess_after(&exam.key, &bodies, options, past).resources
            };
            let derived = derive(&after);
            // Held against the same exams as before: what differs from the stored result for another reason, such as a
            // newer guideline, stays as it was.
            if same_meaning(&derive(&before), &derived) {
                continue;
            }
            let assessments = derived.iter().filter(|body| is_assessment(body));
            told.extend(assessments.filter_map(|body| Some(body.get("id")?.as_str()?.to_owned())));
            commit.exams.push(derived_again(exam, subject, self.forward.is_some(), &derived));
        }
        Ok(told)
    }
}

fn too_many(later: usize, root: &str) -> Refusal {
    let message = format!(
        "This exam lies before {later} later exams of the same person, and at most {MOST_LATER} are assessed again at once."
    );
    let issues = vec![Issue::new(&SUBMIT_TOO_MANY_LATER, "", message)];
    Refusal::Invalid { issues, root: root.to_owned() }
}
