//! Taking deliveries up for sending, by leases, and recording what became of them.

use std::cmp::Reverse;
use std::time::Duration;

use super::attempts::{Ended, keep_attempt};
use super::audit::Chain as _;
use super::database::{Database, reading, transaction};
use super::{DeliveryState, Store, StoreError, postgres};
use crate::audit::{AuditAction, AuditEvent, AuditOutcome, exam_id};
use crate::traces::Context;

/// What shows that a delivery was taken up by the one who says what became of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::Type)]
#[sqlx(transparent)]
pub struct Lease(i64);

impl Lease {
    pub(super) fn of(number: i64) -> Lease {
        Lease(number)
    }
}

/// A delivery that was taken up for sending.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Claimed {
    /// Its number.
    pub id: i64,
    /// What shows that it was taken up here.
    pub lease: Lease,
    /// What to send.
    pub payload: String,
    /// How often it was tried before without a fault of the destination.
    pub attempts: i64,
    /// Whether an earlier attempt may have reached the record system.
    pub reached: bool,
    /// Whether an operator put it back, knowing how the record system differs.
    pub confirmed: bool,
    pub(super) exam: String,
    pub(super) exam_version: i64,
    priority: i64,
    traceparent: Option<String>,
    tracestate: Option<String>,
}

impl Claimed {
    /// Where in a trace the submission stood that it follows from.
    #[must_use]
    pub fn context(&self) -> Option<Context> {
        Context::read(self.traceparent.as_deref()?, self.tracestate.as_deref())
    }

    /// What is pressing comes first, and what has waited longest.
    #[must_use]
    pub fn order(&self) -> (Reverse<i64>, i64) {
        (Reverse(self.priority), self.id)
    }
}

/// What became of sending.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The state from now on.
    pub state: DeliveryState,
    /// When it may be taken up again, in milliseconds since 1970.
    pub due: i64,
    /// Whether the attempt counts against the message; a fault of the destination does not.
    pub charged: bool,
    /// The class of failure.
    pub failure: Option<&'static str>,
    /// The HTTP status of the answer.
    pub remote_status: Option<u16>,
    /// What the record system said, as JSON without any value of the exam.
    pub detail: Option<String>,
    /// What the record system made of each entry, as JSON, once it took them.
    pub placed: Option<String>,
    /// When to look whether it is there, in milliseconds since 1970.
    pub verify_after: Option<i64>,
    /// The class of the verdict.
    pub verdict: &'static str,
    /// How long the attempt took.
    pub took: Duration,
}

/// A delivery that was taken up, with what became of it.
#[derive(Debug, Clone)]
pub struct Settled {
    /// Its number.
    pub id: i64,
    /// What shows that it was taken up.
    pub lease: Lease,
    /// What became of it.
    pub outcome: Outcome,
}

/// No wait is as long as this, in milliseconds. What is due later was given its time by a clock that has been set back
/// since, and is due now.
const FARTHEST_DUE: i64 = 3 * 3_600_000;

/// Versions that hold no later one back.
macro_rules! finished {
    () => {
        "('delivered', 'verified', 'discarded', 'withdrawn')"
    };
}

pub(super) use finished;

/// Nothing before it is unfinished.
macro_rules! first_of_its_exam {
    () => {
        concat!(
            "NOT EXISTS (
                SELECT 1 FROM outbox AS earlier
                WHERE earlier.exam = candidate.exam AND earlier.exam_version < candidate.exam_version
                  AND earlier.state NOT IN ",
            finished!(),
            ")"
        )
    };
}

/// Holds the exam of a delivery until the transaction ends, as every commit does that changes it.
macro_rules! lock_exam_of {
    ($connection:expr, $id:expr) => {
        sqlx::query("UPDATE exams SET updated = updated WHERE key = (SELECT exam FROM outbox WHERE id = $1)")
            .bind($id)
            .execute(&mut *$connection)
            .await?
    };
}
pub(super) use lock_exam_of;

/// Takes up what is due. `$clock` is the time that leases are compared with, `$until` how a lease is set, `$lock` keeps
/// what is chosen from others. The condition on the state alone stands first, word for word as in the index, which
/// `$index` names where the planner would rather sort all that waits each time.
macro_rules! claim {
    ($clock:expr, $until:expr, $index:literal, $lock:literal) => {
        concat!(
            "UPDATE outbox SET state = 'sending', attempts = attempts + 1, updated = $1, lease = $2, ",
            $until,
            ", reached = CASE WHEN state = 'sending' THEN 1 ELSE reached END
             WHERE id IN (
                SELECT id FROM outbox AS candidate ",
            $index,
            " WHERE state IN ('pending', 'sending', 'unknown-outcome')
                  AND ((state <> 'sending' AND (due <= $1 OR due > $4))
                       OR (state = 'sending' AND lease_until <= ",
            $clock,
            "))
                  AND ",
            first_of_its_exam!(),
            " ORDER BY priority DESC, id LIMIT $5 ",
            $lock,
            ")
             RETURNING id, lease, (SELECT payload FROM messages WHERE delivery = id) AS payload, attempts - 1 AS attempts,
                       reached = 1 AS reached, confirmed = 1 AS confirmed, exam, exam_version, priority, traceparent,
                       tracestate"
        )
    };
}

/// What the audit says about an attempt.
fn sent(id: i64, state: DeliveryState, exam: &str, failure: Option<&str>) -> AuditEvent {
    let (action, outcome) = match state {
        DeliveryState::Delivered | DeliveryState::Verified => (AuditAction::Send, AuditOutcome::Success),
        DeliveryState::Parked => (AuditAction::Park, AuditOutcome::Serious),
        DeliveryState::Pending
        | DeliveryState::Sending
        | DeliveryState::UnknownOutcome
        | DeliveryState::Discarded
        | DeliveryState::Withdrawn => (AuditAction::Send, AuditOutcome::Minor),
    };
    AuditEvent {
        exam: Some(exam_id(exam)),
        delivery: Some(id),
        outcome,
        detail: failure.map(str::to_owned),
        ..AuditEvent::of(action, None)
    }
}

/// What is taken up, and how it is held. Times in milliseconds.
#[derive(Debug, Clone, Copy)]
struct Taking {
    now: i64,
    lease: Lease,
    /// For how long.
    lasts: i64,
    farthest: i64,
    limit: i64,
    /// The time that leases of SQLite are compared with.
    clock: i64,
}

/// A connection on which deliveries are taken up. The statement differs in how leases are timed and rows are locked.
trait TakeUp {
    async fn take_up(&mut self, taking: Taking) -> sqlx::Result<Vec<Claimed>>;
}

impl TakeUp for sqlx::SqliteConnection {
    async fn take_up(&mut self, taking: Taking) -> sqlx::Result<Vec<Claimed>> {
        sqlx::query_as(claim!("$6", "lease_until = $3 + $6", "INDEXED BY outbox_next", ""))
            .bind(taking.now)
            .bind(taking.lease)
            .bind(taking.lasts)
            .bind(taking.farthest)
            .bind(taking.limit)
            .bind(taking.clock)
            .fetch_all(self)
            .await
            .map(in_order)
    }
}

impl TakeUp for sqlx::PgConnection {
    async fn take_up(&mut self, taking: Taking) -> sqlx::Result<Vec<Claimed>> {
        // Rows that another process is taking up at this moment are passed over.
        sqlx::query_as(claim!(
            postgres::clock!(),
            concat!(
                "lease_end = $3 + ",
                postgres::clock!(),
                ", lease_until = least($3, $6) + ",
                postgres::clock!()
            ),
            "",
            "FOR UPDATE SKIP LOCKED"
        ))
        .bind(taking.now)
        .bind(taking.lease)
        .bind(taking.lasts)
        .bind(taking.farthest)
        .bind(taking.limit)
        .bind(postgres::HELD_MS)
        .fetch_all(self)
        .await
        .map(in_order)
    }
}

/// RETURNING promises no order.
fn in_order(mut claimed: Vec<Claimed>) -> Vec<Claimed> {
    claimed.sort_by_key(Claimed::order);
    claimed
}

impl Store {
    /// Takes up to `limit` deliveries that are due, the pressing ones first: the earliest unfinished version of each
    /// exam, and only when it is not under way. It is held for `lease`; after that it is due again. So is what was
    /// given a time so far ahead that the clock must have been set back since.
    ///
    /// Leases run on a clock that the clock of this machine cannot disturb: the time since the start of this process,
    /// or that of the server when several processes share it. A shared one also ends soon after its process does.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn claim(&self, now: i64, lease: Duration, limit: u32) -> Result<Vec<Claimed>, StoreError> {
        let taking = self.taking(now, lease, limit);
        Ok(match &self.database {
            Database::Sqlite(database) => database.writer.acquire().await?.take_up(taking).await?,
            Database::Postgres(database) => database.pool.acquire().await?.take_up(taking).await?,
        })
    }

    fn taking(&self, now: i64, lease: Duration, limit: u32) -> Taking {
        let (lease_number, clock) = match &self.database {
            Database::Sqlite(database) => (database.next_lease(), database.lease_clock()),
            Database::Postgres(database) => (database.holder.next_lease(), 0),
        };
        Taking {
            now,
            lease: lease_number,
            lasts: i64::try_from(lease.as_millis()).unwrap_or(i64::MAX / 2),
            farthest: now.saturating_add(FARTHEST_DUE),
            limit: i64::from(limit),
            clock,
        }
    }

    /// Gives back what was taken up and not sent. It is as it was before.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn give_back(&self, unsent: &[(i64, Lease)], now: i64) -> Result<(), StoreError> {
        transaction!(self, transaction => {
            for (id, lease) in unsent {
                sqlx::query(
                    "UPDATE outbox SET state = CASE WHEN reached = 1 THEN 'unknown-outcome' ELSE 'pending' END,
                                       attempts = attempts - 1, lease = NULL, lease_until = NULL, due = $3, updated = $3
                     WHERE id = $1 AND state = 'sending' AND lease = $2",
                )
                .bind(id)
                .bind(lease)
                .bind(now)
                .execute(&mut *transaction)
                .await?;
            }
            transaction.commit().await?;
            Ok(())
        })
    }

    /// Records what became of deliveries that were taken up, all in one transaction. Says of each whether it still was
    /// the caller's to tell: when its lease ran out and somebody else took it up, nothing is recorded.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn settle(&self, settled: &[Settled], now: i64) -> Result<Vec<bool>, StoreError> {
        Ok(self.settle_and_claim(settled, now, Duration::ZERO, 0).await?.0)
    }

    /// Does what [`Store::settle`] and then what [`Store::claim`] does, in one transaction: the disk is synchronised
    /// once for both.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn settle_and_claim(
        &self,
        settled: &[Settled],
        now: i64,
        lease: Duration,
        limit: u32,
    ) -> Result<(Vec<bool>, Vec<Claimed>), StoreError> {
        let taking = (limit > 0).then(|| self.taking(now, lease, limit));
        transaction!(self, transaction => {
            // In one order for all, so that no two processes wait for each other.
            let mut order: Vec<usize> = (0..settled.len()).collect();
            order.sort_by_key(|number| settled.get(*number).map(|one| one.id));
            let mut recorded = vec![false; settled.len()];
            let mut events = Vec::new();
            for number in order {
                let Some(one) = settled.get(number) else { continue };
                let outcome = &one.outcome;
                let finished = outcome.state.is_taken();
                if !finished {
                    // A withdrawal that is being stored at this moment is either seen below or sees this row.
                    lock_exam_of!(transaction, one.id);
                }
                let changed: Option<(String, String, String)> = sqlx::query_as(
                    "UPDATE outbox SET due = $2, lease = NULL, lease_until = NULL, attempts = attempts - $3,
                                       failure = $4, remote_status = $5, detail = $6, updated = $7,
                                       placed = coalesce($12, placed), verify_after = $13,
                                       reached = CASE WHEN $8 = 1 THEN 1 ELSE reached END,
                                       state = CASE WHEN $9 = 0 AND EXISTS (
                                           SELECT 1 FROM outbox AS later
                                           WHERE later.exam = outbox.exam
                                             AND later.exam_version > outbox.exam_version
                                             AND later.withdrawal = 1)
                                         THEN 'withdrawn' ELSE $1 END
                     WHERE id = $10 AND state = 'sending' AND lease = $11
                     RETURNING state, exam, clinic",
                )
                .bind(outcome.state.word())
                .bind(outcome.due)
                .bind(i64::from(!outcome.charged))
                .bind(outcome.failure)
                .bind(outcome.remote_status.map(i64::from))
                .bind(&outcome.detail)
                .bind(now)
                .bind(i64::from(finished || outcome.state == DeliveryState::UnknownOutcome))
                .bind(i64::from(finished))
                .bind(one.id)
                .bind(one.lease)
                .bind(&outcome.placed)
                .bind(outcome.verify_after)
                .fetch_optional(&mut *transaction)
                .await?;
                let ours = changed.is_some();
                if let Some((word, exam, clinic)) = changed {
                    let state = DeliveryState::try_from(word)?;
                    events.push((sent(one.id, state, &exam, outcome.failure), clinic));
                    keep_attempt!(transaction, one.id, Ended {
                        at: now,
                        took: Some(i64::try_from(outcome.took.as_millis()).unwrap_or(i64::MAX)),
                        verdict: outcome.verdict,
                        failure: outcome.failure,
                        remote_status: outcome.remote_status,
                        detail: outcome.detail.as_deref(),
                    });
                }
                if let Some(recorded) = recorded.get_mut(number) {
                    *recorded = ours;
                }
            }
            let claimed = match taking {
                Some(taking) => transaction.take_up(taking).await?,
                None => Vec::new(),
            };
            // The end of the chain last, so that nobody who holds it waits for an exam.
            for (event, clinic) in events {
                transaction.append(&[event], &clinic, now).await?;
            }
            transaction.commit().await?;
            Ok((recorded, claimed))
        })
    }

    /// Notes that the attempt to send a delivery crashed. The second time it is parked, so that one exam cannot keep
    /// the worker from all others.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn note_crash(&self, id: i64, lease: Lease, now: i64) -> Result<(), StoreError> {
        transaction!(self, transaction => {
            let crashed: Option<(String, String, String)> = sqlx::query_as(
                "UPDATE outbox SET crashes = crashes + 1, lease = NULL, lease_until = NULL, reached = 1,
                                   failure = 'crash', updated = $1, due = $1,
                                   state = CASE WHEN crashes >= 1 THEN 'parked' ELSE 'unknown-outcome' END
                 WHERE id = $2 AND state = 'sending' AND lease = $3
                 RETURNING state, exam, clinic",
            )
            .bind(now)
            .bind(id)
            .bind(lease)
            .fetch_optional(&mut *transaction)
            .await?;
            if let Some((word, exam, clinic)) = crashed {
                keep_attempt!(transaction, id, Ended {
                    at: now,
                    took: None,
                    verdict: "crash",
                    failure: Some("crash"),
                    remote_status: None,
                    detail: None,
                });
                let state = DeliveryState::try_from(word)?;
                transaction.append(&[sent(id, state, &exam, Some("crash"))], &clinic, now).await?;
            }
            transaction.commit().await?;
            Ok(())
        })
    }

    /// Takes back what an earlier process had under way, as far as nobody else may be at it: with a store of its own
    /// everything, with a shared one what was held too long. Call it once, before the worker starts.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn release_leases(&self, now: i64) -> Result<u64, StoreError> {
        macro_rules! release {
            ($condition:expr) => {
                concat!(
                    "UPDATE outbox SET state = 'unknown-outcome', lease = NULL, lease_until = NULL, reached = 1,
                                       due = $1, updated = $1, attempts = attempts - 1
                     WHERE state = 'sending'",
                    $condition
                )
            };
        }
        Ok(match &self.database {
            Database::Sqlite(database) => {
                sqlx::query(release!("")).bind(now).execute(&database.writer).await?.rows_affected()
            }
            Database::Postgres(database) => {
                sqlx::query(release!(concat!(" AND lease_until <= ", postgres::clock!())))
                    .bind(now)
                    .execute(&database.pool)
                    .await?
                    .rows_affected()
            }
        })
    }

    /// How long a worker may sleep when nothing tells it of work: another process may have stored some.
    #[must_use]
    pub fn longest_sleep(&self) -> Duration {
        match &self.database {
            Database::Sqlite(_) => Duration::from_secs(30),
            Database::Postgres(_) => Duration::from_secs(1),
        }
    }

    /// When the next delivery that waits falls due, if any does. What is under way is left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn next_due(&self) -> Result<Option<i64>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_scalar(concat!(
                "SELECT min(due) FROM outbox AS candidate WHERE state IN ('pending', 'unknown-outcome') AND ",
                first_of_its_exam!()
            ))
            .fetch_one(connection)
            .await?
        }))
    }
}
