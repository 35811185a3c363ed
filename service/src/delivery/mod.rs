//! Forwarding: takes deliveries from the outbox, sends each, and records what became of it.
//!
//! A delivery is taken up by a lease, so that a process that dies holds nothing for good. Versions of one exam go one
//! after the other. Everything sent is safe to send again.

mod backoff;
mod client;
mod lane;
mod verdict;

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tokio::task::{Id, JoinSet};
use tokio::time::Instant;

pub use backoff::Backoff;
use client::Client;
pub use client::Timeouts;
pub use lane::{Lane, LaneState};
pub use verdict::{Answer, Failure, Verdict, judge};

use crate::clock::Clock;
use crate::config::RecordSystem;
use crate::metrics::Metrics;
use crate::store::{Claimed, DeliveryOutcome, DeliveryState, Lease, Store, StoreError};

/// How deliveries are paced.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// Waits after faults.
    pub backoff: Backoff,
    /// Waits for the record system.
    pub timeouts: Timeouts,
    /// How many exams are under way at once.
    pub at_once: u32,
    /// How often a conflict is tried again before the delivery is parked.
    pub conflicts: i64,
}

impl Default for Pace {
    fn default() -> Self {
        Pace { backoff: Backoff::default(), timeouts: Timeouts::default(), at_once: 4, conflicts: 3 }
    }
}

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
    /// How it is paced.
    pub pace: Pace,
}

/// Sends deliveries until it is stopped.
#[derive(Debug)]
pub struct Worker {
    parts: Parts,
    client: Arc<Client>,
    seed: u64,
    under_way: JoinSet<Sent>,
    ids: HashMap<Id, (i64, Lease)>,
}

/// A delivery that was sent, with its verdict.
#[derive(Debug)]
struct Sent {
    id: i64,
    lease: Lease,
    attempts: i64,
    remote_status: Option<u16>,
    verdict: Verdict,
}

impl Worker {
    /// A worker for one record system.
    ///
    /// # Errors
    /// When no client can be made, such as without certificate authorities.
    pub fn new(target: RecordSystem, parts: Parts) -> Result<Worker, reqwest::Error> {
        let client = Arc::new(Client::new(target, parts.pace.timeouts)?);
        let (seed, _) = uuid::Uuid::new_v4().as_u64_pair();
        Ok(Worker { parts, client, seed, under_way: JoinSet::new(), ids: HashMap::new() })
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

    /// Takes up as many deliveries as may go now. Gives the time to look again at the latest.
    async fn take_up(&mut self) -> Result<Instant, StoreError> {
        let latest = Instant::now() + self.parts.store.longest_sleep();
        let under_way = u32::try_from(self.under_way.len()).unwrap_or(u32::MAX);
        if let Some(until) = self.parts.lane.paused_until() {
            return Ok(until.min(latest));
        }
        // After a pause one delivery goes ahead and finds out.
        let at_once = if self.parts.lane.is_paused() { 1 } else { self.parts.pace.at_once };
        let room = at_once.saturating_sub(under_way);
        if room == 0 {
            return Ok(latest);
        }
        let now = self.parts.clock.now_ms();
        let lease = self.parts.pace.timeouts.total * 2 + Duration::from_secs(10);
        let claimed = self.parts.store.claim(now, lease, room).await?;
        let full = claimed.len() >= usize::try_from(room).unwrap_or(usize::MAX);
        for one in claimed {
            let held = (one.id, one.lease);
            let client = Arc::clone(&self.client);
            let clock = self.parts.clock.clone();
            let handle = self.under_way.spawn(async move { send(&client, &clock, one).await });
            self.ids.insert(handle.id(), held);
        }
        if full {
            return Ok(latest);
        }
        let due = self.parts.store.next_due().await?;
        Ok(due.map_or(latest, |due| {
            let wait = u64::try_from(due.saturating_sub(now)).unwrap_or(0).max(1);
            latest.min(Instant::now() + Duration::from_millis(wait))
        }))
    }

    async fn finish(&mut self, finished: Result<(Id, Sent), tokio::task::JoinError>) {
        let recorded = match finished {
            Ok((task, sent)) => {
                self.ids.remove(&task);
                self.record(&sent).await
            }
            Err(error) => match self.ids.remove(&error.id()) {
                Some((id, lease)) => {
                    tracing::error!(delivery = id, "sending a delivery crashed");
                    self.parts.store.note_crash(id, lease, self.parts.clock.now_ms()).await
                }
                None => Ok(()),
            },
        };
        // Its lease runs out and it is sent again: nothing is lost.
        if let Err(error) = recorded {
            tracing::error!(error = %error, "the outcome of a delivery cannot be recorded");
        }
    }

    async fn record(&mut self, sent: &Sent) -> Result<(), StoreError> {
        let now = self.parts.clock.now_ms();
        let failures = u32::try_from(sent.attempts).unwrap_or(u32::MAX).saturating_add(1);
        let own_wait = self.wait(failures);
        let mut outcome = DeliveryOutcome {
            state: DeliveryState::Delivered,
            due: now,
            charged: true,
            failure: None,
            remote_status: sent.remote_status,
            detail: None,
        };
        match &sent.verdict {
            Verdict::Delivered => {
                self.parts.lane.open();
                tracing::info!(delivery = sent.id, "delivered");
            }
            Verdict::DestinationFault { failure, wait } => {
                self.pause(*failure, *wait, now);
                outcome.state = DeliveryState::Pending;
                outcome.charged = false;
                outcome.failure = Some(failure.word());
            }
            Verdict::UnknownOutcome { failure, wait } => {
                self.pause(*failure, *wait, now);
                outcome.state = DeliveryState::UnknownOutcome;
                // A wait of its own on top: a message that always fails lets the others go first.
                outcome.due = later(now, own_wait + wait.unwrap_or_default());
                outcome.failure = Some(failure.word());
            }
            Verdict::Conflict if sent.attempts + 1 < self.parts.pace.conflicts => {
                self.parts.lane.open();
                outcome.state = DeliveryState::Pending;
                outcome.due = later(now, own_wait);
                outcome.failure = Some(Failure::Conflict.word());
            }
            Verdict::Conflict => {
                self.parts.lane.open();
                outcome.state = DeliveryState::Parked;
                outcome.failure = Some(Failure::Conflict.word());
            }
            Verdict::MessageFault { failure, detail } => {
                self.parts.lane.open();
                outcome.state = DeliveryState::Parked;
                outcome.failure = Some(failure.word());
                outcome.detail = detail.as_ref().map(ToString::to_string);
            }
        }
        if let Some(failure) = outcome.failure {
            tracing::warn!(
                delivery = sent.id,
                state = outcome.state.word(),
                failure,
                status = sent.remote_status,
                "not delivered"
            );
        }
        self.parts.metrics.delivery(&sent.verdict);
        if !self.parts.store.settle(sent.id, sent.lease, &outcome, now).await? {
            tracing::warn!(delivery = sent.id, "somebody else took the delivery up meanwhile; theirs counts");
        }
        Ok(())
    }

    fn pause(&mut self, failure: Failure, asked: Option<Duration>, now: i64) {
        self.seed = self.seed.wrapping_add(1);
        let (backoff, seed) = (self.parts.pace.backoff, self.seed);
        self.parts
            .lane
            .pause(failure, now, |failures| backoff.wait(failures, seed).max(asked.unwrap_or_default()));
    }

    fn wait(&mut self, failures: u32) -> Duration {
        self.seed = self.seed.wrapping_add(1);
        self.parts.pace.backoff.wait(failures, self.seed)
    }
}

async fn send(client: &Client, clock: &Clock, claimed: Claimed) -> Sent {
    let entries = count_entries(&claimed.payload);
    let (remote_status, verdict) = match client.send(claimed.payload).await {
        Ok(answer) => (Some(answer.status), judge(&answer, entries, clock.now())),
        Err(none) if none.may_have_arrived => {
            (None, Verdict::UnknownOutcome { failure: none.failure, wait: None })
        }
        Err(none) => (None, Verdict::DestinationFault { failure: none.failure, wait: None }),
    };
    Sent { id: claimed.id, lease: claimed.lease, attempts: claimed.attempts, remote_status, verdict }
}

fn count_entries(payload: &str) -> usize {
    let bundle: Option<serde_json::Value> = serde_json::from_str(payload).ok();
    bundle.and_then(|bundle| bundle.get("entry")?.as_array().map(Vec::len)).unwrap_or(0)
}

fn later(now: i64, by: Duration) -> i64 {
    now.saturating_add(i64::try_from(by.as_millis()).unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests;
