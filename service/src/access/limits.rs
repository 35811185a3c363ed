//! How often each caller may ask.

use std::collections::HashMap;
use std::num::NonZeroU32;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

const MINUTE: Duration = Duration::from_secs(60);
/// Callers that are told apart at once; more than any site has. Beyond it, those that have all of their requests back are
/// forgotten, which costs them nothing.
const MOST: usize = 10_000;

/// Requests of each caller, in this process. A caller has a minute's worth, which comes back evenly.
#[derive(Debug)]
pub(crate) struct Limits {
    /// In which one request comes back.
    interval: Duration,
    /// When each caller will have all of them back.
    whole_again: Mutex<HashMap<String, Instant>>,
}

impl Limits {
    pub(crate) fn of(per_minute: NonZeroU32) -> Limits {
        Limits { interval: MINUTE / per_minute.get(), whole_again: Mutex::default() }
    }

    /// Takes one request of a caller, or says how many seconds until there is one again.
    pub(crate) fn take(&self, caller: &str, now: Instant) -> Result<(), u64> {
        let mut callers = self.whole_again.lock().unwrap_or_else(PoisonError::into_inner);
        if callers.len() >= MOST && !callers.contains_key(caller) {
            callers.retain(|_, whole| *whole > now);
        }
        let whole = callers.entry(caller.to_owned()).or_insert(now);
        let then = (*whole).max(now) + self.interval;
        let short = then.saturating_duration_since(now + MINUTE);
        if short.is_zero() {
            *whole = then;
            return Ok(());
        }
        Err(short.as_secs() + u64::from(short.subsec_nanos() > 0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_caller_has_a_minutes_worth_and_holds_nobody_else_up() {
        let limits = Limits::of(NonZeroU32::new(3).unwrap());
        let start = Instant::now();
        for _ in 0..3 {
            assert_eq!(limits.take("a", start), Ok(()));
        }
        assert_eq!(limits.take("a", start), Err(20));
        assert_eq!(limits.take("b", start), Ok(()));
        assert_eq!(limits.take("a", start + Duration::from_secs(19)), Err(1));
        assert_eq!(limits.take("a", start + Duration::from_secs(20)), Ok(()));
        assert_eq!(limits.take("a", start + Duration::from_secs(20)), Err(20));
    }
}
