//! How far a stored exam has come.

use serde_json::Value;
use solewire_profiles::progress::Progress;
use solewire_profiles::{ExamKey, Past, SubmittedExam};

use super::past::past_exams;
use super::plan::submitted;
use super::{Intake, Refusal};
use crate::clinic::Clinic;

/// Which exam is asked about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AskedExam {
    /// The one of a person in an encounter, each as `system|value` or as a reference.
    Encounter {
        /// The person.
        subject: String,
        /// The encounter.
        encounter: String,
    },
    /// The one whose panel has this identifier, `system|value`.
    Panel(String),
}

impl Intake {
    /// How far an exam of a clinic has come; none when there is no such exam.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn progress(
        &self,
        asked: &AskedExam,
        clinic: Option<&Clinic>,
    ) -> Result<Option<Progress>, Refusal> {
        let (key, subject, encounter, panel_identifier) = match asked {
            AskedExam::Encounter { subject, encounter } => {
                (format!("{subject}|{encounter}"), subject.clone(), Some(encounter.clone()), None)
            }
            AskedExam::Panel(identifier) => {
                (identifier.clone(), String::new(), None, Some(identifier.clone()))
            }
        };
        let mut exam =
            SubmittedExam { key: ExamKey(key), subject, encounter, panel_identifier, resources: Vec::new() };
        let Some(stored) = self.store.matching_exam(&exam, clinic).await? else { return Ok(None) };
        exam.key = stored.key.clone();
        exam.subject.clone_from(&stored.subject);
        let options = self.options(self.clock.now());
        let seen = self.earlier(Some(&stored), &exam, clinic).await?;
        let past = past_exams(&exam, seen.as_ref(), std::iter::empty());
        let facts: Vec<_> = past.iter().map(|resources| self.engine.facts(resources, &options)).collect();
        let exams: Vec<_> = facts.iter().collect();
        let past = Past { exams: &exams, assessments: &[], closed: stored.closed };
        let bodies: Vec<&Value> = submitted(&stored);
        Ok(self.engine.progress(&bodies, &options, past))
    }
}
