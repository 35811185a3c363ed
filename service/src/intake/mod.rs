//! The use case: bytes in, and in one transaction the exam, what follows from it, what is to be forwarded, and the
//! answer under the caller's key.

mod answer;
mod closing;
mod conditional;
mod devices;
mod examine;
mod later;
mod order;
mod past;
mod payload;
mod plan;
mod priority;
mod progress;
pub mod rules;
mod update;

use std::sync::Arc;

use jiff::Timestamp;
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use solewire_profiles::issue::{Issue, refused};
use solewire_profiles::resources::collection;
use solewire_profiles::{AssessOptions, CheckContext, Engine, ExamFacts, GroupBy, Past, SubmittedExam};
use tokio::sync::Notify;

pub use answer::{Accepted, Done, EntryAnswer, Placed};
pub use conditional::identifier_criterion;
use devices::Sender;
pub use examine::LargeBodies;
use examine::{Work, examine, invalid, parse, root};
use later::Changed;
use order::leave_late;
use past::{Earlier, assessments_of, past_exams};
use plan::{Fate, Plan, merged, plan};
pub use progress::AskedExam;
pub use update::Target;

use crate::access::Caller;
use crate::clinic::Clinic;
use crate::clock::Clock;
use crate::config::{Assessment, Devices};
use crate::store::{
    Commit, Committed, KeyUse, KeyedAnswer, Load, SeenEarlier, Store, StoreError, StoredExam, TokenMatch,
};
use crate::traces;

/// Largest text taken in, in bytes.
pub const LARGEST_BODY: usize = 1024 * 1024;
/// Above so many bytes a body is large. Exams as clinics send them are below.
const LARGE_BODY: usize = 128 * 1024;
/// How often a submission looks again after another one changed the same exam or an earlier one of the same person.
const ROUNDS: u32 = 64;

/// Why a submission was not taken.
#[derive(Debug)]
pub enum Refusal {
    /// It cannot be read as JSON.
    Unreadable(Vec<Issue>),
    /// It can be read and must not be stored.
    Invalid {
        /// Everything found.
        issues: Vec<Issue>,
        /// Type of the document, for expressions.
        root: String,
    },
    /// It is not a resource of the type that the address takes.
    WrongType(Box<Issue>),
    /// It is not the resource that the address names.
    WrongId(Vec<Issue>),
    /// There is no such resource to update.
    NoSuchResource,
    /// The resource to update has another version by now.
    Stale,
    /// Several stored resources match a condition that should name one.
    SeveralMatch,
    /// A resource is to be replaced that the clinic of the caller does not have.
    UnknownId,
    /// The caller used this idempotency key for another body.
    KeyReused,
    /// The same exam keeps changing under it.
    Contended,
    /// A device has sent as much as its day may have.
    Quota {
        /// In how many seconds the next day begins.
        seconds: i64,
    },
    /// The store cannot.
    Store(StoreError),
    /// Reading it crashed: a defect of this program.
    Crashed,
}

impl From<StoreError> for Refusal {
    fn from(error: StoreError) -> Refusal {
        Refusal::Store(error)
    }
}

/// What a caller hands in.
#[derive(Debug)]
pub struct Handed {
    /// The body.
    pub bytes: Vec<u8>,
    /// What it should be.
    pub expected: Expected,
    /// Who hands it in: it belongs to the caller's clinic.
    pub caller: Caller,
    /// The caller's idempotency key.
    pub key: Option<String>,
    /// Create only if no resource has this identifier.
    pub if_none_exist: Option<TokenMatch>,
    /// The resource that it updates; none to create.
    pub target: Option<Target>,
}

/// What a body should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    /// A transaction Bundle.
    Transaction,
    /// One Observation.
    Observation,
}

/// What a document says about itself once it was checked.
#[derive(Debug)]
pub struct Checked {
    /// Everything found.
    pub issues: Vec<Issue>,
    /// Its resource type.
    pub root: String,
}

/// Takes exams in.
#[derive(Debug)]
pub struct Intake {
    /// What exams are held against.
    pub engine: Arc<Engine>,
    /// Where they are kept.
    pub store: Store,
    /// The present.
    pub clock: Clock,
    /// How they are assessed.
    pub assessment: Assessment,
    /// How results without a panel are put together.
    pub group_by: GroupBy,
    /// The devices that are known.
    pub devices: Arc<Devices>,
    /// Told when there is something to forward; none when nothing is forwarded.
    pub forward: Option<Arc<Notify>>,
    /// Whose turn it is among large bodies.
    pub large_bodies: LargeBodies,
}

impl Intake {
    /// Checks, assesses and stores what was handed in.
    ///
    /// # Errors
    /// Why it was not taken; nothing is stored then.
    pub async fn submit(&self, handed: Handed) -> Result<Accepted, Refusal> {
        let body_hash = handed.key.as_ref().map(|_| hex(&Sha256::digest(&handed.bytes)));
        if let Some(answer) = self.earlier_answer(&handed, body_hash.as_deref()).await? {
            return Ok(answer);
        }
        self.store.admit(Load::One).await?;
        let (bytes, expected) = (handed.bytes.clone(), handed.expected);
        let (context, header) =
            (self.context(self.clock.now(), handed.caller.clinic.as_ref()), handed.if_none_exist.clone());
        let (target, devices) = (handed.target.clone(), Arc::clone(&self.devices));
        let device = handed.caller.device.clone();
        let examine = move |engine: &Engine| {
            let devices = Sender { known: &devices, caller: device.as_deref() };
            examine(engine, bytes, expected, &context, header.as_ref(), target, devices)
        };
        let work = self.apart(handed.bytes.len(), examine).await??;
        if work.submission.exams.len() > 1 {
            self.store.admit(Load::Several).await?;
        }
        for _ in 0..ROUNDS {
            if let Some(accepted) = self.attempt(&work, &handed, body_hash.as_deref()).await? {
                if let Some(forward) = self.forward.as_ref().filter(|_| accepted.changed) {
                    forward.notify_one();
                }
                return Ok(accepted);
            }
            if let Some(answer) = self.earlier_answer(&handed, body_hash.as_deref()).await? {
                return Ok(answer);
            }
        }
        Err(Refusal::Contended)
    }

    /// Derives what follows from a document without storing anything: a collection Bundle.
    ///
    /// # Errors
    /// Why it cannot be assessed.
    pub async fn assess(
        &self,
        bytes: Vec<u8>,
        at: Option<Timestamp>,
        clinic: Option<&Clinic>,
    ) -> Result<Value, Refusal> {
        let at = at.unwrap_or_else(|| self.clock.now());
        let (context, options) = (self.context(at, clinic), self.options(at));
        self.apart(bytes.len(), move |engine| {
            let document = parse(bytes)?;
            let issues = engine.check(&document, &context);
            if refused(&issues) {
                return Err(invalid(issues, &document));
            }
            let submission =
                engine.submission(&document, &context).map_err(|issues| invalid(issues, &document))?;
            let mut derived = Vec::new();
            for exam in &submission.exams {
                let bodies: Vec<&Value> = exam.resources.iter().map(|resource| &resource.body).collect();
                derived.extend(engine.assess(&exam.key, &bodies, &options).resources);
            }
            Ok(collection(&derived))
        })
        .await?
    }

    /// Checks a document without storing anything.
    ///
    /// # Errors
    /// When it cannot be read.
    pub async fn check(&self, bytes: Vec<u8>) -> Result<Checked, Refusal> {
        let context = self.context(self.clock.now(), None);
        self.apart(bytes.len(), move |engine| {
            let document = parse(bytes)?;
            let issues = engine.check(&document, &context);
            Ok(Checked { issues, root: root(&document) })
        })
        .await?
    }

    /// The value of a text, read within the limits that hold for exams.
    ///
    /// # Errors
    /// When it cannot be read.
    pub async fn value(&self, bytes: Vec<u8>) -> Result<Value, Refusal> {
        self.apart(bytes.len(), move |_| Ok(parse(bytes)?.value().clone())).await?
    }

    /// Works on a body of this size on a thread of its own, so that no other caller waits for it to be read. Large ones
    /// wait for each other.
    async fn apart<T: Send + 'static>(
        &self,
        size: usize,
        work: impl FnOnce(&Engine) -> T + Send + 'static,
    ) -> Result<T, Refusal> {
        let turn = if size > LARGE_BODY { Some(self.large_bodies.turn().await?) } else { None };
        let engine = Arc::clone(&self.engine);
        let done = tokio::task::spawn_blocking(move || {
            let done = work(&engine);
            // A caller that went away has not ended the work, and the next one still waits for it.
            drop(turn);
            done
        });
        done.await.map_err(|_| Refusal::Crashed)
    }

    async fn earlier_answer(
        &self,
        handed: &Handed,
        body_hash: Option<&str>,
    ) -> Result<Option<Accepted>, Refusal> {
        let (Some(key), Some(body_hash)) = (&handed.key, body_hash) else { return Ok(None) };
        match self.store.key_use(key, &handed.caller.owner_of_keys(), body_hash).await? {
            KeyUse::Fresh => Ok(None),
            KeyUse::OtherBody => Err(Refusal::KeyReused),
            KeyUse::Answered(answer) => serde_json::from_str(&answer)
                .map(Some)
                .map_err(|_| Refusal::Store(StoreError::Row("a kept answer cannot be read"))),
        }
    }

    /// One look at the store, one plan, one commit; nothing when something changed in between.
    async fn attempt(
        &self,
        work: &Work,
        handed: &Handed,
        body_hash: Option<&str>,
    ) -> Result<Option<Accepted>, Refusal> {
        let at = self.clock.now();
        let options = self.options(at);
        let mut commit = Commit {
            clinic: handed.caller.clinic.clone(),
            caller: Some(handed.caller.name.clone()),
            trace: traces::current(),
            at: at.as_millisecond(),
            ..Commit::default()
        };
        let mut entries: Vec<EntryAnswer> = (0..work.entries).map(|_| EntryAnswer::context()).collect();
        let mut assessments = Vec::new();
        let exams = match &work.target {
            None => self.exams(work, &mut commit, &mut entries).await?,
            Some(target) => {
                let updated = self.updated(work, target, &handed.caller.reach()).await?;
                // Who sees the exams of every clinic corrects each where it belongs.
                commit.clinic = updated.0.as_ref().and_then(|stored| stored.clinic.clone());
                vec![updated]
            }
        };
        let mut changed = Vec::new();
        for (number, (stored, exam)) in exams.iter().enumerate() {
            let seen = self.earlier(stored.as_ref(), exam, commit.clinic.as_ref()).await?;
            let together =
                exams.iter().enumerate().filter(|(other, _)| *other != number).map(|(_, exam)| exam);
            let past = past_exams(exam, seen.as_ref(), together);
            let so_far = assessments_of(stored.as_ref());
            let plan = plan(stored.as_ref(), exam, self.forward.is_some(), |key, bodies| {
                let facts: Vec<ExamFacts> =
                    past.iter().map(|resources| self.engine.facts(resources, &options)).collect();
                let facts: Vec<&ExamFacts> = facts.iter().collect();
                let closed = stored.as_ref().is_some_and(|stored| stored.closed);
                let past = Past { exams: &facts, assessments: &so_far, closed };
                self.engine.assess_after(key, bodies, &options, past).resources
            });
            commit.seen_earlier.extend(seen.filter(|_| plan.change.is_some()).map(|seen| seen.seen));
            answer_exam(exam, &plan, commit.at, &mut entries);
            let sender = Sender { known: &self.devices, caller: handed.caller.device.as_deref() };
            devices::note(sender, exam, &plan, at, &mut commit.device_results, &mut entries, &work.root);
            assessments.extend(
                plan.assessments.iter().filter_map(|body| Some(body.get("id")?.as_str()?.to_owned())),
            );
            if plan.change.is_some() {
                let key = stored.as_ref().map_or(&exam.key, |stored| &stored.key);
                changed.push(Changed { key, stored: stored.as_ref(), exam });
            }
            commit.exams.extend(plan.change);
        }
        self.within_quotas(&commit).await?;
        let later = self.derive_later(&changed, &work.root, &options, &mut commit).await?;
        let first = changed.first().and_then(|one| one.exam.resources.first());
        if let Some(entry) = first.and_then(|first| entries.get_mut(first.entry.unwrap_or(0))) {
            entry.note_later(&later);
        }
        for (number, entry) in entries.iter_mut().enumerate() {
            let prefix = format!("/entry/{number}/");
            // What is about the whole document stands with its first entry.
            let own: Vec<Issue> = work
                .issues
                .iter()
                .filter(|issue| {
                    issue.pointer.starts_with(&prefix)
                        || (number == 0 && !(work.root == "Bundle" && issue.pointer.starts_with("/entry/")))
                })
                .cloned()
                .collect();
            entry.note(&own, &work.root);
        }
        let accepted = Accepted { entries, assessments, changed: !commit.exams.is_empty() };
        if let (Some(key), Some(body_hash)) = (&handed.key, body_hash) {
            commit.idempotency = Some(KeyedAnswer {
                key: key.clone(),
                caller: handed.caller.owner_of_keys(),
                body_hash: body_hash.to_owned(),
                answer: serde_json::to_string(&accepted)
                    .map_err(|_| Refusal::Store(StoreError::Row("an answer cannot be written")))?,
            });
        }
        if commit.exams.is_empty() && commit.idempotency.is_none() {
            return Ok(Some(accepted));
        }
        Ok(match self.store.commit(commit).await? {
            Committed::Done => Some(accepted),
            Committed::Overtaken => None,
        })
    }

    /// The submitted exams, each with the stored one it continues, without the resources that a condition found.
    async fn exams(
        &self,
        work: &Work,
        commit: &mut Commit,
        entries: &mut [EntryAnswer],
    ) -> Result<Vec<(Option<StoredExam>, SubmittedExam)>, Refusal> {
        let mut exams: Vec<(Option<StoredExam>, SubmittedExam)> = Vec::new();
        for submitted in &work.submission.exams {
            let mut exam = submitted.clone();
            let mut kept = Vec::new();
            for resource in exam.resources {
                let Some(token) = work.condition(resource.entry) else {
                    kept.push(resource);
                    continue;
                };
                let found = self
                    .store
                    .with_identifier(&resource.resource_type, token, commit.clinic.as_ref())
                    .await?;
                match found.as_slice() {
                    [] => {
                        commit.must_be_absent.push((resource.resource_type.clone(), token.clone()));
                        kept.push(resource);
                    }
                    [one] => {
                        if let Some(entry) = entries.get_mut(resource.entry.unwrap_or(0)) {
                            entry.done = Done::Unchanged;
                            entry.resource = Some(Placed {
                                resource_type: one.resource_type.clone(),
                                id: one.id.clone(),
                                version: one.version,
                                updated: one.updated,
                            });
                        }
                    }
                    _ => return Err(Refusal::SeveralMatch),
                }
            }
            exam.resources = kept;
            let stored = self.store.matching_exam(&exam, commit.clinic.as_ref()).await?;
            if commit.clinic.is_some() && work.names_an_id_of_another(stored.as_ref(), &exam) {
                return Err(Refusal::UnknownId);
            }
            if stored.is_none() && exam.resources.is_empty() {
                continue;
            }
            if let Some(stored) = &stored {
                leave_late(stored, &mut exam, entries, &work.root);
            }
            // Two groups of one document can continue the same stored exam.
            let same = exams.iter_mut().find(|(other, _)| match (other, &stored) {
                (Some(other), Some(stored)) => other.key == stored.key,
                (None, _) | (_, None) => false,
            });
            match same {
                Some((_, other)) => {
                    other.panel_identifier = other.panel_identifier.take().or(exam.panel_identifier);
                    other.resources.extend(exam.resources);
                }
                None => exams.push((stored, exam)),
            }
        }
        Ok(exams)
    }

    /// The stored exams of the same person that were made before this one; none when its time is not exact.
    async fn earlier(
        &self,
        stored: Option<&StoredExam>,
        exam: &SubmittedExam,
        clinic: Option<&Clinic>,
    ) -> Result<Option<Earlier>, Refusal> {
        let Some(time) = self.engine.exam_time(&merged(stored, exam)) else { return Ok(None) };
        let key = stored.map_or(&exam.key, |stored| &stored.key).clone();
        let before = time.as_millisecond();
        let exams = self.store.earlier_exams(&exam.subject, clinic, &key, before).await?;
        let seen = exams.iter().map(|exam| (exam.key.clone(), exam.version)).collect();
        let seen = SeenEarlier { subject: exam.subject.clone(), key, before, exams: seen };
        Ok(Some(Earlier { exams, seen }))
    }

    fn context(&self, at: Timestamp, clinic: Option<&Clinic>) -> CheckContext {
        let realm = clinic.map(Clinic::realm);
        CheckContext { group_by: self.group_by, realm, ..CheckContext::at(at) }
    }

    fn options(&self, at: Timestamp) -> AssessOptions {
        AssessOptions {
            guidelines: self.assessment.guidelines.clone(),
            monofilament: self.assessment.monofilament,
            calendar: self.assessment.calendar.clone(),
            at,
        }
    }
}

fn answer_exam(exam: &SubmittedExam, plan: &Plan, at: i64, entries: &mut [EntryAnswer]) {
    for (resource, (fate, version, updated)) in exam.resources.iter().zip(&plan.fates) {
        let Some(entry) = entries.get_mut(resource.entry.unwrap_or(0)) else { continue };
        entry.done = match fate {
            Fate::Created => Done::Created,
            Fate::Updated => Done::Updated,
            Fate::Unchanged => Done::Unchanged,
        };
        entry.resource = Some(Placed {
            resource_type: resource.resource_type.clone(),
            id: resource.id.to_string(),
            version: *version,
            updated: updated.unwrap_or(at),
        });
    }
    // The panel stands first; without one, the first result speaks for the exam.
    let first = exam.resources.first().map(|resource| resource.entry.unwrap_or(0));
    if let Some(entry) = first.and_then(|first| entries.get_mut(first)) {
        for assessment in &plan.assessments {
            entry.note_assessment(assessment);
        }
    }
}

/// Lower-case hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
pub(crate) mod tests;
