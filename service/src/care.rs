//! Looking after a store from the command line: copy it, check it, say what was found.

use std::error::Error;
use std::io::Write;
use std::path::Path;
use std::time::Duration;

use crate::clock::{Clock, instant};
use crate::config::{StorePlace, StoreSettings};
use crate::retention::{self, Purged};
use crate::store::{self, Check, DeliveryState, Purgeable, Store};

/// Copies the store into a new file. Always true: a copy that is not sound is an error.
///
/// # Errors
/// Why there is no copy.
pub async fn back_up(place: &StorePlace, to: &Path, out: &mut impl Write) -> Result<bool, Box<dyn Error>> {
    let check = store::back_up(place, to).await?;
    writeln!(out, "copied to {}, and checked there", to.display())?;
    counts(&check, out)?;
    Ok(true)
}

/// Checks the store and says what was found; true when it is sound.
///
/// # Errors
/// When the store cannot be opened or read.
pub async fn check(place: &StorePlace, out: &mut impl Write) -> Result<bool, Box<dyn Error>> {
    let check = store::check(place).await?;
    match place {
        StorePlace::Sqlite(path) => writeln!(out, "store {}", path.display())?,
        StorePlace::Postgres(server) => {
            writeln!(out, "store {}", server.shown())?;
            writeln!(
                out,
                "pages and references are the server's to check: pg_amcheck --install-missing DATABASE"
            )?;
        }
    }
    counts(&check, out)?;
    for fault in &check.faults {
        writeln!(out, "fault: {fault}")?;
    }
    if check.faults.is_empty() {
        writeln!(out, "sound")?;
    } else {
        writeln!(
            out,
            "not sound: stop the service, keep the store as it is, and put the last backup in its place"
        )?;
    }
    Ok(check.faults.is_empty())
}

/// There is no say in how old what is purged must be.
#[derive(Debug, thiserror::Error)]
#[error(
    "nothing says how long what was delivered is kept; set `store.keep_delivered_days`, or give --older-than-days N"
)]
struct NoAge;

/// Says what would be purged of what was delivered, or purges it. Always true.
///
/// # Errors
/// When nothing says how long it is kept, or when the store cannot be opened, read or written.
pub async fn purge(
    settings: &StoreSettings,
    days: Option<u64>,
    now: bool,
    clock: &Clock,
    out: &mut impl Write,
) -> Result<bool, Box<dyn Error>> {
    let days = days.map(|days| Duration::from_secs(days.saturating_mul(86_400)));
    let keep = days.or(settings.keep_delivered).ok_or(NoAge)?;
    let expiry = retention::expiry(clock.now_ms(), keep);
    let store = Store::open_beside(&settings.place).await?;
    writeln!(out, "what was delivered before {}:", instant(expiry.ended))?;
    if now {
        let purged = retention::purge(&store, expiry, Some("command line"), clock).await;
        store.close().await;
        let Purged { counts, forgotten } = purged?;
        writeln!(out, "purged {}", amount(counts))?;
        match &settings.place {
            StorePlace::Sqlite(_) if forgotten => {}
            StorePlace::Sqlite(_) => writeln!(
                out,
                "the log beside the store still holds old pages, because something was reading; run this again"
            )?,
            StorePlace::Postgres(_) => writeln!(
                out,
                "the server lets go of the old rows by VACUUM, and of their place on the disk by VACUUM FULL"
            )?,
        }
    } else {
        let counts = store.purgeable(expiry).await;
        store.close().await;
        writeln!(out, "{}", amount(counts?))?;
        writeln!(out, "nothing was purged; --now does it, and it cannot be taken back")?;
    }
    Ok(true)
}

fn amount(counts: Purgeable) -> String {
    let Purgeable { exams, payloads, versions, answers } = counts;
    format!(
        "{payloads} payloads and {versions} superseded versions of {exams} exams, {answers} answers under keys of callers"
    )
}

/// Checks the chain of the audit and says what was found; true when it is whole.
///
/// # Errors
/// When the store cannot be opened or read.
pub async fn check_audit(place: &StorePlace, out: &mut impl Write) -> Result<bool, Box<dyn Error>> {
    let check = store::check_chain(place).await?;
    writeln!(out, "{} events in order; the last has the hash {}", check.sound, check.hash)?;
    match check.fault {
        None => writeln!(out, "whole")?,
        Some((number, fault)) => {
            writeln!(out, "fault at event {number}: {fault}")?;
            writeln!(out, "not whole: keep the store as it is, and compare it with the last backup")?;
        }
    }
    Ok(check.fault.is_none())
}

/// What was received and what became of it, so that it can be added up.
fn counts(check: &Check, out: &mut impl Write) -> std::io::Result<()> {
    let total: i64 = check.states.iter().map(|(_, number)| number).sum();
    let equal = if total == check.received { "=" } else { "is not" };
    let number = |state: DeliveryState| {
        check.states.iter().find(|(other, _)| *other == state).map_or(0, |(_, number)| *number)
    };
    let parts: Vec<String> =
        DeliveryState::ALL.iter().map(|state| format!("{} {}", number(*state), state.word())).collect();
    writeln!(out, "{} exams; {} received {equal} {}", check.exams, check.received, parts.join(" + "))
}
