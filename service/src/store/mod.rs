//! The store: exams with their resources, the outbox, idempotency keys. Every SQL statement stands below here.
//!
//! Two kinds of database behind one interface: SQLite, a file of one process, and PostgreSQL, which several processes
//! share. What was answered is on the disk in both.

mod attempts;
mod audit;
mod claims;
mod commit;
mod database;
mod devices;
mod exams;
mod group;
mod idempotency;
mod index;
mod maintenance;
mod notes;
mod outbox;
mod page_sessions;
mod postgres;
mod remote;
mod replay;
mod resources;
mod retention;
mod search;
mod space;
mod span;
mod sqlite;
mod tokens;
mod worklist;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::clinic::Clinic;
use crate::config::StorePlace;
use database::{Database, writing};
use space::LastCount;

pub use attempts::Attempt;
pub use audit::{AuditRow, AuditSearch, ChainCheck, check_chain};
pub use claims::{Claimed, Lease, Outcome as DeliveryOutcome, Settled};
pub use commit::{Commit, Committed, ExamChange, Priority, ResourceWrite, SeenEarlier, SeenLater};
pub use devices::DeviceResults;
pub use exams::{EarlierExam, StoredExam, StoredResource};
pub use idempotency::{KeyUse, KeyedAnswer};
pub use maintenance::{BackupError, Check, back_up, check};
pub use outbox::{Delivery, DeliveryState, OperatorRefusal, OutboxCounts};
pub use page_sessions::PageSession;
pub use remote::{Looked, Previous, Taken};
pub use replay::ReplayPreview;
pub use resources::Version;
pub use retention::{Expiry, Purgeable};
pub use search::{
    DateField, Filter, Found, MATCHES_COUNTED, Prefix, ReferenceMatch, Search, SortKey, TokenField,
    TokenMatch, Total,
};
pub use space::{Limits, Load};
pub use span::Span;
pub use tokens::{NewToken, Revoked, StoredToken};
pub use worklist::{COUNTED, ExamRecord, ListPage, Listed, ListedPage, When, Worklist};

/// Why the store could not do what it was asked.
#[derive(Debug, Clone, thiserror::Error)]
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
    /// Its server cannot be reached or does not let this program in.
    #[error(
        "the store {place} cannot be opened ({reason}); start its server, check `store.url` and `store.password_file`"
    )]
    Connect {
        /// The address, without the password.
        place: String,
        /// What the server or the system said.
        reason: String,
    },
    /// Its content is damaged. It is never replaced by an empty one.
    #[error(
        "the store {path} is damaged or is not a Solewire store ({reason}); keep it, check it with `solewire store \
         check`, put the last backup (`solewire store backup`) in its place, or change `store.url`"
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the check said.
        reason: String,
    },
    /// A newer version of this program has brought it up to date. It is left as it is.
    #[error(
        "the store {place} is of schema {held}, and this program knows schemas up to {newest}; start the newer \
         program, or put the copy from before its upgrade in the place of the store (OPERATING.md, Upgrade and rollback)"
    )]
    Newer {
        /// Its file, or its address without the password.
        place: String,
        /// Its schema.
        held: i64,
        /// The schema that this program writes.
        newest: i64,
    },
    /// It is of an earlier schema and cannot be copied before it is brought up to date. It is left as it is.
    #[error(
        "the store {path} has to be brought up to date, and no copy of it can be made beside it first ({reason}); make \
         room on its disk and start again, or go on with the older program"
    )]
    NoCopy {
        /// The file.
        path: PathBuf,
        /// Why there is no copy.
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
    Statement(#[source] Arc<sqlx::Error>),
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

/// How long the opening of a file waits for the check of its pages. That of some gigabytes takes longer, and goes on
/// while the service is up.
const FIRST_LOOK: Duration = Duration::from_millis(400);

/// An open store. Cheap to copy; all copies are the same store.
#[derive(Debug, Clone)]
pub struct Store {
    database: Database,
    limits: Limits,
    last_count: LastCount,
}

impl Store {
    /// Opens the store that the settings name, creating a file or the tables if there are none.
    ///
    /// # Errors
    /// When another process has it, when it cannot be reached, or when what is there is no sound store.
    pub async fn open_at(place: &StorePlace) -> Result<Store, StoreError> {
        match place {
            StorePlace::Sqlite(path) => Store::open(path).await,
            StorePlace::Postgres(server) => {
                Ok(Store::over(Database::Postgres(postgres::open(server).await?)))
            }
        }
    }

    /// Opens the SQLite store at `path`, creating it if there is none.
    ///
    /// # Errors
    /// When another process has it, when the path cannot be used, or when what stands there is no sound store.
    pub async fn open(path: &Path) -> Result<Store, StoreError> {
        Ok(Store::over(Database::Sqlite(sqlite::open(path, FIRST_LOOK).await?)))
    }

    /// What is wrong with the store, once the check of a large file finds something after it was opened; never while
    /// it does not. Whoever uses the store should stop then.
    pub async fn damage(&self) -> StoreError {
        match &self.database {
            Database::Sqlite(database) => database.damage().await,
            // The server looks after its pages.
            Database::Postgres(_) => std::future::pending().await,
        }
    }

    fn over(database: Database) -> Store {
        Store { database, limits: Limits::default(), last_count: LastCount::default() }
    }

    /// The same store with other limits than the usual ones.
    #[must_use]
    pub fn limited(self, limits: Limits) -> Store {
        Store { limits, ..self }
    }

    /// Finds out whether the store takes writes.
    ///
    /// # Errors
    /// The reason why it does not.
    pub async fn probe(&self, now: i64) -> Result<(), StoreError> {
        self.check_reserve()?;
        writing!(self, connection => sqlx::query(
            "INSERT INTO heartbeat (\"only\", at) VALUES (1, $1) ON CONFLICT (\"only\") DO UPDATE SET at = excluded.at",
        )
        .bind(now)
        .execute(connection)
        .await?
        .rows_affected());
        Ok(())
    }

    /// Opens the store for a moment beside a service that may be using it. Where nobody uses it, it is created and
    /// brought up to date as a service would.
    ///
    /// # Errors
    /// When it cannot be reached, or when what is there is no sound store.
    pub async fn open_beside(place: &StorePlace) -> Result<Store, StoreError> {
        match (Store::open_at(place).await, place) {
            (Err(StoreError::InUse { .. }), StorePlace::Sqlite(path)) => {
                Ok(Store::over(Database::Sqlite(sqlite::open_in_use(path).await?)))
            }
            (opened, _) => opened,
        }
    }

    fn syncs(&self) -> Option<u64> {
        match &self.database {
            Database::Sqlite(database) => Some(database.group.syncs()),
            Database::Postgres(_) => None,
        }
    }

    /// Closes all connections once they are idle. The write-ahead log of SQLite is folded into its file.
    pub async fn close(&self) {
        match &self.database {
            Database::Sqlite(database) => {
                database.readers.close().await;
                database.writer.close().await;
            }
            Database::Postgres(database) => database.pool.close().await,
        }
    }
}

/// How the clinic of an exam stands in its column.
fn column(clinic: Option<&Clinic>) -> &str {
    clinic.map_or("", Clinic::name)
}

#[cfg(test)]
mod tests;
