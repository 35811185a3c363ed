//! How long to wait before the next attempt.

use std::time::Duration;

/// Bounds of waiting.
#[derive(Debug, Clone, Copy)]
pub struct Backoff {
    /// Upper bound of the first wait; it doubles with each failure.
    pub first: Duration,
    /// Upper bound of any wait.
    pub cap: Duration,
}

impl Default for Backoff {
    fn default() -> Self {
        Backoff { first: Duration::from_millis(500), cap: Duration::from_secs(60) }
    }
}

impl Backoff {
    /// The wait after `failures` failures in a row (1 for the first): anything from nothing to the bound, evenly, so
    /// that many senders do not come back together. The same seed gives the same wait.
    #[must_use]
    pub fn wait(self, failures: u32, seed: u64) -> Duration {
        let bound = self.bound(failures);
        let nanos = u64::try_from(bound.as_nanos()).unwrap_or(u64::MAX);
        let share = u128::from(scramble(seed)) * u128::from(nanos);
        Duration::from_nanos(u64::try_from(share >> 64).unwrap_or(nanos))
    }

    fn bound(self, failures: u32) -> Duration {
        let doublings = failures.saturating_sub(1).min(31);
        self.first.saturating_mul(1_u32 << doublings).min(self.cap)
    }
}

/// An even spread of the 64-bit numbers (the SplitMix64 finaliser; Steele, Lea, Flood 2014).
fn scramble(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_cap_and_spread_over_all_of_it() {
        let backoff = Backoff { first: Duration::from_secs(1), cap: Duration::from_secs(60) };
        for (failures, bound) in [(0, 1), (1, 1), (2, 2), (5, 16), (7, 60), (u32::MAX, 60)] {
            let bound = Duration::from_secs(bound);
            let waits: Vec<Duration> = (0..500).map(|seed| backoff.wait(failures, seed)).collect();
            assert!(waits.iter().all(|wait| *wait <= bound), "{failures}");
            assert!(waits.iter().any(|wait| *wait < bound / 10), "{failures}");
            assert!(waits.iter().any(|wait| *wait > bound * 9 / 10), "{failures}");
        }
        assert_eq!(backoff.wait(3, 42), backoff.wait(3, 42));
    }
}
