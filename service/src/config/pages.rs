//! The browser pages.

use std::time::Duration;

use toml::Value;

use super::raw::Raw;
use super::{ConfigError, choice};

/// How the browser pages behave.
#[derive(Debug, Clone, Copy)]
pub struct Pages {
    /// How long a signed-in page may rest before it asks for the token again.
    pub idle: Duration,
    /// What becomes of work that was not sent yet.
    pub unsent: Unsent,
}

/// What becomes of work that was not sent yet when a page is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unsent {
    /// It stays in the browser, encrypted, until it was sent.
    Keep,
    /// Nothing is written down in the browser.
    Forget,
}

impl Unsent {
    /// The word in the configuration and for the pages.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Unsent::Keep => "keep",
            Unsent::Forget => "forget",
        }
    }
}

/// Common practice, no source.
const USUAL_IDLE_MINUTES: u64 = 15;
/// A working day; longer would be no lock.
const LONGEST_IDLE_MINUTES: u64 = 480;

pub(super) fn read(raw: &Raw) -> Result<Pages, ConfigError> {
    Ok(Pages {
        idle: Duration::from_secs(idle_minutes(raw)? * 60),
        unsent: choice(
            raw,
            "pages.unsent",
            Unsent::Keep,
            &[("keep", Unsent::Keep), ("forget", Unsent::Forget)],
        )?,
    })
}

fn idle_minutes(raw: &Raw) -> Result<u64, ConfigError> {
    let key = "pages.idle_minutes";
    let number = match raw.value(key) {
        None => Some(USUAL_IDLE_MINUTES),
        Some((Value::Integer(number), _)) => u64::try_from(*number).ok(),
        // In the environment everything is text.
        Some((Value::String(text), _)) => text.trim().parse().ok(),
        Some(_) => None,
    };
    number.filter(|minutes| (1..=LONGEST_IDLE_MINUTES).contains(minutes)).ok_or_else(|| {
        let mend = format!("write a whole number of minutes from 1 to {LONGEST_IDLE_MINUTES}");
        raw.error(key, "is not a time that a page can rest", mend)
    })
}
