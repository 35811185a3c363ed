//! Closing exams that no panel closes: when no result came for a while, none is waited for any longer.

use std::time::Duration;

use solewire_profiles::{ExamKey, Past, SubmittedExam};
use tokio::sync::watch;

use super::past::{assessments_of, past_exams};
use super::plan::{derived_again, submitted};
use super::{Intake, Refusal};
use crate::store::{Commit, Committed};

/// So many exams are looked at before the store is asked again.
const AT_ONCE: i64 = 100;
/// An exam is closed at the latest so long after it was due.
const LONGEST_SLEEP: Duration = Duration::from_secs(30);
const SHORTEST_SLEEP: Duration = Duration::from_secs(1);

impl Intake {
    /// Closes exams as they become due until `stop` turns true. What is due stands in the store, so it survives a
    /// restart, and several processes on one store close each exam once.
    pub async fn close_quiet_exams(&self, quiet: Duration, mut stop: watch::Receiver<bool>) {
        let sleep = (quiet / 10).clamp(SHORTEST_SLEEP, LONGEST_SLEEP);
        while !*stop.borrow() {
            match self.close_due(quiet).await {
                Ok(0) => {}
                Ok(closed) => tracing::info!(exams = closed, "closed after the quiet period"),
                Err(refusal) => tracing::error!(?refusal, "exams cannot be closed now"),
            }
            tokio::select! {
                () = tokio::time::sleep(sleep) => {}
                _ = stop.changed() => {}
            }
        }
    }

    /// Closes what is due now, and gives how many exams that were.
    ///
    /// # Errors
    /// When the store cannot.
    pub async fn close_due(&self, quiet: Duration) -> Result<usize, Refusal> {
        let quiet = i64::try_from(quiet.as_millis()).unwrap_or(i64::MAX);
        let mut closed = 0;
        loop {
            let since = self.clock.now_ms().saturating_sub(quiet);
            let due = self.store.quiet_exams(since, AT_ONCE).await?;
            let mut of_these = 0;
            for (key, version) in &due {
                of_these += usize::from(self.close(key, *version).await?);
            }
            closed += of_these;
            // What was overtaken has a new result, or another process closed it.
            if of_these == 0 {
                return Ok(closed);
            }
        }
    }

    /// Closes one exam, unless it has changed since it was found to be due.
    async fn close(&self, key: &ExamKey, version: i64) -> Result<bool, Refusal> {
        let Some(stored) = self.store.exam(key).await? else { return Ok(false) };
        if stored.version != version || stored.closed {
            return Ok(false);
        }
        let nothing = SubmittedExam {
            key: stored.key.clone(),
            subject: stored.subject.clone(),
            encounter: None,
            panel_identifier: None,
            resources: Vec::new(),
        };
        let at = self.clock.now();
        let options = self.options(at);
        let seen = self.earlier(Some(&stored), &nothing, stored.clinic.as_ref()).await?;
        let past = past_exams(&nothing, seen.as_ref(), std::iter::empty());
        let facts: Vec<_> = past.iter().map(|resources| self.engine.facts(resources, &options)).collect();
        let so_far = assessments_of(Some(&stored));
        let past = Past { exams: &facts.iter().collect::<Vec<_>>(), assessments: &so_far, closed: true };
        let derived = self.engine.assess_after(&stored.key, &submitted(&stored), &options, past).resources;
        drop(facts);
        let commit = Commit {
            exams: vec![derived_again(&stored, &stored.subject, self.forward.is_some(), &derived)],
            closed: vec![stored.key.clone()],
            seen_earlier: seen.into_iter().map(|seen| seen.seen).collect(),
            clinic: stored.clinic.clone(),
            at: at.as_millisecond(),
            ..Commit::default()
        };
        let done = self.store.commit(commit).await? == Committed::Done;
        if let Some(forward) = self.forward.as_ref().filter(|_| done) {
            forward.notify_one();
        }
        Ok(done)
    }
}
