//! The outbox: what is still to be forwarded, what became of it, and what operators did about it.

use sqlx::Row as _;
use sqlx::sqlite::SqliteRow;

use super::{Store, StoreError};

macro_rules! states {
    ($($(#[$doc:meta])* $variant:ident => $word:literal),* $(,)?) => {
        /// The state of a delivery.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum DeliveryState { $($(#[$doc])* $variant),* }

        impl DeliveryState {
            /// All states.
            pub const ALL: &'static [DeliveryState] = &[$(DeliveryState::$variant),*];

            /// The word in the store and on the wire.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(DeliveryState::$variant => $word),* }
            }

            /// The state of a word.
            #[must_use]
            pub fn of(word: &str) -> Option<DeliveryState> {
                match word { $($word => Some(DeliveryState::$variant),)* _ => None }
            }
        }
    };
}

states! {
    /// Not sent, or refused in a way that passes.
    Pending => "pending",
    /// Under way.
    Sending => "sending",
    /// Sent, and nobody knows whether it arrived; it is sent again so that it cannot arrive twice.
    UnknownOutcome => "unknown-outcome",
    /// Taken by the record system.
    Delivered => "delivered",
    /// Taken, and found there afterwards.
    Verified => "verified",
    /// Refused for what it says; waits for an operator, and later versions of the exam wait behind it.
    Parked => "parked",
    /// Given up by an operator.
    Discarded => "discarded",
    /// The exam was withdrawn before anything of it can have gone out.
    Withdrawn => "withdrawn",
}

/// A delivery that was taken up for sending.
#[derive(Debug, Clone)]
pub struct Claimed {
    /// Its number.
    pub id: i64,
    /// What to send.
    pub payload: String,
    /// How often it was tried before without a fault of the destination.
    pub attempts: i64,
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
}

/// A delivery as operators see it.
#[derive(Debug, Clone)]
pub struct Delivery {
    /// Its number.
    pub id: i64,
    /// The version of the exam it carries.
    pub exam_version: i64,
    /// Its state.
    pub state: DeliveryState,
    /// Attempts that counted.
    pub attempts: i64,
    /// When it may be taken up next, in milliseconds since 1970.
    pub due: i64,
    /// When it was made.
    pub created: i64,
    /// When its state last changed.
    pub updated: i64,
    /// The class of the last failure.
    pub failure: Option<String>,
    /// The HTTP status of the last answer.
    pub remote_status: Option<i64>,
    /// What the record system said, as JSON without any value of the exam.
    pub detail: Option<String>,
    /// What is sent.
    pub payload: String,
}

/// Why an operator's wish was not followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OperatorRefusal {
    /// There is no such delivery.
    Absent,
    /// It is in a state that does not allow it.
    State(DeliveryState),
    /// It was taken by the record system before; doing it again takes a reason.
    ReasonMissing,
    /// A later version of its exam may have reached the record system, and this one would overwrite it there.
    Superseded,
}

/// How much there is in each state.
#[derive(Debug, Clone, Default)]
pub struct OutboxCounts {
    /// The number of deliveries of each state that has any.
    pub states: Vec<(DeliveryState, i64)>,
    /// When the oldest delivery that is still to be sent was made.
    pub oldest_open: Option<i64>,
}

/// No wait is as long as this, in milliseconds. What is due later was given its time by a clock that has been set back
/// since, and is due now.
const FARTHEST_DUE: i64 = 3 * 3_600_000;

const COLUMNS: &str = "SELECT id, exam_version, state, attempts, due, created, updated, failure, remote_status, detail, payload FROM outbox";

impl Store {
    /// Takes up to `limit` deliveries that are due: the earliest unfinished version of each exam, and only when it is
    /// not under way. An expired lease counts as due, and so does a time so far ahead that the clock must have been set
    /// back.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn claim(&self, now: i64, lease_until: i64, limit: u32) -> Result<Vec<Claimed>, StoreError> {
        let rows = sqlx::query(
            "UPDATE outbox SET state = 'sending', lease_until = ?2, attempts = attempts + 1, updated = ?1,
                               reached = CASE WHEN state = 'sending' THEN 1 ELSE reached END
             WHERE id IN (
                SELECT id FROM outbox AS candidate
                WHERE ((state IN ('pending', 'unknown-outcome') AND (due <= ?1 OR due > ?4))
                       OR (state = 'sending' AND (lease_until <= ?1 OR lease_until > ?4)))
                  AND NOT EXISTS (
                    SELECT 1 FROM outbox AS earlier
                    WHERE earlier.exam = candidate.exam AND earlier.exam_version < candidate.exam_version
                      AND earlier.state NOT IN ('delivered', 'verified', 'discarded', 'withdrawn'))
                ORDER BY id LIMIT ?3)
             RETURNING id, payload, attempts",
        )
        .bind(now)
        .bind(lease_until)
        .bind(limit)
        .bind(now.saturating_add(FARTHEST_DUE))
        .fetch_all(&self.writer)
        .await?;
        rows.iter()
            .map(|row| {
                let attempts: i64 = row.try_get("attempts")?;
                Ok(Claimed {
                    id: row.try_get("id")?,
                    payload: row.try_get("payload")?,
                    attempts: attempts - 1,
                })
            })
            .collect()
    }

    /// Records what became of a delivery that was taken up.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn settle(&self, id: i64, outcome: &Outcome, now: i64) -> Result<(), StoreError> {
        let reached = matches!(
            outcome.state,
            DeliveryState::Delivered | DeliveryState::Verified | DeliveryState::UnknownOutcome
        );
        sqlx::query(
            "UPDATE outbox SET state = ?, due = ?, lease_until = NULL, attempts = attempts - ?, failure = ?,
                               remote_status = ?, detail = ?, updated = ?, placed = coalesce(?, placed),
                               verify_after = ?, reached = CASE WHEN ? = 1 THEN 1 ELSE reached END
             WHERE id = ? AND state = 'sending'",
        )
        .bind(outcome.state.word())
        .bind(outcome.due)
        .bind(i64::from(!outcome.charged))
        .bind(outcome.failure)
        .bind(outcome.remote_status)
        .bind(&outcome.detail)
        .bind(now)
        .bind(&outcome.placed)
        .bind(outcome.verify_after)
        .bind(i64::from(reached))
        .bind(id)
        .execute(&self.writer)
        .await?;
        Ok(())
    }

    /// Notes that the attempt to send a delivery crashed. The second time it is parked, so that one exam cannot keep
    /// the worker from all others.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn note_crash(&self, id: i64, now: i64) -> Result<(), StoreError> {
        sqlx::query(
            "UPDATE outbox SET crashes = crashes + 1, lease_until = NULL, reached = 1, failure = 'crash', updated = ?1, due = ?1,
                               state = CASE WHEN crashes >= 1 THEN 'parked' ELSE 'unknown-outcome' END
             WHERE id = ?2 AND state = 'sending'",
        )
        .bind(now)
        .bind(id)
        .execute(&self.writer)
        .await?;
        Ok(())
    }

    /// Takes back what an earlier process had under way. Call it once, before the worker starts.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn release_leases(&self, now: i64) -> Result<u64, StoreError> {
        let released = sqlx::query(
            "UPDATE outbox SET state = 'unknown-outcome', lease_until = NULL, due = ?1, updated = ?1,
                               attempts = attempts - 1, reached = 1
             WHERE state = 'sending'",
        )
        .bind(now)
        .execute(&self.writer)
        .await?;
        Ok(released.rows_affected())
    }

    /// When the next delivery falls due, if any waits.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn next_due(&self) -> Result<Option<i64>, StoreError> {
        Ok(sqlx::query_scalar(
            "SELECT min(CASE state WHEN 'sending' THEN lease_until ELSE due END) FROM outbox AS candidate
             WHERE state IN ('pending', 'sending', 'unknown-outcome')
               AND NOT EXISTS (
                 SELECT 1 FROM outbox AS earlier
                 WHERE earlier.exam = candidate.exam AND earlier.exam_version < candidate.exam_version
                   AND earlier.state NOT IN ('delivered', 'verified', 'discarded', 'withdrawn'))",
        )
        .fetch_one(&self.readers)
        .await?)
    }

    /// Deliveries after number `after`, in order, of one state or of all.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn deliveries(
        &self,
        state: Option<DeliveryState>,
        after: i64,
        limit: u32,
    ) -> Result<Vec<Delivery>, StoreError> {
        let mut query = sqlx::QueryBuilder::new(COLUMNS);
        query.push(" WHERE id > ").push_bind(after);
        if let Some(state) = state {
            query.push(" AND state = ").push_bind(state.word());
        }
        query.push(" ORDER BY id LIMIT ").push_bind(limit);
        query.build().fetch_all(&self.readers).await?.iter().map(delivery).collect()
    }

    /// One delivery.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn delivery(&self, id: i64) -> Result<Option<Delivery>, StoreError> {
        let mut query = sqlx::QueryBuilder::new(COLUMNS);
        query.push(" WHERE id = ").push_bind(id);
        query.build().fetch_optional(&self.readers).await?.as_ref().map(delivery).transpose()
    }

    /// Puts a delivery back into the queue. One that was taken before needs a reason; one that waits or is under way
    /// is left alone.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn replay(
        &self,
        id: i64,
        caller: &str,
        reason: Option<&str>,
        now: i64,
    ) -> Result<Result<(), OperatorRefusal>, StoreError> {
        let check = |state| match state {
            DeliveryState::Parked | DeliveryState::UnknownOutcome => Ok(()),
            DeliveryState::Delivered | DeliveryState::Verified | DeliveryState::Discarded => {
                if reason.is_some() { Ok(()) } else { Err(OperatorRefusal::ReasonMissing) }
            }
            DeliveryState::Pending | DeliveryState::Sending | DeliveryState::Withdrawn => {
                Err(OperatorRefusal::State(state))
            }
        };
        self.operate(id, "replay", DeliveryState::Pending, caller, reason, now, check).await
    }

    /// Gives a delivery up, so that later versions of its exam can go.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn discard(
        &self,
        id: i64,
        caller: &str,
        reason: &str,
        now: i64,
    ) -> Result<Result<(), OperatorRefusal>, StoreError> {
        let check = |state| match state {
            DeliveryState::Parked | DeliveryState::Pending | DeliveryState::UnknownOutcome => Ok(()),
            DeliveryState::Sending
            | DeliveryState::Delivered
            | DeliveryState::Verified
            | DeliveryState::Discarded
            | DeliveryState::Withdrawn => Err(OperatorRefusal::State(state)),
        };
        self.operate(id, "discard", DeliveryState::Discarded, caller, Some(reason), now, check).await
    }

    #[allow(clippy::too_many_arguments, reason = "one statement's worth of columns")]
    async fn operate(
        &self,
        id: i64,
        action: &'static str,
        state: DeliveryState,
        caller: &str,
        reason: Option<&str>,
        now: i64,
        check: impl Fn(DeliveryState) -> Result<(), OperatorRefusal>,
    ) -> Result<Result<(), OperatorRefusal>, StoreError> {
        let mut transaction = self.writer.begin_with("BEGIN IMMEDIATE").await?;
        let word: Option<String> = sqlx::query_scalar("SELECT state FROM outbox WHERE id = ?")
            .bind(id)
            .fetch_optional(&mut *transaction)
            .await?;
        let Some(word) = word else { return Ok(Err(OperatorRefusal::Absent)) };
        if let Err(refusal) = check(state_of(&word)?) {
            return Ok(Err(refusal));
        }
        if state == DeliveryState::Pending {
            let later: i64 = sqlx::query_scalar(
                "SELECT count(*) FROM outbox AS later JOIN outbox AS this ON this.exam = later.exam
                 WHERE this.id = ? AND later.exam_version > this.exam_version
                   AND (later.reached = 1 OR later.state = 'sending')",
            )
            .bind(id)
            .fetch_one(&mut *transaction)
            .await?;
            if later > 0 {
                return Ok(Err(OperatorRefusal::Superseded));
            }
        }
        sqlx::query(
            "UPDATE outbox SET state = ?, due = ?, attempts = 0, crashes = 0, lease_until = NULL, updated = ?,
                               confirmed = 1, verify_after = NULL, verify_tries = 0
             WHERE id = ?",
        )
        .bind(state.word())
        .bind(now)
        .bind(now)
        .bind(id)
        .execute(&mut *transaction)
        .await?;
        sqlx::query(
            "INSERT INTO operator_actions (delivery, action, caller, reason, at) VALUES (?, ?, ?, ?, ?)",
        )
        .bind(id)
        .bind(action)
        .bind(caller)
        .bind(reason)
        .bind(now)
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        Ok(Ok(()))
    }

    /// How much there is in each state.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn outbox_counts(&self) -> Result<OutboxCounts, StoreError> {
        let rows = sqlx::query("SELECT state, count(*) AS number FROM outbox GROUP BY state")
            .fetch_all(&self.readers)
            .await?;
        let mut states = Vec::with_capacity(rows.len());
        for row in &rows {
            states.push((state_of(row.try_get("state")?)?, row.try_get("number")?));
        }
        let oldest_open = sqlx::query_scalar(
            "SELECT min(created) FROM outbox WHERE state IN ('pending', 'sending', 'unknown-outcome')",
        )
        .fetch_one(&self.readers)
        .await?;
        Ok(OutboxCounts { states, oldest_open })
    }
}

fn delivery(row: &SqliteRow) -> Result<Delivery, StoreError> {
    Ok(Delivery {
        id: row.try_get("id")?,
        exam_version: row.try_get("exam_version")?,
        state: state_of(row.try_get("state")?)?,
        attempts: row.try_get("attempts")?,
        due: row.try_get("due")?,
        created: row.try_get("created")?,
        updated: row.try_get("updated")?,
        failure: row.try_get("failure")?,
        remote_status: row.try_get("remote_status")?,
        detail: row.try_get("detail")?,
        payload: row.try_get("payload")?,
    })
}

fn state_of(word: &str) -> Result<DeliveryState, StoreError> {
    DeliveryState::of(word).ok_or(StoreError::Row("a delivery is in a state that this version does not know"))
}
