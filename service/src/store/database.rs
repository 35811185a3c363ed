//! The database behind a store, and how one body of SQL runs on either kind.
//!
//! Every statement is written once where both databases take it: numbered placeholders, `ON CONFLICT`, `RETURNING` and
//! partial indexes are common ground, yes and no are 1 and 0, and text is compared byte by byte. The macros here expand
//! such a body for both kinds of connection, because the types of sqlx do not let one function serve both without
//! naming every bound of every value. What differs says why where it stands.

use super::{StoreError, postgres, sqlite};

/// Where the tables are.
#[derive(Debug, Clone)]
pub(super) enum Database {
    /// A file of this process alone.
    Sqlite(sqlite::Database),
    /// A server that several processes may share.
    Postgres(postgres::Database),
}

/// Evaluates `$body` with a connection that reads. `?` in it leaves the calling function.
macro_rules! reading {
    ($store:expr, $connection:ident => $body:expr) => {
        match &$store.database {
            $crate::store::database::Database::Sqlite(database) => {
                let mut held = database.readers.acquire().await?;
                let $connection = &mut *held;
                $body
            }
            $crate::store::database::Database::Postgres(database) => {
                let mut held = database.pool.acquire().await?;
                let $connection = &mut *held;
                $body
            }
        }
    };
}

/// Evaluates `$body`, a result, with a connection on which all statements see the same moment.
macro_rules! snapshot {
    ($store:expr, $connection:ident => $body:expr) => {
        match &$store.database {
            $crate::store::database::Database::Sqlite(database) => {
                let mut transaction = database.readers.begin().await?;
                let $connection = &mut *transaction;
                $body
            }
            $crate::store::database::Database::Postgres(database) => {
                let begin = "BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY";
                let mut transaction = database.pool.begin_with(begin).await?;
                let $connection = &mut *transaction;
                $body
            }
        }
    };
}

/// Evaluates `$body` with a connection that writes. Each statement is a transaction of its own.
macro_rules! writing {
    ($store:expr, $connection:ident => $body:expr) => {
        match &$store.database {
            $crate::store::database::Database::Sqlite(database) => {
                let mut held = database.writer.acquire().await?;
                let $connection = &mut *held;
                $body
            }
            $crate::store::database::Database::Postgres(database) => {
                let mut held = database.pool.acquire().await?;
                let $connection = &mut *held;
                $body
            }
        }
    };
}

/// Evaluates `$body`, a result, within a transaction. What it does not commit is rolled back.
macro_rules! transaction {
    ($store:expr, $transaction:ident => $body:expr) => {
        match &$store.database {
            $crate::store::database::Database::Sqlite(database) => {
                let mut held = database.writer.acquire().await?;
                let result: Result<_, $crate::store::StoreError> = async {
                    // A transaction that first reads and then writes fails without waiting when another one wrote in
                    // between, unless it says at its begin that it will write.
                    #[allow(unused_mut, reason = "some bodies only pass it on")]
                    let mut $transaction = sqlx::Connection::begin_with(&mut *held, "BEGIN IMMEDIATE").await?;
                    $body
                }
                .await;
                if result.is_err() {
                    // SQLite may have rolled back by itself, which the connection does not notice.
                    held.close_on_drop();
                }
                result
            }
            $crate::store::database::Database::Postgres(database) => {
                #[allow(unused_mut, reason = "some bodies only pass it on")]
                let mut $transaction = database.pool.begin().await?;
                let result: Result<_, $crate::store::StoreError> = async { $body }.await;
                result
            }
        }
    };
}

/// Makes each function twice, in `on_sqlite` and `on_postgres`, for the `Connection` of either.
macro_rules! for_both {
    ($($item:item)*) => {
        mod on_sqlite {
            #[allow(clippy::wildcard_imports, reason = "the functions see what stands around them")]
            use super::*;
            #[allow(dead_code, reason = "only some functions build their statement")]
            pub(super) type Kind = sqlx::Sqlite;
            pub(super) type Connection = sqlx::SqliteConnection;
            $($item)*
        }
        mod on_postgres {
            #[allow(clippy::wildcard_imports, reason = "the functions see what stands around them")]
            use super::*;
            #[allow(dead_code, reason = "only some functions build their statement")]
            pub(super) type Kind = sqlx::Postgres;
            pub(super) type Connection = sqlx::PgConnection;
            $($item)*
        }
    };
}

pub(super) use {for_both, reading, snapshot, transaction, writing};

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> StoreError {
        match unavailable(&error) {
            Some(reason) => StoreError::Unavailable { reason },
            None => StoreError::Statement(std::sync::Arc::new(error)),
        }
    }
}

/// Whether a failure may pass by itself or by an operator's hand.
fn unavailable(error: &sqlx::Error) -> Option<&'static str> {
    match error {
        sqlx::Error::PoolTimedOut => return Some("no connection became free in time"),
        sqlx::Error::PoolClosed => return Some("the service is stopping"),
        sqlx::Error::Io(_) | sqlx::Error::Tls(_) => return Some("the connection to it failed"),
        sqlx::Error::WorkerCrashed => return Some("input or output failed"),
        _ => {}
    }
    sqlite::unavailable(error).or_else(|| postgres::unavailable(error))
}
