//! The one source of the present.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use jiff::Timestamp;

/// Tells the time, in whole milliseconds. Tests hold it still.
#[derive(Debug, Clone, Default)]
pub struct Clock {
    held: Option<Arc<AtomicI64>>,
}

impl Clock {
    /// The clock of the machine.
    #[must_use]
    pub fn system() -> Clock {
        Clock { held: None }
    }

    /// A clock that stands at `instant` until it is moved. Its copies move with it.
    #[must_use]
    pub fn held_at(instant: Timestamp) -> Clock {
        Clock { held: Some(Arc::new(AtomicI64::new(instant.as_millisecond()))) }
    }

    /// Moves a held clock forward; the clock of the machine is left alone.
    pub fn advance(&self, by: Duration) {
        if let Some(held) = &self.held {
            let by = i64::try_from(by.as_millis()).unwrap_or(i64::MAX);
            held.fetch_add(by, Ordering::SeqCst);
        }
    }

    /// Milliseconds since 1970 (UTC).
    #[must_use]
    pub fn now_ms(&self) -> i64 {
        match &self.held {
            Some(held) => held.load(Ordering::SeqCst),
            None => Timestamp::now().as_millisecond(),
        }
    }

    /// The present.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        instant(self.now_ms())
    }
}

/// The instant of a stored number of milliseconds since 1970; the epoch itself for a number outside the calendar.
#[must_use]
pub fn instant(milliseconds: i64) -> Timestamp {
    Timestamp::from_millisecond(milliseconds).unwrap_or(Timestamp::UNIX_EPOCH)
}
