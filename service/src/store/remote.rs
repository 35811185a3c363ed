//! What is known of the record system's side of a delivery, and what is still to be looked at there.

use super::database::{Database, reading, writing};
use super::{Claimed, Store, StoreError};
use crate::clinic::Reach;

/// A version of an exam that the record system took.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct Previous {
    /// What was sent; empty once it was purged.
    pub payload: String,
    /// What was kept of it when it was purged.
    pub outline: Option<String>,
    /// What the record system made of each entry, as JSON.
    pub placed: String,
}

/// A delivery that was taken and is still to be found.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Taken {
    /// Its number.
    pub id: i64,
    /// What was sent.
    pub payload: String,
    /// How often it was looked for, this time included.
    #[sqlx(rename = "verify_tries")]
    pub tries: i64,
}

/// What came of looking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Looked {
    /// It is there as sent.
    Found,
    /// It is not, or not as sent: why. It is not looked for again.
    Differs(&'static str),
    /// Nobody could tell; look again then (milliseconds since 1970), or never again.
    Again(Option<i64>),
}

/// No later version of its exam was queued.
macro_rules! newest_of_its_exam {
    () => {
        "NOT EXISTS (SELECT 1 FROM outbox AS later
                     WHERE later.exam = candidate.exam AND later.exam_version > candidate.exam_version)"
    };
}

/// Takes up what is to be looked for; `$lock` keeps what is chosen from others.
macro_rules! claim_unverified {
    ($lock:literal) => {
        concat!(
            "UPDATE outbox SET verify_after = $2, verify_tries = verify_tries + 1
             WHERE id IN (
                SELECT id FROM outbox AS candidate
                WHERE state = 'delivered' AND verify_after IS NOT NULL AND verify_after <= $1 AND ",
            newest_of_its_exam!(),
            " ORDER BY verify_after LIMIT $3 ",
            $lock,
            ")
             RETURNING id, (SELECT payload FROM messages WHERE delivery = id) AS payload, verify_tries"
        )
    };
}

impl Store {
    /// The latest earlier version of the exam of a delivery that the record system took.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn previous(&self, claimed: &Claimed) -> Result<Option<Previous>, StoreError> {
        if claimed.exam_version <= 1 {
            return Ok(None);
        }
        Ok(reading!(self, connection => {
            sqlx::query_as(
                "SELECT payload, outline, placed FROM outbox JOIN messages ON delivery = id
                 WHERE exam = $1 AND exam_version < $2 AND placed IS NOT NULL ORDER BY exam_version DESC LIMIT 1",
            )
            .bind(&claimed.exam)
            .bind(claimed.exam_version)
            .fetch_optional(connection)
            .await?
        }))
    }

    /// Takes up to `limit` deliveries that are to be looked for now. They fall due again at `again`, so that a process
    /// that dies while looking loses nothing. A version that a later one has followed is not looked for.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn claim_unverified(&self, now: i64, again: i64, limit: u32) -> Result<Vec<Taken>, StoreError> {
        let limit = i64::from(limit);
        Ok(match &self.database {
            Database::Sqlite(database) => {
                sqlx::query_as(claim_unverified!(""))
                    .bind(now)
                    .bind(again)
                    .bind(limit)
                    .fetch_all(&database.writer)
                    .await?
            }
            Database::Postgres(database) => {
                sqlx::query_as(claim_unverified!("FOR UPDATE SKIP LOCKED"))
                    .bind(now)
                    .bind(again)
                    .bind(limit)
                    .fetch_all(&database.pool)
                    .await?
            }
        })
    }

    /// When the next delivery is to be looked for, if any.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn next_unverified(&self) -> Result<Option<i64>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_scalar(concat!(
                "SELECT min(verify_after) FROM outbox AS candidate
                 WHERE state = 'delivered' AND verify_after IS NOT NULL AND ",
                newest_of_its_exam!()
            ))
            .fetch_one(connection)
            .await?
        }))
    }

    /// Records what came of looking for a delivery, unless it was put back meanwhile.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn looked(&self, id: i64, looked: Looked, now: i64) -> Result<(), StoreError> {
        let (state, failure, again) = match looked {
            Looked::Found => ("verified", None, None),
            Looked::Differs(failure) => ("delivered", Some(failure), None),
            Looked::Again(again) => ("delivered", None, again),
        };
        writing!(self, connection => sqlx::query(
            "UPDATE outbox SET state = $1, failure = $2, verify_after = $3, updated = $4
             WHERE id = $5 AND state = 'delivered'",
        )
        .bind(state)
        .bind(failure)
        .bind(again)
        .bind(now)
        .bind(id)
        .execute(connection)
        .await?
        .rows_affected());
        Ok(())
    }

    /// The versions within reach that the record system should hold: of each exam the newest, when it was taken. Those
    /// after number `after`, in order. What was purged is left out: there is nothing to compare with.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn taken(&self, reach: &Reach, after: i64, limit: u32) -> Result<Vec<Taken>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(concat!(
                "SELECT id, payload, verify_tries FROM outbox AS candidate JOIN messages ON delivery = id
                 WHERE id > $1 AND state IN ('delivered', 'verified') AND purged IS NULL AND ",
                newest_of_its_exam!(),
                " AND ($3 IS NULL OR clinic = $3) ORDER BY id LIMIT $2"
            ))
            .bind(after)
            .bind(i64::from(limit))
            .bind(reach.only())
            .fetch_all(connection)
            .await?
        }))
    }
}
