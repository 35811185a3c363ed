//! What the store refuses before anything is taken: when its disk runs short, and when too much waits.
//!
//! What is refused is new exams. Deliveries and what operators do go on, which is what the reserve is for.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::database::{Database, reading};
use super::{Store, StoreError};

/// A count of what waits is good for so long.
const COUNT_HOLDS: Duration = Duration::from_secs(1);

/// What is kept free, and how much may wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Free space of the disk below which nothing new is taken, in bytes. SQLite only: the disk of a server is not seen
    /// from here.
    pub reserve: u64,
    /// So many deliveries may wait before submissions of several exams are refused. A tenth above, all are.
    pub high_water: u64,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits { reserve: 256 << 20, high_water: 100_000 }
    }
}

/// How much a submission brings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Load {
    /// One exam.
    One,
    /// Several: a batch, which can come later.
    Several,
}

/// The last count of what waits, with its time. All copies of a store share it.
#[derive(Debug, Clone, Default)]
pub(super) struct LastCount(Arc<Mutex<Option<(Instant, u64)>>>);

impl Store {
    /// Whether a submission may be taken now.
    ///
    /// # Errors
    /// When it must not: the disk reserve is reached, or too many deliveries wait.
    pub async fn admit(&self, load: Load) -> Result<(), StoreError> {
        self.check_reserve()?;
        let limit = match load {
            Load::One => self.limits.high_water.saturating_add(self.limits.high_water / 10),
            Load::Several => self.limits.high_water,
        };
        if self.waiting().await? >= limit {
            return Err(StoreError::Unavailable { reason: "too many deliveries wait" });
        }
        Ok(())
    }

    pub(super) fn check_reserve(&self) -> Result<(), StoreError> {
        match &self.database {
            Database::Sqlite(database) if free_space(&database.path) < self.limits.reserve => {
                Err(StoreError::Unavailable {
                    reason: "the reserve of the disk is reached (`store.reserve_mib`)",
                })
            }
            Database::Sqlite(_) | Database::Postgres(_) => Ok(()),
        }
    }

    /// How many deliveries wait or are under way, counted a moment ago.
    async fn waiting(&self) -> Result<u64, StoreError> {
        let last = *self.last_count.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((at, count)) = last
            && at.elapsed() < COUNT_HOLDS
        {
            return Ok(count);
        }
        let count: i64 = reading!(self, connection => {
            sqlx::query_scalar(
                "SELECT count(*) FROM outbox WHERE state IN ('pending', 'sending', 'unknown-outcome')",
            )
            .fetch_one(connection)
            .await?
        });
        let count = u64::try_from(count).unwrap_or(0);
        *self.last_count.0.lock().unwrap_or_else(PoisonError::into_inner) = Some((Instant::now(), count));
        Ok(count)
    }
}

/// Free space of the disk that holds a file, for a user without privileges, in bytes. Where the system does not tell,
/// there is no limit: the write itself still fails when nothing is left.
#[cfg(unix)]
fn free_space(path: &std::path::Path) -> u64 {
    rustix::fs::statvfs(path).map_or(u64::MAX, |disk| disk.f_bavail.saturating_mul(disk.f_frsize))
}

#[cfg(not(unix))]
fn free_space(_path: &std::path::Path) -> u64 {
    u64::MAX
}
