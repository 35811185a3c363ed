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
mod verdict;
mod verification;

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tokio::task::{Id, JoinError, JoinSet};
use tokio::time::Instant;

use attempt::attempt;
pub use backoff::Backoff;
pub use client::Client;
pub use comparison::{Comparison, Difference, compare};
use concurrency::Concurrency;
pub use connection::{ConnectionError, Expiries, Timeouts};
pub use lane::{Lane, LaneState};
pub use message::outline;
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
#[derive(Debug)]
pub struct Worker {
    parts: Parts,
    client: Arc<Client>,
    seed: u64,
    concurrency: Concurrency,
    under_way: JoinSet<Result<Finished, StoreError>>,
    ids: HashMap<Id, (i64, Lease)>,
    verification: Option<Verification>,
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
        let (under_way, ids) = (JoinSet::new(), HashMap::new());
        Worker { parts, client, seed, concurrency, under_way, ids, verification }
    }

    /// Runs until `stop` turns true, then lets what is under way finish for a while.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        while !*stop.borrow() {
            let wake = Arc::clone(&self.parts.wake);
            let until = match self.take_up().await {
                Ok(until) => until,
                Err(error) => {
                    tracing::error!(error = %error, "the outbox cannot be read");
                    Instant::now() + Duration::from_secs(1)
                }
            };
            tokio::select! {
                () = wake.notified() => {}
                () = tokio::time::sleep_until(until) => {}
                Some(finished) = self.under_way.join_next_with_id() => self.finish(finished).await,
                () = Verification::ended(&mut self.verification) => {}
                _ = stop.changed() => {}
            }
        }
        let drained = tokio::time::timeout(DRAIN, async {
            while let Some(finished) = self.under_way.join_next_with_id().await {
                self.finish(finished).await;
            }
        });
        if drained.await.is_err() {
            tracing::warn!("deliveries were still under way; they are sent again after the next start");
        }
    }

    /// Takes up as many deliveries as may go now, and looks for one that went before when there are none. Gives the
    /// time to look again at the latest.
    async fn take_up(&mut self) -> Result<Instant, StoreError> {
        let latest = Instant::now() + self.parts.store.longest_sleep();
        let under_way = u32::try_from(self.under_way.len()).unwrap_or(u32::MAX);
        if let Some(until) = self.parts.lane.paused_until() {
            return Ok(until.min(latest));
        }
        // After a pause one delivery goes ahead and finds out.
        let paused = self.parts.lane.is_paused();
        let at_once = if paused { 1 } else { self.concurrency.limit() };
        let room = at_once.saturating_sub(under_way);
        if room == 0 {
            return Ok(latest);
        }
        let now = self.parts.clock.now_ms();
        let whole = self.parts.pace.timeouts.total * WHOLE;
        let claimed = self.parts.store.claim(now, whole + Duration::from_secs(10), room).await?;
        let full = claimed.len() >= usize::try_from(room).unwrap_or(usize::MAX);
        let none = claimed.is_empty() && under_way == 0;
        for one in claimed {
            let held = (one.id, one.lease);
            let (client, store) = (Arc::clone(&self.client), self.parts.store.clone());
            let traces = self.parts.traces.clone();
            let handle =
                self.under_way.spawn(async move { send(&client, &store, &traces, one, whole).await });
            self.ids.insert(handle.id(), held);
        }
        if full {
            return Ok(latest);
        }
        let due = self.parts.store.next_due().await?;
        let mut next = due.map_or(latest, |due| latest.min(at(due, now)));
        if let Some(verification) = self.verification.as_mut().filter(|_| none && !paused) {
            next = next.min(verification.go_on(now).await?.unwrap_or(latest));
        }
        Ok(next)
    }

    /// Records one that finished, and with it all that have finished by now.
    async fn finish(&mut self, first: Ended) {
        let mut settled = Vec::new();
        let mut next = Some(first);
        while let Some(ended) = next {
            match self.ended(ended).await {
                Ok(one) => settled.extend(one),
                // Its lease runs out and it is sent again: nothing is lost.
                Err(error) => {
                    tracing::error!(error = %error, "the outcome of a delivery cannot be recorded");
                }
            }
            next = self.under_way.try_join_next_with_id();
        }
        // Those that were taken lock nothing but themselves, and share a transaction.
        let (taken, others): (Vec<Settled>, Vec<Settled>) =
            settled.into_iter().partition(|one| one.outcome.state == DeliveryState::Delivered);
        self.settle(&taken).await;
        for one in &others {
            self.settle(std::slice::from_ref(one)).await;
        }
    }

    async fn settle(&self, settled: &[Settled]) {
        if settled.is_empty() {
            return;
        }
        match self.parts.store.settle(settled, self.parts.clock.now_ms()).await {
            Ok(recorded) => {
                for (one, _) in settled.iter().zip(recorded).filter(|(_, recorded)| !recorded) {
                    let delivery = one.id;
                    tracing::warn!(delivery, "somebody else took the delivery up meanwhile; theirs counts");
                }
            }
            Err(error) => {
                tracing::error!(error = %error, "the outcomes of deliveries cannot be recorded");
            }
        }
    }

    async fn ended(&mut self, ended: Ended) -> Result<Option<Settled>, StoreError> {
        match ended {
            Ok((task, finished)) => {
                self.ids.remove(&task);
                finished.map(|finished| Some(self.judged(finished)))
            }
            Err(error) => {
                if let Some((id, lease)) = self.ids.remove(&error.id()) {
                    tracing::error!(delivery = id, "sending a delivery crashed");
                    self.parts.store.note_crash(id, lease, self.parts.clock.now_ms()).await?;
                }
                Ok(None)
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
        self.parts.lane.pause(failure, scope, now, wait);
    }

    fn wait(&mut self, failures: u32) -> Duration {
        self.seed = self.seed.wrapping_add(1);
        self.parts.pace.backoff.wait(failures, self.seed)
    }
}

async fn send(
    client: &Client,
    store: &Store,
    traces: &Traces,
    claimed: Claimed,
    limit: Duration,
) -> Result<Finished, StoreError> {
    let began = Instant::now();
    let Claimed { id, lease, payload, attempts, .. } = claimed;
    #[cfg(test)]
    assert!(!payload.contains(tests::POISON), "a message that crashes whoever sends it");
    let background = store.background(id).await?;
    let mut span = traces.begin("delivery", Kind::Client, None);
    let sending = traces::within(span.as_ref(), attempt(client, payload, &background));
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
