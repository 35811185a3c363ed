//! Purging what was delivered a while ago, by itself or from the command line.

use std::time::Duration;

use tokio::sync::watch;

use crate::clock::Clock;
use crate::delivery::outline;
use crate::store::{Expiry, Purgeable, Store, StoreError};

/// How often it is looked for, by the clock of the service. What is purged was kept for days.
const ROUND: Duration = Duration::from_secs(3600);
/// How often the clock is looked at: a machine that slept, or whose clock was set, has its round soon.
const LOOK_AGAIN: Duration = Duration::from_secs(1);
/// So many exams are looked up together.
const AT_ONCE: u32 = 200;
/// What is still to be looked for in the record system is kept at least so much longer. Where that is never asked, it
/// must not be kept for good either.
const VERIFICATION: Duration = Duration::from_secs(7 * 86_400);

/// What came of a purge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Purged {
    /// What was purged.
    pub counts: Purgeable,
    /// Whether what was overwritten has left the files of the store too. It has not while somebody reads from them.
    pub forgotten: bool,
}

/// What has expired at `now` (milliseconds since 1970) when it is kept for `keep` after its delivery.
#[must_use]
pub fn expiry(now: i64, keep: Duration) -> Expiry {
    let millis = |duration: Duration| i64::try_from(duration.as_millis()).unwrap_or(i64::MAX);
    let ended = now.saturating_sub(millis(keep));
    Expiry { ended, unverified: ended.saturating_sub(millis(keep.max(VERIFICATION))) }
}

/// Purges what has expired. `who` is none when the service does it by itself.
///
/// # Errors
/// When the store cannot; what was purged until then stays purged.
pub async fn purge(
    store: &Store,
    expiry: Expiry,
    who: Option<&str>,
    clock: &Clock,
) -> Result<Purged, StoreError> {
    let mut counts = Purgeable::default();
    let mut after = String::new();
    loop {
        let keys = store.purgeable_exams(expiry, &after, AT_ONCE).await?;
        let Some(last) = keys.last() else { break };
        after.clone_from(last);
        // One after the other: between them, exams are taken and deliveries sent.
        for key in &keys {
            let of_one = store.purge_exam(key, expiry, outline, who, clock.now_ms()).await?;
            counts.exams += of_one.exams;
            counts.payloads += of_one.payloads;
            counts.versions += of_one.versions;
        }
    }
    counts.answers = store.purge_answers(expiry, who, clock.now_ms()).await?;
    Ok(Purged { counts, forgotten: store.forget_overwritten().await? })
}

/// Purges what expires until `stop` turns true. Several processes on one store do no harm to each other.
pub async fn keep_for(keep: Duration, store: Store, clock: Clock, mut stop: watch::Receiver<bool>) {
    while !*stop.borrow() {
        let began = clock.now_ms();
        tokio::select! {
            purged = purge(&store, expiry(clock.now_ms(), keep), None, &clock) => match purged {
                Ok(Purged { counts, forgotten }) if !counts.is_nothing() => tracing::info!(
                    exams = counts.exams,
                    payloads = counts.payloads,
                    versions = counts.versions,
                    answers = counts.answers,
                    forgotten,
                    "purged what was delivered"
                ),
                Ok(Purged { .. }) => {}
                Err(error) => tracing::error!(error = %error, "what was delivered cannot be purged now"),
            },
            _ = stop.changed() => return,
        }
        while u128::from(clock.now_ms().abs_diff(began)) < ROUND.as_millis() {
            tokio::select! {
                () = tokio::time::sleep(LOOK_AGAIN) => {}
                _ = stop.changed() => return,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_still_to_be_looked_for_is_kept_a_week_longer_at_least() {
        let day = Duration::from_secs(86_400);
        let days = |number: i64| number * 86_400_000;
        let now = days(1000);
        for (keep, ended, unverified) in [(1, 999, 992), (7, 993, 986), (30, 970, 940)] {
            let expected = Expiry { ended: days(ended), unverified: days(unverified) };
            assert_eq!(expiry(now, day * keep), expected, "{keep} days");
        }
    }
}
