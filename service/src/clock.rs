//! The one source of the present.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use jiff::Timestamp;

/// Tells the time, in whole milliseconds. Tests hold it still or shift it.
#[derive(Debug, Clone, Default)]
pub struct Clock {
    source: Source,
}

#[derive(Debug, Clone, Default)]
enum Source {
    #[default]
    Machine,
    /// Milliseconds since 1970.
    Held(Arc<AtomicI64>),
    /// Milliseconds ahead of the machine.
    Shifted(Arc<AtomicI64>),
}

impl Clock {
    /// The clock of the machine.
    #[must_use]
    pub fn system() -> Clock {
        Clock::default()
    }

    /// A clock that stands at `instant` until it is moved. Its copies move with it.
    #[must_use]
    pub fn held_at(instant: Timestamp) -> Clock {
        Clock { source: Source::Held(Arc::new(AtomicI64::new(instant.as_millisecond()))) }
    }

    /// A clock that runs like that of the machine until it is set. Its copies are set with it.
    #[must_use]
    pub fn running() -> Clock {
        Clock { source: Source::Shifted(Arc::new(AtomicI64::new(0))) }
    }

    /// Moves a held clock forward; other clocks are left alone.
    pub fn advance(&self, by: Duration) {
        if let Source::Held(held) = &self.source {
            let by = i64::try_from(by.as_millis()).unwrap_or(i64::MAX);
            held.fetch_add(by, Ordering::SeqCst);
        }
    }

    /// Sets a running clock to so many milliseconds ahead of the machine, or behind it; other clocks are left alone.
    pub fn set_ahead(&self, milliseconds: i64) {
        if let Source::Shifted(ahead) = &self.source {
            ahead.store(milliseconds, Ordering::SeqCst);
        }
    }

    /// Milliseconds since 1970 (UTC).
    #[must_use]
    pub fn now_ms(&self) -> i64 {
        let machine = || Timestamp::now().as_millisecond();
        match &self.source {
            Source::Machine => machine(),
            Source::Held(held) => held.load(Ordering::SeqCst),
            Source::Shifted(ahead) => machine().saturating_add(ahead.load(Ordering::SeqCst)),
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
