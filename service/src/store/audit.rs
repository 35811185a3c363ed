//! The audit: rows that are only added, each with the hash of the one before it.

use sha2::{Digest as _, Sha256};
use sqlx::Connection as _;
use uuid::Uuid;

use super::database::{Database, for_both, snapshot};
use super::maintenance::open_to_read;
use super::notes::Note;
use super::{Commit, Committed, Store, StoreError, column, postgres};
use crate::audit::{AuditAction, AuditEvent, exam_id};
use crate::clinic::{Clinic, Reach};
use crate::config::StorePlace;
use crate::intake::hex;

/// How many rows are looked at together when the chain is checked.
const STEP: i64 = 1000;

/// A row of the audit.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct AuditRow {
    /// Its number, from 1 without a gap.
    pub seq: i64,
    /// The id of the AuditEvent.
    pub id: String,
    /// When, in milliseconds since 1970.
    pub at: i64,
    /// The AuditEvent, byte for byte.
    pub body: String,
    clinic: String,
    exam: String,
    action: String,
    previous: String,
    hash: String,
}

impl AuditRow {
    /// The hash of everything in the row and of the row before it. No part holds a line feed, so none can run over into
    /// the next.
    fn digest(&self) -> String {
        let mut digest = Sha256::new();
        let (seq, at) = (self.seq.to_string(), self.at.to_string());
        for part in [&self.previous, &seq, &self.id, &at, &self.clinic, &self.exam, &self.action, &self.body]
        {
            digest.update(part.as_bytes());
            digest.update(b"\n");
        }
        hex(&digest.finalize())
    }
}

/// What is looked for in the audit. What is left out is not looked at.
#[derive(Debug, Clone, Default)]
pub struct AuditSearch {
    /// These ids.
    pub ids: Option<Vec<String>>,
    /// About this resource, as `Type/id`, or about the exam that it belongs to.
    pub about: Option<String>,
    /// Recorded within each of these: from the first on, before the second, in milliseconds since 1970.
    pub within: Vec<(Option<i64>, Option<i64>)>,
    /// How many to give.
    pub count: u32,
    /// Those with a smaller number than this.
    pub before: Option<i64>,
}

/// What a check of the chain found.
#[derive(Debug)]
pub struct ChainCheck {
    /// The number of rows that are in order, from the first on.
    pub sound: i64,
    /// The hash of the last of them.
    pub hash: String,
    /// The first fault: the number of the row, and what is wrong.
    pub fault: Option<(i64, &'static str)>,
}

/// The events of a commit: what each exam became by it.
pub(super) fn events(commit: &Commit) -> Vec<AuditEvent> {
    let mut events = commit.events.clone();
    for exam in &commit.exams {
        let written = |derived| {
            let writes = exam.writes.iter().filter(move |write| write.derived == derived);
            writes.map(|write| format!("{}/{}", write.resource_type, write.id)).collect::<Vec<_>>()
        };
        let (handed_in, derived) = (written(false), written(true));
        let handed_in_as = match exam.seen_version {
            _ if exam.withdraws => AuditAction::Withdraw,
            0 => AuditAction::Accept,
            _ => AuditAction::Correct,
        };
        for (action, about) in [(handed_in_as, handed_in), (AuditAction::Derive, derived)] {
            if about.is_empty() {
                continue;
            }
            let who = commit.caller.as_deref().filter(|_| action != AuditAction::Derive);
            events.push(AuditEvent {
                exam: Some(exam_id(&exam.key.0)),
                about,
                ..AuditEvent::of(action, who)
            });
        }
    }
    events
}

impl Store {
    /// Keeps events that nothing else is written with, such as that somebody read. Those that come together share one
    /// synchronisation of the disk.
    ///
    /// # Errors
    /// When the store cannot write; what the events tell of must not take place then.
    pub async fn note(
        &self,
        events: Vec<AuditEvent>,
        clinic: Option<&Clinic>,
        at: i64,
    ) -> Result<(), StoreError> {
        if let Database::Postgres(database) = &self.database {
            let clinic = column(clinic).to_owned();
            return database.notes.write(Note { events, clinic, at }).await;
        }
        let commit = Commit { events, clinic: clinic.cloned(), at, ..Commit::default() };
        match self.commit(commit).await? {
            Committed::Done => Ok(()),
            Committed::Overtaken => Err(StoreError::Unavailable { reason: "the audit is busy" }),
        }
    }

    /// The events that are looked for, the newest first, and how many there are of them.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn audited(
        &self,
        search: &AuditSearch,
        reach: &Reach,
    ) -> Result<(Vec<AuditRow>, u64), StoreError> {
        snapshot!(self, connection => {
            let exam: Option<String> = match search.about.as_ref().and_then(|about| about.split_once('/')) {
                None => None,
                Some((resource_type, id)) => {
                    sqlx::query_scalar(
                        "SELECT exam FROM resources
                         WHERE type = $1 AND id = $2 AND current = 1 AND ($3 IS NULL OR clinic = $3)",
                    )
                        .bind(resource_type)
                        .bind(id)
                        .bind(reach.only())
                        .fetch_optional(&mut *connection)
                        .await?
                }
            };
            let exam = exam.map(|key| exam_id(&key).to_string());
            let mut count = sqlx::QueryBuilder::new("SELECT count(*) FROM audit WHERE 1 = 1");
            let mut page = sqlx::QueryBuilder::new("SELECT seq, id, at, clinic, exam, action, body, previous, hash FROM audit WHERE 1 = 1");
            for query in [&mut count, &mut page] {
                if let Some(clinic) = reach.only() {
                    query.push(" AND clinic = ").push_bind(clinic);
                }
                if let Some(about) = &search.about {
                    // A reference holds no character that LIKE reads in another way.
                    query.push(" AND (body LIKE ").push_bind(format!("%\"{about}\"%"));
                    if let Some(exam) = &exam {
                        query.push(" OR exam = ").push_bind(exam.clone());
                    }
                    query.push(")");
                }
                if let Some(ids) = &search.ids {
                    query.push(" AND id IN (");
                    let mut list = query.separated(", ");
                    for id in ids {
                        list.push_bind(id.clone());
                    }
                    query.push(")");
                }
                for (from, until) in &search.within {
                    if let Some(from) = from {
                        query.push(" AND at >= ").push_bind(*from);
                    }
                    if let Some(until) = until {
                        query.push(" AND at < ").push_bind(*until);
                    }
                }
            }
            if let Some(before) = search.before {
                page.push(" AND seq < ").push_bind(before);
            }
            page.push(" ORDER BY seq DESC LIMIT ").push_bind(i64::from(search.count));
            let total: i64 = count.build_query_scalar().fetch_one(&mut *connection).await?;
            let rows = page.build_query_as().fetch_all(&mut *connection).await?;
            Ok((rows, u64::try_from(total).unwrap_or(0)))
        })
    }
}

/// Checks the chain of a store that a service may have open.
///
/// # Errors
/// When the store cannot be opened or read.
pub async fn check_chain(place: &StorePlace) -> Result<ChainCheck, StoreError> {
    match place {
        StorePlace::Sqlite(path) => {
            let mut connection = open_to_read(path).await?;
            let mut moment = connection.begin().await?;
            on_sqlite::check(&mut moment).await
        }
        StorePlace::Postgres(server) => {
            let mut connection = postgres::connect(server).await?;
            let mut moment =
                connection.begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY").await?;
            on_postgres::check(&mut moment).await
        }
    }
}

/// A connection within a transaction that events are added in.
pub(super) trait Chain {
    /// Adds events at the end of the chain. It holds the end until the transaction is over, so it comes last in one.
    async fn append(&mut self, events: &[AuditEvent], clinic: &str, at: i64) -> sqlx::Result<()>;
}

for_both! {
    impl Chain for Connection {
        async fn append(&mut self, events: &[AuditEvent], clinic: &str, at: i64) -> sqlx::Result<()> {
            append(self, events, clinic, at).await
        }
    }

    async fn append(
        connection: &mut Connection,
        events: &[AuditEvent],
        clinic: &str,
        at: i64,
    ) -> sqlx::Result<()> {
        if events.is_empty() {
            return Ok(());
        }
        let number = i64::try_from(events.len()).unwrap_or(i64::MAX);
        let (end, mut previous): (i64, String) = sqlx::query_as(
            "UPDATE audit_head SET seq = seq + $1 WHERE \"only\" = 1 RETURNING seq, hash",
        )
        .bind(number)
        .fetch_one(&mut *connection)
        .await?;
        for (seq, event) in (end - number + 1..).zip(events) {
            let id = Uuid::new_v4();
            let mut row = AuditRow {
                seq,
                id: id.to_string(),
                at,
                body: event.body(id, at).to_string(),
                clinic: clinic.to_owned(),
                exam: event.exam.map(|exam| exam.to_string()).unwrap_or_default(),
                action: event.action.word().to_owned(),
                previous,
                hash: String::new(),
            };
            row.hash = row.digest();
            sqlx::query(
                "INSERT INTO audit (seq, id, at, clinic, exam, action, body, previous, hash)
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            )
            .bind(row.seq)
            .bind(&row.id)
            .bind(row.at)
            .bind(&row.clinic)
            .bind(&row.exam)
            .bind(&row.action)
            .bind(&row.body)
            .bind(&row.previous)
            .bind(&row.hash)
            .execute(&mut *connection)
            .await?;
            previous = row.hash;
        }
        sqlx::query("UPDATE audit_head SET hash = $1 WHERE \"only\" = 1")
            .bind(&previous)
            .execute(connection)
            .await?;
        Ok(())
    }

    pub(super) async fn check(connection: &mut Connection) -> Result<ChainCheck, StoreError> {
        let head: Option<(i64, String)> =
            sqlx::query_as("SELECT seq, hash FROM audit_head WHERE \"only\" = 1")
                .fetch_optional(&mut *connection)
                .await?;
        let mut check = ChainCheck { sound: 0, hash: String::new(), fault: None };
        loop {
            let rows: Vec<AuditRow> = sqlx::query_as(
                "SELECT seq, id, at, clinic, exam, action, body, previous, hash FROM audit
                 WHERE seq > $1 ORDER BY seq LIMIT $2",
            )
            .bind(check.sound)
            .bind(STEP)
            .fetch_all(&mut *connection)
            .await?;
            if rows.is_empty() {
                break;
            }
            for row in rows {
                let next = check.sound + 1;
                let fault = if row.seq != next {
                    Some("it is missing")
                } else if row.previous != check.hash {
                    Some("it does not follow the one before it")
                } else if row.digest() != row.hash {
                    Some("it was changed")
                } else {
                    None
                };
                if let Some(fault) = fault {
                    check.fault = Some((next, fault));
                    return Ok(check);
                }
                (check.sound, check.hash) = (row.seq, row.hash);
            }
        }
        if head.as_ref() != Some(&(check.sound, check.hash.clone())) {
            check.fault = Some((check.sound + 1, "the end is not where it was noted: events are missing or were added"));
        }
        Ok(check)
    }
}
