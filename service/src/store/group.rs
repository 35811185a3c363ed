//! Group commit: submissions that come together share one synchronisation of the disk.
//!
//! One task writes. It takes every commit that waits into one transaction, each inside a savepoint of its own, and
//! answers all of them once that transaction is on the disk. It never waits for more to come: while one transaction is
//! being synchronised the next ones gather by themselves, and a commit that comes alone goes at once.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use sqlx::{Acquire as _, Connection as _, SqliteConnection, SqlitePool};
use tokio::sync::{mpsc, oneshot};

use super::commit::commit_on_sqlite;
use super::{Commit, Committed, StoreError};

/// The most commits in one transaction. More would hold up the deliveries, which write through the same connection.
const AT_ONCE: usize = 64;
/// The most commits that wait. Who comes later waits before he is in the queue.
const WAITING: usize = 256;

type Answer = Result<Committed, StoreError>;

#[derive(Debug)]
struct Waiting {
    commit: Commit,
    answer: oneshot::Sender<Answer>,
}

/// The way to the task that writes.
#[derive(Debug, Clone)]
pub(super) struct Group {
    sender: mpsc::Sender<Waiting>,
    syncs: Arc<AtomicU64>,
}

impl Group {
    /// Starts the task. It ends when the last copy of the group is gone.
    pub(super) fn start(writer: SqlitePool) -> Group {
        let (sender, receiver) = mpsc::channel(WAITING);
        let syncs = Arc::new(AtomicU64::new(0));
        tokio::spawn(run(writer, receiver, Arc::clone(&syncs)));
        Group { sender, syncs }
    }

    /// Writes all of a commit or nothing of it.
    pub(super) async fn commit(&self, commit: Commit) -> Answer {
        const GONE: StoreError = StoreError::Unavailable { reason: "the service is stopping" };
        let (answer, answered) = oneshot::channel();
        self.sender.send(Waiting { commit, answer }).await.map_err(|_| GONE)?;
        answered.await.map_err(|_| GONE)?
    }

    /// How many transactions were synchronised so far.
    pub(super) fn syncs(&self) -> u64 {
        self.syncs.load(Ordering::Relaxed)
    }

    /// How many commits wait.
    #[cfg(test)]
    pub(super) fn waiting(&self) -> usize {
        self.sender.max_capacity() - self.sender.capacity()
    }
}

async fn run(writer: SqlitePool, mut receiver: mpsc::Receiver<Waiting>, syncs: Arc<AtomicU64>) {
    while let Some(first) = receiver.recv().await {
        let mut held = match writer.acquire().await {
            Ok(held) => held,
            Err(error) => {
                give(first.answer, Err(error.into()));
                continue;
            }
        };
        let mut batch = vec![first];
        while batch.len() < AT_ONCE
            && let Ok(next) = receiver.try_recv()
        {
            batch.push(next);
        }
        let result = write(&mut held, &batch).await;
        if result.is_err() {
            // SQLite may have rolled back by itself, which the connection does not notice.
            held.close_on_drop();
        }
        drop(held);
        match result {
            Ok(results) => {
                syncs.fetch_add(1, Ordering::Relaxed);
                for (waiting, committed) in batch.into_iter().zip(results) {
                    give(waiting.answer, Ok(committed));
                }
            }
            Err(error) if batch.len() == 1 => {
                batch.into_iter().for_each(|waiting| give(waiting.answer, Err(error.clone())));
            }
            // Nothing of it is written. Each is tried once more by itself, so that one cannot fail the others.
            Err(_) => {
                for waiting in batch {
                    let result = alone(&writer, &waiting).await;
                    if result.is_ok() {
                        syncs.fetch_add(1, Ordering::Relaxed);
                    }
                    give(waiting.answer, result);
                }
            }
        }
    }
}

async fn alone(writer: &SqlitePool, waiting: &Waiting) -> Answer {
    let mut held = writer.acquire().await?;
    let result = write(&mut held, std::slice::from_ref(waiting)).await;
    if result.is_err() {
        held.close_on_drop();
    }
    Ok(result?.first().copied().unwrap_or(Committed::Overtaken))
}

async fn write(connection: &mut SqliteConnection, batch: &[Waiting]) -> Result<Vec<Committed>, StoreError> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    let mut results = Vec::with_capacity(batch.len());
    for waiting in batch {
        let mut savepoint = transaction.begin().await?;
        let committed = commit_on_sqlite(&mut savepoint, &waiting.commit).await?;
        match committed {
            Committed::Done => savepoint.commit().await?,
            Committed::Overtaken => savepoint.rollback().await?,
        }
        results.push(committed);
    }
    transaction.commit().await?;
    Ok(results)
}

/// Whoever asked may be gone; what was written stays written.
fn give(answer: oneshot::Sender<Answer>, result: Answer) {
    drop(answer.send(result));
}
