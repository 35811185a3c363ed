//! Letting go of what was delivered: payloads, superseded versions and answers under the keys of callers. What is still
//! to be sent or looked for, the current versions and the audit stay.

use super::audit::Chain as _;
use super::claims::finished;
use super::database::{Database, snapshot, transaction};
use super::{Store, StoreError};
use crate::audit::{AuditAction, AuditEvent, exam_id};

/// Up to when something must have ended to be purged. Milliseconds since 1970.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Expiry {
    /// What ended before this is purged.
    pub ended: i64,
    /// What was delivered and is still to be looked for is kept longer: until it was delivered before this.
    pub unverified: i64,
}

/// What there is to purge, or what was purged.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Purgeable {
    /// Exams of which something is.
    pub exams: i64,
    /// Payloads of deliveries.
    pub payloads: i64,
    /// Superseded versions of resources.
    pub versions: i64,
    /// Answers under keys of callers.
    pub answers: i64,
}

impl Purgeable {
    /// Whether there is nothing.
    #[must_use]
    pub fn is_nothing(self) -> bool {
        self == Purgeable::default()
    }
}

/// Something of its exam is still to be sent, or waits for an operator. `$row` is the alias of the row asked about.
macro_rules! unfinished {
    ($row:literal) => {
        concat!(
            "EXISTS (SELECT 1 FROM outbox AS open WHERE open.exam = ",
            $row,
            ".exam AND open.state NOT IN ",
            finished!(),
            ")"
        )
    };
}

/// A delivery whose payload is not needed any more: $1 is when it must have ended, $2 the same while it is still to be
/// looked for. What an operator gave up was never delivered, and stays. The first conditions are those of the index.
macro_rules! spent {
    () => {
        concat!(
            "done.purged IS NULL AND done.state IN ('delivered', 'verified', 'withdrawn') AND done.updated < $1
             AND (done.state <> 'delivered' OR done.verify_after IS NULL OR done.updated < $2
                  OR EXISTS (SELECT 1 FROM outbox AS later
                             WHERE later.exam = done.exam AND later.exam_version > done.exam_version))
             AND NOT ",
            unfinished!("done")
        )
    };
}

/// A version that was superseded, of an exam that was delivered and has rested since.
macro_rules! superseded {
    () => {
        concat!(
            "old.current = 0 AND old.purged IS NULL
             AND EXISTS (SELECT 1 FROM exams WHERE exams.key = old.exam AND exams.updated < $1)
             AND EXISTS (SELECT 1 FROM outbox AS sent WHERE sent.exam = old.exam AND sent.reached = 1)
             AND NOT EXISTS (SELECT 1 FROM outbox AS recent WHERE recent.exam = old.exam AND recent.updated >= $1)
             AND NOT ",
            unfinished!("old")
        )
    };
}

impl Store {
    /// What would be purged now.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn purgeable(&self, expiry: Expiry) -> Result<Purgeable, StoreError> {
        snapshot!(self, connection => {
            let payloads: i64 =
                sqlx::query_scalar(concat!("SELECT count(*) FROM outbox AS done WHERE ", spent!()))
                    .bind(expiry.ended)
                    .bind(expiry.unverified)
                    .fetch_one(&mut *connection)
                    .await?;
            let versions: i64 =
                sqlx::query_scalar(concat!("SELECT count(*) FROM resources AS old WHERE ", superseded!()))
                    .bind(expiry.ended)
                    .fetch_one(&mut *connection)
                    .await?;
            let exams: i64 = sqlx::query_scalar(concat!(
                "SELECT count(*) FROM (SELECT done.exam FROM outbox AS done WHERE ",
                spent!(),
                " UNION SELECT old.exam FROM resources AS old WHERE ",
                superseded!(),
                ") AS chosen"
            ))
            .bind(expiry.ended)
            .bind(expiry.unverified)
            .fetch_one(&mut *connection)
            .await?;
            let answers: i64 = sqlx::query_scalar("SELECT count(*) FROM idempotency WHERE created < $1")
                .bind(expiry.ended)
                .fetch_one(&mut *connection)
                .await?;
            Ok(Purgeable { exams, payloads, versions, answers })
        })
    }

    /// The keys of up to `limit` exams of which something is to be purged, after one of them, in order.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn purgeable_exams(
        &self,
        expiry: Expiry,
        after: &str,
        limit: u32,
    ) -> Result<Vec<String>, StoreError> {
        snapshot!(self, connection => {
            Ok(sqlx::query_scalar(concat!(
                "SELECT exam FROM (SELECT done.exam FROM outbox AS done WHERE ",
                spent!(),
                " UNION SELECT old.exam FROM resources AS old WHERE ",
                superseded!(),
                ") AS chosen WHERE exam > $3 ORDER BY exam LIMIT $4"
            ))
            .bind(expiry.ended)
            .bind(expiry.unverified)
            .bind(after)
            .bind(i64::from(limit))
            .fetch_all(&mut *connection)
            .await?)
        })
    }

    /// Purges what is to be purged of one exam, and notes it in the audit. Of each payload an outline is kept, which
    /// `outline` makes of it: later versions of the exam need it. `who` is none when the service does it by itself.
    ///
    /// # Errors
    /// When the store cannot write; then nothing was purged.
    pub async fn purge_exam(
        &self,
        key: &str,
        expiry: Expiry,
        outline: impl Fn(&str) -> Option<String>,
        who: Option<&str>,
        now: i64,
    ) -> Result<Purgeable, StoreError> {
        transaction!(self, transaction => {
            // No new version, withdrawal or replay of it until this is over.
            let clinic: Option<String> = sqlx::query_scalar(
                "UPDATE exams SET updated = updated WHERE key = $1 RETURNING clinic",
            )
            .bind(key)
            .fetch_optional(&mut *transaction)
            .await?;
            let Some(clinic) = clinic else { return Ok(Purgeable::default()) };
            let spent: Vec<(i64, String)> = sqlx::query_as(concat!(
                "SELECT id, payload FROM outbox AS done JOIN messages ON delivery = id WHERE done.exam = $3 AND ",
                spent!()
            ))
            .bind(expiry.ended)
            .bind(expiry.unverified)
            .bind(key)
            .fetch_all(&mut *transaction)
            .await?;
            let mut payloads = 0;
            for (id, payload) in spent {
                // The state is asked for again: operators put back all of a state without the lock of each exam.
                let emptied = sqlx::query(
                    "UPDATE outbox SET outline = $2, detail = NULL, verify_after = NULL, purged = $3,
                                       traceparent = NULL, tracestate = NULL
                     WHERE id = $1 AND state IN ('delivered', 'verified', 'withdrawn')",
                )
                .bind(id)
                .bind(outline(&payload))
                .bind(now)
                .execute(&mut *transaction)
                .await?
                .rows_affected();
                if emptied > 0 {
                    payloads += 1;
                    for emptying in [
                        "UPDATE messages SET payload = '' WHERE delivery = $1",
                        "UPDATE attempts SET detail = NULL WHERE delivery = $1",
                    ] {
                        sqlx::query(emptying).bind(id).execute(&mut *transaction).await?;
                    }
                }
            }
            let versions = sqlx::query(concat!(
                "UPDATE resources AS old SET body = '', purged = $2 WHERE old.exam = $3 AND ",
                superseded!()
            ))
            .bind(expiry.ended)
            .bind(now)
            .bind(key)
            .execute(&mut *transaction)
            .await?
            .rows_affected();
            let versions = i64::try_from(versions).unwrap_or(i64::MAX);
            if payloads == 0 && versions == 0 {
                return Ok(Purgeable::default());
            }
            let event = AuditEvent {
                exam: Some(exam_id(key)),
                detail: Some(format!("payloads: {payloads}, superseded versions: {versions}")),
                ..AuditEvent::of(AuditAction::Purge, who)
            };
            transaction.append(&[event], &clinic, now).await?;
            transaction.commit().await?;
            Ok(Purgeable { exams: 1, payloads, versions, answers: 0 })
        })
    }

    /// Purges the answers that were given under keys of callers, and notes it in the audit. Gives their number. Who
    /// sends the same again under such a key is told that it is there, by its identifiers.
    ///
    /// # Errors
    /// When the store cannot write; then nothing was purged.
    pub async fn purge_answers(
        &self,
        expiry: Expiry,
        who: Option<&str>,
        now: i64,
    ) -> Result<i64, StoreError> {
        transaction!(self, transaction => {
            let deleted = sqlx::query("DELETE FROM idempotency WHERE created < $1")
                .bind(expiry.ended)
                .execute(&mut *transaction)
                .await?
                .rows_affected();
            if deleted == 0 {
                return Ok(0);
            }
            let event = AuditEvent {
                detail: Some(format!("answers under keys of callers: {deleted}")),
                ..AuditEvent::of(AuditAction::Purge, who)
            };
            transaction.append(&[event], "", now).await?;
            transaction.commit().await?;
            Ok(i64::try_from(deleted).unwrap_or(i64::MAX))
        })
    }

    /// Makes what was overwritten leave the disk as far as that is in the hands of this program: the write-ahead log of
    /// SQLite still holds old pages until it is emptied. False when somebody was reading from it all the time.
    /// PostgreSQL has its own time for it (VACUUM).
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn forget_overwritten(&self) -> Result<bool, StoreError> {
        let Database::Sqlite(database) = &self.database else { return Ok(true) };
        let mut held = database.writer.acquire().await?;
        let (busy, _, _): (i64, i64, i64) =
            sqlx::query_as("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(&mut *held).await?;
        Ok(busy == 0)
    }
}
