//! Updating one resource under its id: a correction or a withdrawal by somebody who has read the version it replaces.

use serde_json::{Value, json};
use solewire_profiles::SubmittedExam;
use solewire_profiles::issue::Issue;
use solewire_profiles::json::Document;
use solewire_profiles::submit::{SUBMIT_RESOURCE_ID, SUBMIT_UPDATE_IDENTITY};
use uuid::Uuid;

use super::examine::Work;
use super::plan::{same_content, stored_as};
use super::{Intake, Refusal};
use crate::clinic::Reach;
use crate::store::StoredExam;

/// The Observation that an update replaces.
#[derive(Debug, Clone)]
pub struct Target {
    /// Its id.
    pub id: String,
    /// The version that the caller has read.
    pub version: i64,
}

impl Target {
    /// Refuses a body of another resource.
    pub(super) fn expect_id(&self, document: &Document) -> Result<(), Refusal> {
        if document.value().get("id").and_then(Value::as_str) == Some(self.id.as_str()) {
            return Ok(());
        }
        let message = "The id in the body is not the one in the address.";
        let mut issues = vec![Issue::new(&SUBMIT_RESOURCE_ID, "/id", message)];
        document.locate(&mut issues);
        Err(Refusal::WrongId(issues))
    }
}

impl Intake {
    /// The exam that holds the target, and the part of it that changes.
    pub(super) async fn updated(
        &self,
        work: &Work,
        target: &Target,
        reach: &Reach,
    ) -> Result<(Option<StoredExam>, SubmittedExam), Refusal> {
        let id: Uuid = target.id.parse().map_err(|_| Refusal::NoSuchResource)?;
        let stored = self.store.exam_holding("Observation", &target.id, reach).await?;
        let stored = stored.ok_or(Refusal::NoSuchResource)?;
        let old = stored_as(Some(&stored), "Observation", &target.id).ok_or(Refusal::NoSuchResource)?;
        let sent = work.submission.exams.first().and_then(|exam| exam.resources.first());
        let mut new = sent.cloned().ok_or(Refusal::NoSuchResource)?;
        new.id = id;
        if let Some(body) = new.body.as_object_mut() {
            body.insert("id".to_owned(), json!(target.id));
            // These are ours, as the caller has read them.
            if let Some(meta) = body.get_mut("meta").and_then(Value::as_object_mut) {
                meta.shift_remove("versionId");
                meta.shift_remove("lastUpdated");
                if meta.is_empty() {
                    body.shift_remove("meta");
                }
            }
        }
        // An update that was made already and is sent once more is answered as made (RFC 9110, 13.1.1).
        let made = old.version == target.version + 1 && same_content(&old.body, &new.body);
        if old.version != target.version && !made {
            return Err(Refusal::Stale);
        }
        if let Some(element) = self.engine.changed_identity(&old.body, &new.body) {
            let message = "The update changes what the result is about.";
            let issue = Issue::new(&SUBMIT_UPDATE_IDENTITY, format!("/{element}"), message);
            return Err(Refusal::Invalid { issues: vec![issue], root: work.root.clone() });
        }
        let exam = SubmittedExam {
            key: stored.key.clone(),
            subject: stored.subject.clone(),
            encounter: None,
            panel_identifier: stored.panel_identifier.clone(),
            resources: vec![new],
        };
        Ok((Some(stored), exam))
    }
}
