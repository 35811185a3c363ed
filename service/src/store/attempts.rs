//! What became of each attempt to deliver, so that somebody can see later what happened. Kept for the last attempts of
//! each exam; an attempt that ended with its process is not among them.

use super::database::reading;
use super::{Store, StoreError};

/// How many are kept of each exam. While a record system is down for long, the first ones go.
pub(super) const KEPT_ATTEMPTS: i64 = 100;

/// An attempt to deliver, as it ended.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct Attempt {
    /// When it ended, in milliseconds since 1970.
    pub ended: i64,
    /// How long it took, in milliseconds; unknown when it crashed.
    pub took: Option<i64>,
    /// What it came to: the word of a class of verdicts.
    pub verdict: String,
    /// The class of failure.
    pub failure: Option<String>,
    /// The HTTP status of the answer.
    pub remote_status: Option<i64>,
    /// What the record system said, as JSON without any value of the exam.
    pub detail: Option<String>,
}

impl Store {
    /// The attempts of a delivery that are kept, the newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn attempts(&self, delivery: i64) -> Result<Vec<Attempt>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(
                "SELECT ended, took, verdict, failure, remote_status, detail FROM attempts
                 WHERE delivery = $1 ORDER BY id DESC",
            )
            .bind(delivery)
            .fetch_all(connection)
            .await?
        }))
    }
}

/// What is kept of how an attempt ended.
#[derive(Debug)]
pub(super) struct Ended<'a> {
    pub(super) at: i64,
    pub(super) took: Option<i64>,
    pub(super) verdict: &'static str,
    pub(super) failure: Option<&'static str>,
    pub(super) remote_status: Option<u16>,
    pub(super) detail: Option<&'a str>,
}

/// Keeps how an attempt ended, and lets go of the oldest of the exam beyond what is kept.
macro_rules! keep_attempt {
    ($connection:expr, $delivery:expr, $ended:expr) => {{
        let ended: $crate::store::attempts::Ended = $ended;
        sqlx::query(
            "INSERT INTO attempts (exam, delivery, ended, took, verdict, failure, remote_status, detail)
             SELECT exam, id, $2, $3, $4, $5, $6, $7 FROM outbox WHERE id = $1",
        )
        .bind($delivery)
        .bind(ended.at)
        .bind(ended.took)
        .bind(ended.verdict)
        .bind(ended.failure)
        .bind(ended.remote_status.map(i64::from))
        .bind(ended.detail)
        .execute(&mut *$connection)
        .await?;
        sqlx::query(
            "DELETE FROM attempts WHERE exam = (SELECT exam FROM outbox WHERE id = $1) AND id <= (
                SELECT id FROM attempts WHERE exam = (SELECT exam FROM outbox WHERE id = $1)
                ORDER BY id DESC LIMIT 1 OFFSET $2)",
        )
        .bind($delivery)
        .bind($crate::store::attempts::KEPT_ATTEMPTS)
        .execute(&mut *$connection)
        .await?;
    }};
}
pub(super) use keep_attempt;
