//! The outbox: what is still to be forwarded, what became of it, and what operators did about it. Sending itself takes
//! deliveries up and gives them back in `claims.rs`.

use super::audit::Chain as _;
use super::claims::lock_exam_of;
use super::database::{reading, snapshot, transaction};
use super::replay::may_replay;
use super::{Store, StoreError};
use crate::audit::{AuditAction, AuditEvent, exam_id};
use crate::clinic::Reach;

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
    /// Not sent any more, because the exam was withdrawn.
    Withdrawn => "withdrawn",
}

impl DeliveryState {
    /// Whether the record system took it.
    pub(super) fn is_taken(self) -> bool {
        match self {
            DeliveryState::Delivered | DeliveryState::Verified => true,
            DeliveryState::Pending
            | DeliveryState::Sending
            | DeliveryState::UnknownOutcome
            | DeliveryState::Parked
            | DeliveryState::Discarded
            | DeliveryState::Withdrawn => false,
        }
    }
}

impl TryFrom<String> for DeliveryState {
    type Error = StoreError;

    fn try_from(word: String) -> Result<DeliveryState, StoreError> {
        let unknown = "a delivery is in a state that this version does not know";
        DeliveryState::of(&word).ok_or(StoreError::Row(unknown))
    }
}

/// A delivery as operators see it.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Delivery {
    /// Its number.
    pub id: i64,
    /// The version of the exam it carries.
    pub exam_version: i64,
    /// Its state.
    #[sqlx(try_from = "String")]
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
    /// What is sent; empty once it was purged.
    pub payload: String,
    /// When the payload was purged, in milliseconds since 1970.
    pub purged: Option<i64>,
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
    /// What it carried was purged after its delivery.
    Purged,
    /// There are other numbers of them than whoever asks for it has seen.
    OtherNumber,
}

/// How much there is in each state.
#[derive(Debug, Clone, Default)]
pub struct OutboxCounts {
    /// The number of deliveries of each state that has any.
    pub states: Vec<(DeliveryState, i64)>,
    /// When the oldest delivery that is still to be sent was made.
    pub oldest_open: Option<i64>,
    /// How many were ever queued, counted with the exams and not in the outbox: the states add up to it.
    pub received: i64,
    /// How often this process synchronised the disk for commits; none where the server does that.
    pub syncs: Option<u64>,
}

/// What the audit says about an operator's act.
pub(super) fn operated(action: AuditAction, caller: &str, id: i64, exam: &str) -> AuditEvent {
    AuditEvent { exam: Some(exam_id(exam)), delivery: Some(id), ..AuditEvent::of(action, Some(caller)) }
}

const COLUMNS: &str = "SELECT id, exam_version, state, attempts, due, created, updated, failure, remote_status, detail, payload, purged FROM outbox JOIN messages ON delivery = id";

impl Store {
    /// Deliveries within reach after number `after`, in order, of one state or of all.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn deliveries(
        &self,
        state: Option<DeliveryState>,
        reach: &Reach,
        after: i64,
        limit: u32,
    ) -> Result<Vec<Delivery>, StoreError> {
        Ok(reading!(self, connection => {
            let mut query = sqlx::QueryBuilder::new(COLUMNS);
            query.push(" WHERE id > ").push_bind(after);
            if let Some(state) = state {
                query.push(" AND state = ").push_bind(state.word());
            }
            if let Some(clinic) = reach.only() {
                query.push(" AND clinic = ").push_bind(clinic);
            }
            query.push(" ORDER BY id LIMIT ").push_bind(i64::from(limit));
            query.build_query_as().fetch_all(connection).await?
        }))
    }

    /// One delivery, if it is within reach.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn delivery(&self, id: i64, reach: &Reach) -> Result<Option<Delivery>, StoreError> {
        Ok(reading!(self, connection => {
            let mut query = sqlx::QueryBuilder::new(COLUMNS);
            query.push(" WHERE id = ").push_bind(id);
            if let Some(clinic) = reach.only() {
                query.push(" AND clinic = ").push_bind(clinic);
            }
            query.build_query_as().fetch_optional(connection).await?
        }))
    }

    /// Puts a delivery back into the queue. One that was taken before needs a reason; one that waits or is under way
    /// is left alone, and so is one that would overwrite a later version.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn replay(
        &self,
        id: i64,
        reach: &Reach,
        caller: &str,
        reason: Option<&str>,
        now: i64,
    ) -> Result<Result<(), OperatorRefusal>, StoreError> {
        let check = |state| may_replay(state, reason);
        self.operate(id, reach, "replay", DeliveryState::Pending, caller, reason, now, check).await
    }

    /// Gives a delivery up, so that later versions of its exam can go.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn discard(
        &self,
        id: i64,
        reach: &Reach,
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
        self.operate(id, reach, "discard", DeliveryState::Discarded, caller, Some(reason), now, check).await
    }

    #[allow(clippy::too_many_arguments, reason = "one statement's worth of columns")]
    async fn operate(
        &self,
        id: i64,
        reach: &Reach,
        action: &'static str,
        state: DeliveryState,
        caller: &str,
        reason: Option<&str>,
        now: i64,
        check: impl Fn(DeliveryState) -> Result<(), OperatorRefusal>,
    ) -> Result<Result<(), OperatorRefusal>, StoreError> {
        transaction!(self, transaction => {
            lock_exam_of!(transaction, id);
            let row: Option<(String, String, i64, String, Option<i64>)> =
                sqlx::query_as(
                    "SELECT state, exam, exam_version, clinic, purged FROM outbox WHERE id = $1 AND ($2 IS NULL OR clinic = $2)",
                )
                    .bind(id)
                    .bind(reach.only())
                    .fetch_optional(&mut *transaction)
                    .await?;
            let Some((word, exam, version, clinic, purged)) = row else { return Ok(Err(OperatorRefusal::Absent)) };
            if let Err(refusal) = check(DeliveryState::try_from(word)?) {
                return Ok(Err(refusal));
            }
            if purged.is_some() {
                return Ok(Err(OperatorRefusal::Purged));
            }
            if state == DeliveryState::Pending {
                // Held, so that none is taken up between the look and the change.
                sqlx::query("UPDATE outbox SET updated = updated WHERE exam = $1")
                    .bind(&exam)
                    .execute(&mut *transaction)
                    .await?;
                let later: i64 = sqlx::query_scalar(
                    "SELECT count(*) FROM outbox
                     WHERE exam = $1 AND exam_version > $2 AND (reached = 1 OR state = 'sending')",
                )
                .bind(&exam)
                .bind(version)
                .fetch_one(&mut *transaction)
                .await?;
                if later > 0 {
                    return Ok(Err(OperatorRefusal::Superseded));
                }
            }
            // The state is asked for again: a delivery is claimed without the lock of its exam.
            let changed = sqlx::query(
                "UPDATE outbox SET state = $1, due = $2, attempts = 0, crashes = 0, lease = NULL,
                                   lease_until = NULL, confirmed = 1, verify_after = NULL, verify_tries = 0,
                                   updated = $2
                 WHERE id = $3 AND state <> 'sending'",
            )
            .bind(state.word())
            .bind(now)
            .bind(id)
            .execute(&mut *transaction)
            .await?;
            if changed.rows_affected() == 0 {
                return Ok(Err(OperatorRefusal::State(DeliveryState::Sending)));
            }
            sqlx::query(
                "INSERT INTO operator_actions (delivery, action, caller, reason, at) VALUES ($1, $2, $3, $4, $5)",
            )
            .bind(id)
            .bind(action)
            .bind(caller)
            .bind(reason)
            .bind(now)
            .execute(&mut *transaction)
            .await?;
            let done = if state == DeliveryState::Pending { AuditAction::Replay } else { AuditAction::Discard };
            transaction.append(&[operated(done, caller, id, &exam)], &clinic, now).await?;
            transaction.commit().await?;
            Ok(Ok(()))
        })
    }

    /// How much there is in each state within reach.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn outbox_counts(&self, reach: &Reach) -> Result<OutboxCounts, StoreError> {
        snapshot!(self, connection => {
            let rows: Vec<(String, i64)> =
                sqlx::query_as("SELECT state, count(*) FROM outbox WHERE $1 IS NULL OR clinic = $1 GROUP BY state")
                    .bind(reach.only())
                    .fetch_all(&mut *connection)
                    .await?;
            let mut states = Vec::with_capacity(rows.len());
            for (word, number) in rows {
                states.push((DeliveryState::try_from(word)?, number));
            }
            let oldest_open: Option<i64> = sqlx::query_scalar(
                "SELECT min(created) FROM outbox WHERE state IN ('pending', 'sending', 'unknown-outcome')
                   AND ($1 IS NULL OR clinic = $1)",
            )
            .bind(reach.only())
            .fetch_one(&mut *connection)
            .await?;
            let received: i64 = sqlx::query_scalar(
                "SELECT CAST(coalesce(sum(queued), 0) AS BIGINT) FROM exams WHERE $1 IS NULL OR clinic = $1",
            )
                .bind(reach.only())
                .fetch_one(&mut *connection)
                .await?;
            Ok(OutboxCounts { states, oldest_open, received, syncs: self.syncs() })
        })
    }
}
