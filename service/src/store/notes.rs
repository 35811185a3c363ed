//! Events that nothing else is written with, on PostgreSQL: those that come together share one transaction.
//!
//! The chain has one end, which a transaction holds until it is on the disk. Each by itself, readers would wait for one
//! synchronisation after the other. On SQLite the group commit does the same for all that is written.

use sqlx::PgPool;
use tokio::sync::{mpsc, oneshot};

use super::StoreError;
use super::audit::Chain as _;
use crate::audit::AuditEvent;

/// The most in one transaction: it holds the end of the chain, and with it whoever hands in an exam.
const AT_ONCE: usize = 64;
/// The most that wait. Who comes later waits before he is in the queue.
const WAITING: usize = 256;

type Answer = Result<(), StoreError>;

#[derive(Debug)]
struct Waiting {
    note: Note,
    answer: oneshot::Sender<Answer>,
}

/// Events of one caller.
#[derive(Debug)]
pub(super) struct Note {
    pub(super) events: Vec<AuditEvent>,
    /// The column of the caller's clinic.
    pub(super) clinic: String,
    /// When, in milliseconds since 1970.
    pub(super) at: i64,
}

/// The way to the task that writes.
#[derive(Debug, Clone)]
pub(super) struct Notes(mpsc::Sender<Waiting>);

impl Notes {
    /// Starts the task. It ends when the last copy of this is gone.
    pub(super) fn start(pool: PgPool) -> Notes {
        let (sender, receiver) = mpsc::channel(WAITING);
        tokio::spawn(run(pool, receiver));
        Notes(sender)
    }

    /// Writes all events of a note or none.
    pub(super) async fn write(&self, note: Note) -> Answer {
        const GONE: StoreError = StoreError::Unavailable { reason: "the service is stopping" };
        let (answer, answered) = oneshot::channel();
        self.0.send(Waiting { note, answer }).await.map_err(|_| GONE)?;
        answered.await.map_err(|_| GONE)?
    }

    /// How many wait.
    #[cfg(test)]
    pub(super) fn waiting(&self) -> usize {
        self.0.max_capacity() - self.0.capacity()
    }
}

async fn run(pool: PgPool, mut receiver: mpsc::Receiver<Waiting>) {
    while let Some(first) = receiver.recv().await {
        let mut batch = vec![first];
        while batch.len() < AT_ONCE
            && let Ok(next) = receiver.try_recv()
        {
            batch.push(next);
        }
        let result = write(&pool, &batch).await;
        let alone = batch.len() == 1;
        for waiting in batch {
            // Nothing of a batch that failed is written. Each is tried once more by itself, so that one cannot fail
            // the others.
            let result = match &result {
                Err(_) if !alone => write(&pool, std::slice::from_ref(&waiting)).await,
                result => result.clone(),
            };
            // Whoever asked may be gone; what was written stays written.
            drop(waiting.answer.send(result));
        }
    }
}

async fn write(pool: &PgPool, batch: &[Waiting]) -> Answer {
    let mut transaction = pool.begin().await?;
    for Waiting { note, .. } in batch {
        transaction.append(&note.events, &note.clinic, note.at).await?;
    }
    Ok(transaction.commit().await?)
}
