//! What is known of the record system's side of a delivery, and what is still to be looked at there.

use sqlx::Row as _;

use super::{Store, StoreError};

/// What is known about a delivery before it is sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Background {
    /// Whether an earlier attempt may have reached the record system.
    pub reached: bool,
    /// Whether an operator put it back, knowing how the record system differs.
    pub confirmed: bool,
    /// The latest earlier version of the exam that the record system took.
    pub previous: Option<Previous>,
}

/// A version of an exam that the record system took.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Previous {
    /// What was sent.
    pub payload: String,
    /// What the record system made of each entry, as JSON.
    pub placed: String,
}

/// A delivery that was taken and is still to be found.
#[derive(Debug, Clone)]
pub struct Taken {
    /// Its number.
    pub id: i64,
    /// What was sent.
    pub payload: String,
    /// How often it was looked for, this time included.
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

impl Store {
    /// What is known about a delivery before it is sent.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn background(&self, id: i64) -> Result<Background, StoreError> {
        let row = sqlx::query("SELECT exam, exam_version, reached, confirmed FROM outbox WHERE id = $1")
            .bind(id)
            .fetch_one(&self.readers)
            .await?;
        let (reached, confirmed): (i64, i64) = (row.try_get("reached")?, row.try_get("confirmed")?);
        let (exam, version): (String, i64) = (row.try_get("exam")?, row.try_get("exam_version")?);
        let previous = sqlx::query(
            "SELECT payload, placed FROM outbox
             WHERE exam = $1 AND exam_version < $2 AND placed IS NOT NULL ORDER BY exam_version DESC LIMIT 1",
        )
        .bind(exam)
        .bind(version)
        .fetch_optional(&self.readers)
        .await?;
        let previous = previous.map(|row| -> Result<Previous, StoreError> {
            Ok(Previous { payload: row.try_get("payload")?, placed: row.try_get("placed")? })
        });
        Ok(Background { reached: reached == 1, confirmed: confirmed == 1, previous: previous.transpose()? })
    }

    /// Takes up to `limit` deliveries that are to be looked for now. They fall due again at `again`, so that a process
    /// that dies while looking loses nothing. A version that a later one has followed is not looked for.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn claim_unverified(&self, now: i64, again: i64, limit: u32) -> Result<Vec<Taken>, StoreError> {
        let rows = sqlx::query(
            "UPDATE outbox SET verify_after = $2, verify_tries = verify_tries + 1
             WHERE id IN (
                SELECT id FROM outbox AS candidate
                WHERE state = 'delivered' AND verify_after IS NOT NULL AND verify_after <= $1
                  AND NOT EXISTS (SELECT 1 FROM outbox AS later
                                  WHERE later.exam = candidate.exam AND later.exam_version > candidate.exam_version)
                ORDER BY verify_after LIMIT $3)
             RETURNING id, payload, verify_tries",
        )
        .bind(now)
        .bind(again)
        .bind(i64::from(limit))
        .fetch_all(&self.writer)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Taken {
                    id: row.try_get("id")?,
                    payload: row.try_get("payload")?,
                    tries: row.try_get("verify_tries")?,
                })
            })
            .collect()
    }

    /// When the next delivery is to be looked for, if any.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn next_unverified(&self) -> Result<Option<i64>, StoreError> {
        Ok(sqlx::query_scalar(
            "SELECT min(verify_after) FROM outbox AS candidate
             WHERE state = 'delivered' AND verify_after IS NOT NULL
               AND NOT EXISTS (SELECT 1 FROM outbox AS later
                               WHERE later.exam = candidate.exam AND later.exam_version > candidate.exam_version)",
        )
        .fetch_one(&self.readers)
        .await?)
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
        sqlx::query(
            "UPDATE outbox SET state = $1, failure = $2, verify_after = $3, updated = $4
             WHERE id = $5 AND state = 'delivered'",
        )
        .bind(state)
        .bind(failure)
        .bind(again)
        .bind(now)
        .bind(id)
        .execute(&self.writer)
        .await?;
        Ok(())
    }

    /// The versions that the record system should hold: of each exam the newest, when it was taken. Those after number
    /// `after`, in order.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn taken(&self, after: i64, limit: u32) -> Result<Vec<Taken>, StoreError> {
        let rows = sqlx::query(
            "SELECT id, payload, verify_tries FROM outbox AS candidate
             WHERE id > $1 AND state IN ('delivered', 'verified')
               AND NOT EXISTS (SELECT 1 FROM outbox AS later
                               WHERE later.exam = candidate.exam AND later.exam_version > candidate.exam_version)
             ORDER BY id LIMIT $2",
        )
        .bind(after)
        .bind(i64::from(limit))
        .fetch_all(&self.readers)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Taken {
                    id: row.try_get("id")?,
                    payload: row.try_get("payload")?,
                    tries: row.try_get("verify_tries")?,
                })
            })
            .collect()
    }
}
