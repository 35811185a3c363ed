//! The way to the record system: open, or paused after a fault of the destination.

use std::time::Duration;

use tokio::sync::watch;
use tokio::time::Instant;

use super::verdict::Failure;

/// What operators see of the way to the record system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LaneState {
    /// Nothing is forwarded: no record system is configured.
    Off,
    /// Deliveries go out.
    Open,
    /// Everything waits.
    Paused {
        /// Why.
        failure: Failure,
        /// Since when, in milliseconds since 1970.
        since: i64,
        /// Faults in a row.
        failures: u32,
        /// When it is tried again, in milliseconds since 1970.
        retry_at: i64,
        /// The right that the record system says is missing.
        missing_scope: Option<String>,
    },
}

/// Shared between the worker, which changes it, and the operators' pages, which show it.
#[derive(Debug)]
pub struct Lane {
    inner: watch::Sender<Inner>,
}

#[derive(Debug, Clone)]
struct Inner {
    state: LaneState,
    /// The end of the pause on a clock that cannot be set.
    until: Option<Instant>,
}

impl Lane {
    /// A lane that is open, or off when there is no record system.
    #[must_use]
    pub fn new(forwards: bool) -> Lane {
        let state = if forwards { LaneState::Open } else { LaneState::Off };
        Lane { inner: watch::Sender::new(Inner { state, until: None }) }
    }

    /// Its state.
    #[must_use]
    pub fn state(&self) -> LaneState {
        self.inner.borrow().state.clone()
    }

    /// Opens, and tells it once where it was paused.
    pub(super) fn open(&self) {
        self.inner.send_if_modified(|inner| {
            let LaneState::Paused { failure, failures, .. } = &inner.state else { return false };
            tracing::info!(failure = failure.word(), failures, "the record system takes deliveries again");
            *inner = Inner { state: LaneState::Open, until: None };
            true
        });
    }

    /// Pauses after another fault, and tells it once where it was open; `wait` is asked how long, given the number of
    /// faults in a row.
    pub(super) fn pause(
        &self,
        failure: Failure,
        missing_scope: Option<String>,
        now: i64,
        wait: impl FnOnce(u32) -> Duration,
    ) {
        self.inner.send_modify(|inner| {
            let (since, failures) = match inner.state {
                LaneState::Paused { since, failures, .. } => (since, failures.saturating_add(1)),
                LaneState::Open | LaneState::Off => {
                    let scope = missing_scope.as_deref();
                    tracing::warn!(failure = failure.word(), missing_scope = scope, "deliveries are paused");
                    (now, 1)
                }
            };
            let wait = wait(failures);
            let retry_at = now.saturating_add(i64::try_from(wait.as_millis()).unwrap_or(i64::MAX));
            let until = Instant::now() + wait;
            // Of several deliveries that failed together, the longest wait holds.
            inner.until = Some(inner.until.map_or(until, |other| other.max(until)));
            inner.state = LaneState::Paused { failure, since, failures, retry_at, missing_scope };
        });
    }

    /// The end of the pause, if there is one ahead.
    pub(super) fn paused_until(&self) -> Option<Instant> {
        self.inner.borrow().until.filter(|until| *until > Instant::now())
    }

    pub(super) fn is_paused(&self) -> bool {
        matches!(self.state(), LaneState::Paused { .. })
    }

    /// Returns once the lane is paused.
    #[cfg(test)]
    pub(super) async fn paused(&self) -> Failure {
        let mut changes = self.inner.subscribe();
        let paused = changes.wait_for(|inner| matches!(inner.state, LaneState::Paused { .. })).await.unwrap();
        match paused.state {
            LaneState::Paused { failure, .. } => failure,
            LaneState::Off | LaneState::Open => unreachable!("waited for a pause"),
        }
    }
}
