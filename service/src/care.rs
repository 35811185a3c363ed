//! Looking after a store from the command line: copy it, check it, say what was found.

use std::error::Error;
use std::io::Write;
use std::path::Path;

use crate::config::StorePlace;
use crate::store::{self, Check, DeliveryState};

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
