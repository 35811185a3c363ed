//! The store: exams with their resources, the outbox, idempotency keys. Every SQL statement stands below here.
//!
//! SQLite with write-ahead log and full synchronisation: what was answered is on the disk. One connection writes,
//! a few read. Writes begin with `BEGIN IMMEDIATE`, because a transaction that first reads and then writes can fail
//! without waiting when another one wrote in between.

mod commit;
mod exams;
mod idempotency;
mod index;
mod open;
mod outbox;
mod remote;
mod resources;
mod search;
mod span;

use std::path::PathBuf;

use sqlx::SqlitePool;

pub use commit::{Commit, Committed, ExamChange, ResourceWrite, SeenEarlier};
pub use exams::{EarlierExam, StoredExam, StoredResource};
pub use idempotency::{KeyUse, KeyedAnswer};
pub use outbox::{
    Claimed, Delivery, DeliveryState, OperatorRefusal, OutboxCounts, Outcome as DeliveryOutcome,
};
pub use remote::{Background, Looked, Previous, Taken};
pub use resources::Version;
pub use search::{DateField, Filter, Found, Prefix, ReferenceMatch, Search, SortKey, TokenField, TokenMatch};
pub use span::Span;

/// Why the store could not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process has it open.
    #[error(
        "the store {path} is in use by another process; stop that one, or give this one its own `store.url`"
    )]
    InUse {
        /// The file.
        path: PathBuf,
    },
    /// It cannot be opened or created.
    #[error(
        "the store {path} cannot be opened ({reason}); make its folder exist and writable, or change `store.url`"
    )]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// Its content is damaged. It is never replaced by an empty one.
    #[error(
        "the store {path} is damaged or is not a Solewire store ({reason}); keep it, check it with `sqlite3 {path} \
         \"PRAGMA integrity_check\"`, put the last backup in its place, or change `store.url`"
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the check said.
        reason: String,
    },
    /// It does not take writes or reads now: full, read-only, busy, or the disk fails.
    #[error("the store is not available: {reason}")]
    Unavailable {
        /// Which of these it is.
        reason: &'static str,
    },
    /// A statement failed for another reason. A defect of this program.
    #[error("a statement of the store failed")]
    Statement(#[source] sqlx::Error),
    /// A row does not say what this program once wrote.
    #[error("a row of the store cannot be read: {0}")]
    Row(&'static str),
}

impl StoreError {
    /// The code that the database gave a failed statement. Its text is not told: it may quote a value.
    #[must_use]
    pub fn code(&self) -> Option<String> {
        match self {
            StoreError::Statement(cause) => Some(cause.as_database_error()?.code()?.into_owned()),
            _ => None,
        }
    }
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> StoreError {
        match unavailable(&error) {
            Some(reason) => StoreError::Unavailable { reason },
            None => StoreError::Statement(error),
        }
    }
}

/// Whether a failure may pass by itself or by an operator's hand (result codes: sqlite.org/rescode.html).
fn unavailable(error: &sqlx::Error) -> Option<&'static str> {
    match error {
        sqlx::Error::PoolTimedOut => return Some("no connection became free in time"),
        sqlx::Error::PoolClosed => return Some("the service is stopping"),
        sqlx::Error::Io(_) => return Some("input or output failed"),
        _ => {}
    }
    match primary_code(error)? {
        5 | 6 => Some("it stayed locked"),
        8 => Some("it is read-only"),
        10 => Some("the disk failed"),
        11 | 26 => Some("its content is damaged"),
        13 => Some("the disk is full"),
        14 => Some("its file cannot be opened"),
        _ => None,
    }
}

/// The primary result code of SQLite: the low eight bits of the extended one.
fn primary_code(error: &sqlx::Error) -> Option<u32> {
    let code = error.as_database_error()?.code()?;
    code.parse::<u32>().ok().map(|extended| extended & 0xff)
}

/// An open store. Cheap to copy; all copies are the same store.
#[derive(Debug, Clone)]
pub struct Store {
    writer: SqlitePool,
    readers: SqlitePool,
    /// Held as long as the store is open, so that two processes never deliver from one outbox.
    _lock: std::sync::Arc<std::fs::File>,
}

impl Store {
    /// Finds out whether the store takes writes.
    ///
    /// # Errors
    /// The reason why it does not.
    pub async fn probe(&self, now: i64) -> Result<(), StoreError> {
        sqlx::query("INSERT INTO heartbeat (only, at) VALUES (1, ?) ON CONFLICT (only) DO UPDATE SET at = excluded.at")
            .bind(now)
            .execute(&self.writer)
            .await?;
        Ok(())
    }

    /// Closes all connections once they are idle. The write-ahead log is folded into the file.
    pub async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
    }
}

#[cfg(test)]
mod tests;
