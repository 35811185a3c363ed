//! Forwarding: takes deliveries from the outbox, sends each, and records what became of it.
//!
//! A delivery is taken up by a lease, so that a process that dies holds nothing for good. Versions of one exam go one
//! after the other. Everything sent is safe to send again.

mod agreement;
mod attempt;
mod backoff;
mod certificate;
mod client;
mod comparison;
mod concurrency;
mod connection;
mod lane;
mod message;
mod placed;
mod remote_outcome;
mod there;
mod token;
mod validation;
mod verdict;
mod verification;

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tokio::task::{Id, JoinError, JoinHandle, JoinSet};
use tokio::time::Instant;

use attempt::attempt;
pub use backoff::Backoff;
pub use client::Client;
pub use comparison::{Comparison, Difference, compare};
use concurrency::Concurrency;
pub use connection::{ConnectionError, Expiries, Timeouts};
pub use lane::{Lane, LaneState};
pub use message::outline;
pub use validation::{Judgement, Validation, validate};
pub use verdict::{Answer, Failure, Verdict};
use verification::Verification;

use crate::clock::Clock;
use crate::metrics::Metrics;
use crate::store::{Claimed, DeliveryOutcome, DeliveryState, Lease, Settled, Store, StoreError};
use crate::traces::{self, Kind, Said, Traces};

/// How deliveries are paced.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// Waits after faults.
    pub backoff: Backoff,
    /// Waits for the record system.
    pub timeouts: Timeouts,
    /// How many exams are under way at once at the most.
    pub at_once: u32,
    /// How often a conflict is tried again before the delivery is parked.
    pub conflicts: i64,
    /// How long after a delivery it is looked for.
    pub verify_after: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Pace {
            backoff: Backoff::default(),
            timeouts: Timeouts::default(),
            at_once: 8,
            conflicts: 3,
            verify_after: Duration::from_secs(30),
        }
    }
}

/// A read of the record system that did not succeed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// Why.
    pub failure: Failure,
    /// What the record system asked for.
    pub wait: Option<Duration>,
    /// The right it says is missing.
    pub scope: Option<String>,
    /// The status of its answer.
    pub status: Option<u16>,
}

impl Trouble {
    fn new(failure: Failure, status: Option<u16>) -> Trouble {
        Trouble { failure, wait: None, scope: None, status }
    }
}

/// An attempt may take so many times the limit of one request: it can consist of several.
const WHOLE: u32 = 4;
/// So many deliveries for each that may be under way are taken up ahead of their turn, so that none waits for the disk
/// between the end of one and the start of the next.
const AHEAD: u32 = 2;
/// What was taken up ahead and has not had its turn after this is given back: its lease must not end under way.
const LONGEST_AHEAD: Duration = Duration::from_secs(10);
/// How long to wait after the store could not.
const AFTER_TROUBLE: Duration = Duration::from_secs(1);
/// How long deliveries under way may take to finish when the service stops.
const DRAIN: Duration = Duration::from_secs(10);

/// The parts a worker is made of.
#[derive(Debug)]
pub struct Parts {
    /// Where the outbox is.
    pub store: Store,
    /// The present.
    pub clock: Clock,
    /// Told when there is something new.
    pub wake: Arc<Notify>,
    /// What operators see.
    pub lane: Arc<Lane>,
    /// What is counted.
    pub metrics: Arc<Metrics>,
    /// What is traced.
    pub traces: Traces,
    /// How it is paced.
    pub pace: Pace,
}

/// Sends deliveries until it is stopped.
///
/// Sending and the books of it go on side by side: while the store records what became of some deliveries and takes up
/// the next ones, which is one transaction, others are under way or start.
#[derive(Debug)]
pub struct Worker {
    parts: Parts,
    client: Arc<Client>,
    seed: u64,
    concurrency: Concurrency,
    /// Taken up, in the order in which they start, each with the time since which it waits.
    ready: Vec<(Claimed, Instant)>,
    under_way: JoinSet<Result<Finished, StoreError>>,
    ids: HashMap<Id, (i64, Lease)>,
    /// What the store is still to be told.
    notes: Notes,
    /// The store being told, and asked for the next ones.
    books: Option<JoinHandle<Entered>>,
    /// When to ask for the next ones, whatever ends until then.
    look_at: Instant,
    verification: Option<Verification>,
}

/// What the store is told about deliveries that were taken up.
#[derive(Debug, Default)]
struct Notes {
    settled: Vec<Settled>,
    crashed: Vec<(i64, Lease)>,
    unsent: Vec<(i64, Lease)>,
}

impl Notes {
    fn is_empty(&self) -> bool {
        self.settled.is_empty() && self.crashed.is_empty() && self.unsent.is_empty()
    }
}

/// What came of telling and asking the store.
#[derive(Debug)]
struct Entered {
    claimed: Vec<Claimed>,
    /// When to ask for the next ones; none when it was not asked.
    look_at: Option<Instant>,
}

/// A delivery that was sent, with its verdict.
#[derive(Debug)]
struct Finished {
    id: i64,
    lease: Lease,
    attempts: i64,
    took: Duration,
    sent: attempt::Sent,
}

/// How the task of a delivery ended.
type Ended = Result<(Id, Result<Finished, StoreError>), JoinError>;

impl Worker {
    /// A worker for one record system.
    #[must_use]
    pub fn new(client: Arc<Client>, parts: Parts) -> Worker {
        let (seed, _) = uuid::Uuid::new_v4().as_u64_pair();
        let concurrency = Concurrency::up_to(parts.pace.at_once);
        let verification = client.target.verify.then(|| {
            Verification::new(Arc::clone(&client), parts.store.clone(), parts.clock.clone(), parts.pace)
        });
        Worker {
            parts,
            client,
            seed,
            concurrency,
            ready: Vec::new(),
            under_way: JoinSet::new(),
            ids: HashMap::new(),
            notes: Notes::default(),
            books: None,
            look_at: Instant::now(),
            verification,
        }
    }

    /// Runs until `stop` turns true, then lets what is under way finish for a while.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        while !*stop.borrow() {
            let wake = Arc::clone(&self.parts.wake);
            let until = self.go_on();
            tokio::select! {
                () = wake.notified() => self.look_at = Instant::now(),
                () = tokio::time::sleep_until(until) => {}
                Some(finished) = self.under_way.join_next_with_id() => self.note(finished),
                entered = done(&mut self.books) => self.entered(entered).await,
                () = Verification::ended(&mut self.verification) => self.look_at = Instant::now(),
                _ = stop.changed() => {}
            }
        }
        let drained = tokio::time::timeout(DRAIN, async {
            if self.books.is_some() {
                let entered = done(&mut self.books).await;
                self.ready.extend(entered.claimed.into_iter().map(|claimed| (claimed, Instant::now())));
            }
            self.give_back(|_| true);
            self.enter(0).await;
            while let Some(finished) = self.under_way.join_next_with_id().await {
                self.note(finished);
                self.enter(0).await;
            }
        });
        if drained.await.is_err() {
            tracing::warn!("deliveries were still under way; they are sent again after the next start");
        }
    }

    /// Starts what may start, and has the store told and asked where there is reason to. Gives the time to go on at the
    /// latest.
    fn go_on(&mut self) -> Instant {
        let pause = self.parts.lane.paused_until();
        // After a pause one delivery goes ahead and finds out.
        let paused = self.parts.lane.is_paused();
        let (at_once, ahead) = match (pause, paused) {
            (Some(_), _) => (0, 0),
            (None, true) => (1, 0),
            (None, false) => (self.concurrency.limit(), self.concurrency.limit() * AHEAD),
        };
        if pause.is_some() {
            self.give_back(|_| true);
        } else {
            self.give_back(|since| since.elapsed() > LONGEST_AHEAD);
        }
        while count(self.under_way.len()) < at_once && !self.ready.is_empty() {
            let (claimed, _) = self.ready.remove(0);
            self.start(claimed);
        }
        let room = (at_once + ahead).saturating_sub(count(self.under_way.len() + self.ready.len()));
        let latest = Instant::now() + self.parts.store.longest_sleep();
        let look = self.look_at <= Instant::now() || !self.notes.is_empty();
        let wanted = if look { room } else { 0 };
        if self.books.is_none() && (wanted > 0 || !self.notes.is_empty()) {
            if wanted > 0 {
                // Whoever tells of new work while the store is asked brings this forward.
                self.look_at = latest;
            }
            self.books = Some(tokio::spawn(self.enter(wanted)));
        }
        match pause {
            Some(until) => until.min(latest),
            // What is under way wakes this up when it ends.
            None if self.books.is_some() || room == 0 => latest,
            None => self.look_at.min(latest),
        }
    }

    fn start(&mut self, claimed: Claimed) {
        let held = (claimed.id, claimed.lease);
        let (client, store) = (Arc::clone(&self.client), self.parts.store.clone());
        let (traces, whole) = (self.parts.traces.clone(), self.whole());
        let handle =
            self.under_way.spawn(async move { send(&client, &store, &traces, claimed, whole).await });
        self.ids.insert(handle.id(), held);
    }

    /// The longest that an attempt takes.
    fn whole(&self) -> Duration {
        self.parts.pace.timeouts.total * WHOLE
    }

    /// Keeps what came of sending, of one that ended and of all that have ended by now.
    fn note(&mut self, first: Ended) {
        let mut next = Some(first);
        while let Some(ended) = next {
            match ended {
                Ok((task, finished)) => {
                    self.ids.remove(&task);
                    match finished {
                        Ok(finished) => {
                            let settled = self.judged(finished);
                            self.notes.settled.push(settled);
                        }
                        // Its lease runs out and it is sent again: nothing is lost.
                        Err(error) => tracing::error!(error = %error, "a delivery cannot be prepared"),
                    }
                }
                Err(error) => {
                    if let Some((id, lease)) = self.ids.remove(&error.id()) {
                        tracing::error!(delivery = id, "sending a delivery crashed");
                        self.notes.crashed.push((id, lease));
                    }
                }
            }
            next = self.under_way.try_join_next_with_id();
        }
    }

    /// Gives up what has waited for its turn since a time of which `too_long` holds.
    fn give_back(&mut self, too_long: impl Fn(Instant) -> bool) {
        let unsent = self.ready.extract_if(.., |(_, since)| too_long(*since));
        self.notes.unsent.extend(unsent.map(|(claimed, _)| (claimed.id, claimed.lease)));
    }

    /// Tells the store what there is to tell and asks it for so many more deliveries.
    fn enter(&mut self, room: u32) -> impl Future<Output = Entered> + Send + 'static {
        let notes = std::mem::take(&mut self.notes);
        let books = Books {
            store: self.parts.store.clone(),
            clock: self.parts.clock.clone(),
            lease: self.whole() + LONGEST_AHEAD + Duration::from_secs(10),
        };
        async move { books.enter(notes, room).await }
    }

    /// Takes over what the store gave, and looks for a delivery that went before when there is nothing to send.
    async fn entered(&mut self, entered: Entered) {
        let now = Instant::now();
        let nothing = entered.claimed.is_empty() && self.ready.is_empty() && self.under_way.is_empty();
        self.ready.extend(entered.claimed.into_iter().map(|claimed| (claimed, now)));
        self.ready.sort_by_key(|(claimed, _)| claimed.order());
        let Some(look_at) = entered.look_at else { return };
        self.look_at = self.look_at.min(look_at);
        if let Some(verification) = self.verification.as_mut()
            && nothing
            && look_at > now
            && !self.parts.lane.is_paused()
        {
            match verification.go_on(self.parts.clock.now_ms()).await {
                Ok(due) => self.look_at = self.look_at.min(due.unwrap_or(look_at)),
                Err(error) => tracing::error!(error = %error, "what was delivered cannot be looked for"),
            }
        }
    }

    /// What is to be recorded of a delivery, once the lane and the pace have learnt from it.
    fn judged(&mut self, finished: Finished) -> Settled {
        let Finished { id, lease, attempts, took, sent } = finished;
        let now = self.parts.clock.now_ms();
        let failures = u32::try_from(attempts).unwrap_or(u32::MAX).saturating_add(1);
        let own_wait = self.wait(failures);
        let verify_after = self.verification.as_ref().map(|_| later(now, self.parts.pace.verify_after));
        let mut outcome = DeliveryOutcome {
            state: DeliveryState::Delivered,
            due: now,
            charged: true,
            failure: None,
            remote_status: sent.status,
            detail: None,
            placed: sent.placed,
            verify_after: None,
            verdict: sent.verdict.word(),
            took,
        };
        self.parts.metrics.delivery(&sent.verdict, took);
        match sent.verdict {
            Verdict::Delivered => {
                self.parts.lane.open();
                self.concurrency.widen();
                outcome.verify_after = verify_after;
                tracing::info!(delivery = id, "delivered");
            }
            Verdict::DestinationFault { failure, wait, scope } => {
                self.pause(failure, scope, wait, now);
                outcome.state = DeliveryState::Pending;
                outcome.charged = false;
                outcome.failure = Some(failure.word());
            }
            Verdict::UnknownOutcome { failure, wait } => {
                self.pause(failure, None, wait, now);
                outcome.state = DeliveryState::UnknownOutcome;
                // A wait of its own on top: a message that always fails lets the others go first.
                outcome.due = later(now, own_wait + wait.unwrap_or_default());
                outcome.failure = Some(failure.word());
            }
            Verdict::Conflict if attempts + 1 < self.parts.pace.conflicts => {
                self.parts.lane.open();
                outcome.state = DeliveryState::Pending;
                outcome.due = later(now, own_wait);
                outcome.failure = Some(Failure::Conflict.word());
            }
            Verdict::Conflict => self.park(id, &mut outcome, Failure::Conflict),
            Verdict::MessageFault { failure, detail } => {
                outcome.detail = detail.as_ref().map(ToString::to_string);
                self.park(id, &mut outcome, failure);
            }
        }
        if outcome.failure.is_some() {
            let (state, status) = (outcome.state.word(), outcome.remote_status);
            tracing::debug!(delivery = id, state, failure = outcome.failure, status, "not delivered");
        }
        Settled { id, lease, outcome }
    }

    fn park(&self, id: i64, outcome: &mut DeliveryOutcome, failure: Failure) {
        self.parts.lane.open();
        outcome.state = DeliveryState::Parked;
        outcome.failure = Some(failure.word());
        let (failure, status) = (failure.word(), outcome.remote_status);
        match failure {
            // What must not happen is told louder than what may.
            "duplicated" | "ambiguous" | "other-person" => {
                tracing::error!(
                    delivery = id,
                    failure,
                    status,
                    "parked: the record system needs somebody to look at it"
                );
            }
            _ => tracing::warn!(delivery = id, failure, status, "parked"),
        }
    }

    fn pause(&mut self, failure: Failure, scope: Option<String>, asked: Option<Duration>, now: i64) {
        self.concurrency.narrow();
        self.seed = self.seed.wrapping_add(1);
        let (backoff, seed) = (self.parts.pace.backoff, self.seed);
        let wait = |failures| backoff.wait(failures, seed).max(asked.unwrap_or_default());
        self.look_at = Instant::now();
        self.parts.lane.pause(failure, scope, now, wait);
    }

    fn wait(&mut self, failures: u32) -> Duration {
        self.seed = self.seed.wrapping_add(1);
        self.parts.pace.backoff.wait(failures, self.seed)
    }
}

/// What keeps the outbox up to date, beside the sending.
#[derive(Debug)]
struct Books {
    store: Store,
    clock: Clock,
    /// For how long deliveries are taken up.
    lease: Duration,
}

impl Books {
    /// Records what there is to record, then takes up so many deliveries.
    async fn enter(&self, notes: Notes, room: u32) -> Entered {
        let Notes { settled, crashed, unsent } = notes;
        for (id, lease) in crashed {
            reported(self.store.note_crash(id, lease, self.clock.now_ms()).await);
        }
        if !unsent.is_empty() {
            reported(self.store.give_back(&unsent, self.clock.now_ms()).await);
        }
        // Those that were taken lock nothing but themselves, and share a transaction.
        let (taken, others): (Vec<Settled>, Vec<Settled>) =
            settled.into_iter().partition(|one| one.outcome.state == DeliveryState::Delivered);
        for one in others {
            let one = [one];
            if let Some(recorded) = reported(self.store.settle(&one, self.clock.now_ms()).await) {
                tell_of_others(&one, &recorded);
            }
        }
        if taken.is_empty() && room == 0 {
            return Entered { claimed: Vec::new(), look_at: None };
        }
        let now = self.clock.now_ms();
        let done = self.store.settle_and_claim(&taken, now, self.lease, room).await;
        let Some((recorded, claimed)) = reported(done) else {
            return Entered { claimed: Vec::new(), look_at: Some(Instant::now() + AFTER_TROUBLE) };
        };
        tell_of_others(&taken, &recorded);
        let look_at = match count(claimed.len()) {
            _ if room == 0 => None,
            number if number >= room => Some(Instant::now()),
            _ => Some(match reported(self.store.next_due().await) {
                Some(Some(due)) => at(due, now),
                Some(None) => Instant::now() + self.store.longest_sleep(),
                None => Instant::now() + AFTER_TROUBLE,
            }),
        };
        Entered { claimed, look_at }
    }
}

/// What the store did, if it could. Where it could not nothing is lost: leases run out, and what was under way is sent
/// again.
fn reported<T>(done: Result<T, StoreError>) -> Option<T> {
    done.inspect_err(|error| tracing::error!(error = %error, "the outbox cannot be kept up to date")).ok()
}

fn tell_of_others(settled: &[Settled], recorded: &[bool]) {
    for (one, _) in settled.iter().zip(recorded).filter(|(_, recorded)| !**recorded) {
        let delivery = one.id;
        tracing::warn!(delivery, "somebody else took the delivery up meanwhile; theirs counts");
    }
}

/// What came of the books once they are done; never when nobody is at them.
async fn done(books: &mut Option<JoinHandle<Entered>>) -> Entered {
    let Some(task) = books else { return std::future::pending().await };
    let entered = task.await;
    *books = None;
    entered.unwrap_or_else(|_| {
        tracing::error!("keeping the outbox up to date crashed");
        Entered { claimed: Vec::new(), look_at: Some(Instant::now() + AFTER_TROUBLE) }
    })
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

async fn send(
    client: &Client,
    store: &Store,
    traces: &Traces,
    claimed: Claimed,
    limit: Duration,
) -> Result<Finished, StoreError> {
    let began = Instant::now();
    let Claimed { id, lease, attempts, .. } = claimed;
    #[cfg(test)]
    assert!(!claimed.payload.contains(tests::POISON), "a message that crashes whoever sends it");
    let previous = store.previous(&claimed).await?;
    let mut span = traces.begin("delivery", Kind::Client, claimed.context());
    let sending = traces::within(span.as_ref(), attempt(client, claimed, previous.as_ref()));
    let sent = tokio::time::timeout(limit, sending).await;
    let sent = sent.unwrap_or(attempt::Sent {
        verdict: Verdict::UnknownOutcome { failure: Failure::Timeout, wait: None },
        status: None,
        placed: None,
    });
    if let Some(span) = &mut span {
        span.say("solewire.delivery", Said::Number(id));
        span.say("solewire.delivery.attempt", Said::Number(attempts.saturating_add(1)));
        span.say("solewire.delivery.verdict", Said::Word(sent.verdict.word()));
        if let Some(status) = sent.status {
            span.say("http.response.status_code", Said::Number(status.into()));
        }
        if sent.verdict != Verdict::Delivered {
            span.failed();
        }
    }
    Ok(Finished { id, lease, attempts, took: began.elapsed(), sent })
}

fn later(now: i64, by: Duration) -> i64 {
    now.saturating_add(i64::try_from(by.as_millis()).unwrap_or(i64::MAX))
}

/// The instant of a time that is due.
fn at(due: i64, now: i64) -> Instant {
    Instant::now() + Duration::from_millis(u64::try_from(due.saturating_sub(now)).unwrap_or(0).max(1))
}

#[cfg(test)]
mod tests;
