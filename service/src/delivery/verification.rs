//! Looking for what was delivered, a while later: one delivery at a time, and only when there is nothing to send.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinHandle;
use tokio::time::Instant;

use super::client::Client;
use super::comparison::{Comparison, Difference, compare};
use super::verdict::Failure;
use super::{Pace, at, later};
use crate::clock::Clock;
use crate::store::{Looked, Store, StoreError, Taken};

/// How often a delivery is looked for where the record system cannot be asked.
const TRIES: i64 = 5;

/// Looks for what was delivered.
#[derive(Debug)]
pub(super) struct Verification {
    client: Arc<Client>,
    store: Store,
    clock: Clock,
    pace: Pace,
    looking: Option<JoinHandle<()>>,
    /// Set once the record system took a search amiss: it is not asked again in this life of the process.
    given_up: Arc<std::sync::atomic::AtomicBool>,
}

impl Verification {
    pub(super) fn new(client: Arc<Client>, store: Store, clock: Clock, pace: Pace) -> Verification {
        Verification { client, store, clock, pace, looking: None, given_up: Arc::default() }
    }

    /// Starts looking for the next delivery, unless one is being looked for. Gives the time when there will be one.
    pub(super) async fn go_on(&mut self, now: i64) -> Result<Option<Instant>, StoreError> {
        if self.looking.is_some() || self.given_up.load(std::sync::atomic::Ordering::Relaxed) {
            return Ok(None);
        }
        let again = later(now, self.pace.verify_after.max(Duration::from_secs(1)) * 2);
        match self.store.claim_unverified(now, again, 1).await?.pop() {
            Some(taken) => {
                let (client, store, clock) =
                    (Arc::clone(&self.client), self.store.clone(), self.clock.clone());
                let given_up = Arc::clone(&self.given_up);
                self.looking = Some(tokio::spawn(async move {
                    let looked = look_for(&client, &taken, again, &given_up).await;
                    if let Err(error) = store.looked(taken.id, looked, clock.now_ms()).await {
                        tracing::error!(error = %error, "what was found of a delivery cannot be recorded");
                    }
                }));
                Ok(None)
            }
            None => Ok(self.store.next_unverified().await?.map(|due| at(due, now))),
        }
    }

    /// Returns once a search under way has ended; never when there is none.
    pub(super) async fn ended(this: &mut Option<Verification>) {
        let Some(looking) = this.as_mut().and_then(|this| this.looking.as_mut()) else {
            return std::future::pending().await;
        };
        if looking.await.is_err() {
            tracing::error!("looking for a delivery crashed");
        }
        if let Some(this) = this {
            this.looking = None;
        }
    }
}

async fn look_for(
    client: &Client,
    taken: &Taken,
    again: i64,
    given_up: &std::sync::atomic::AtomicBool,
) -> Looked {
    match compare(client, &taken.payload).await {
        Ok(comparison) => match difference(&comparison) {
            None => Looked::Found,
            Some(failure) => {
                tracing::warn!(
                    delivery = taken.id,
                    failure = failure.word(),
                    "delivered, and found otherwise later"
                );
                Looked::Differs(failure.word())
            }
        },
        Err(trouble) => {
            if matches!(trouble.failure, Failure::SearchRefused | Failure::Forbidden) {
                given_up.store(true, std::sync::atomic::Ordering::Relaxed);
                let (failure, scope) = (trouble.failure.word(), trouble.scope);
                tracing::warn!(
                    failure,
                    missing_scope = scope,
                    "deliveries cannot be looked for in the record system"
                );
            }
            Looked::Again((taken.tries < TRIES).then_some(again))
        }
    }
}

fn difference(comparison: &Comparison) -> Option<Failure> {
    let has = |difference| comparison.count(difference) > 0;
    if has(Difference::Several) {
        return Some(Failure::Duplicated);
    }
    if has(Difference::OtherPerson) {
        return Some(Failure::OtherPerson);
    }
    if has(Difference::Missing) {
        return Some(Failure::MissingThere);
    }
    has(Difference::Changed).then_some(Failure::ChangedThere)
}
