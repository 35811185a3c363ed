//! Putting all deliveries of a state back into the queue, and saying beforehand what that would come to.

use super::audit::Chain as _;
use super::database::{reading, transaction};
use super::outbox::operated;
use super::{DeliveryState, OperatorRefusal, Store, StoreError};
use crate::audit::AuditAction;
use crate::clinic::Reach;

/// What putting back all deliveries of a state would come to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct ReplayPreview {
    /// How many would go again.
    pub deliveries: i64,
    /// Of how many exams.
    pub exams: i64,
    /// How many would stay, because a later version of their exam may have reached the record system.
    pub superseded: i64,
    /// How many would stay, because what they carried was purged after its delivery.
    pub purged: i64,
}

/// A later version may have arrived, or is on its way.
macro_rules! superseded {
    () => {
        "EXISTS (SELECT 1 FROM outbox AS later
                 WHERE later.exam = outbox.exam AND later.exam_version > outbox.exam_version
                   AND (later.reached = 1 OR later.state = 'sending'))"
    };
}

/// Whether deliveries of this state can be put back, and whether that takes a reason.
pub(super) fn may_replay(state: DeliveryState, reason: Option<&str>) -> Result<(), OperatorRefusal> {
    match state {
        DeliveryState::Parked | DeliveryState::UnknownOutcome => Ok(()),
        DeliveryState::Delivered
        | DeliveryState::Verified
        | DeliveryState::Discarded
        | DeliveryState::Withdrawn => reason.map(drop).ok_or(OperatorRefusal::ReasonMissing),
        DeliveryState::Pending | DeliveryState::Sending => Err(OperatorRefusal::State(state)),
    }
}

impl Store {
    /// What [`Store::replay_all`] would do now.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn replay_preview(
        &self,
        state: DeliveryState,
        reach: &Reach,
    ) -> Result<ReplayPreview, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(concat!(
                "SELECT count(CASE WHEN NOT superseded AND purged IS NULL THEN 1 END) AS deliveries,
                        count(DISTINCT CASE WHEN NOT superseded AND purged IS NULL THEN exam END) AS exams,
                        count(CASE WHEN superseded AND purged IS NULL THEN 1 END) AS superseded,
                        count(purged) AS purged
                 FROM (SELECT exam, purged, ",
                superseded!(),
                " AS superseded FROM outbox WHERE state = $1 AND ($2 IS NULL OR clinic = $2)) AS chosen"
            ))
            .bind(state.word())
            .bind(reach.only())
            .fetch_one(connection)
            .await?
        }))
    }

    /// Puts all deliveries of a state within reach back into the queue, except those that would overwrite a later version
    /// and those that were purged. Gives their number. What was taken before needs a reason. Nothing is
    /// done where there are not as many as `previewed`.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn replay_all(
        &self,
        state: DeliveryState,
        reach: &Reach,
        caller: &str,
        reason: Option<&str>,
        previewed: u64,
        now: i64,
    ) -> Result<Result<u64, OperatorRefusal>, StoreError> {
        if let Err(refusal) = may_replay(state, reason) {
            return Ok(Err(refusal));
        }
        transaction!(self, transaction => {
            // Holds every version of these exams, so that none is taken up between the look and the change.
            sqlx::query(
                "UPDATE outbox SET updated = updated WHERE exam IN (
                    SELECT exam FROM outbox WHERE state = $1 AND ($2 IS NULL OR clinic = $2))",
            )
            .bind(state.word())
            .bind(reach.only())
            .execute(&mut *transaction)
            .await?;
            let noted = sqlx::query(concat!(
                "INSERT INTO operator_actions (delivery, action, caller, reason, at)
                 SELECT id, 'replay', $2, $3, $4 FROM outbox WHERE state = $1 AND purged IS NULL AND ($5 IS NULL OR clinic = $5)
                   AND NOT ",
                superseded!()
            ))
            .bind(state.word())
            .bind(caller)
            .bind(reason)
            .bind(now)
            .bind(reach.only())
            .execute(&mut *transaction)
            .await?
            .rows_affected();
            if noted != previewed {
                transaction.rollback().await?;
                return Ok(Err(OperatorRefusal::OtherNumber));
            }
            let replayed: Vec<(i64, String, String)> = sqlx::query_as(concat!(
                "UPDATE outbox SET state = 'pending', due = $2, attempts = 0, crashes = 0, confirmed = 1,
                                   verify_after = NULL, verify_tries = 0, updated = $2
                 WHERE state = $1 AND purged IS NULL AND ($3 IS NULL OR clinic = $3) AND NOT ",
                superseded!(),
                " RETURNING id, exam, clinic"
            ))
            .bind(state.word())
            .bind(now)
            .bind(reach.only())
            .fetch_all(&mut *transaction)
            .await?;
            for (id, exam, clinic) in &replayed {
                let event = operated(AuditAction::Replay, caller, *id, exam);
                transaction.append(&[event], clinic, now).await?;
            }
            transaction.commit().await?;
            Ok(Ok(noted))
        })
    }
}
