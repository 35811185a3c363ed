//! The one transaction of an accepted submission: resources, assessment, outbox row and idempotency key together.

use std::collections::HashMap;

use serde_json::Value;
use solewire_profiles::ExamKey;

use super::audit::{Chain as _, events};
use super::database::{Database, for_both};
use super::exams::{EARLIER, ExamRow, LATER, MATCHING};
use super::index::Indexed;
use super::{DeviceResults, KeyedAnswer, Span, Store, StoreError, TokenMatch, column, index, postgres};
use crate::audit::AuditEvent;
use crate::clinic::Clinic;
use crate::traces::Context;

/// How many rows go into one statement. A statement is kept prepared for each number of rows up to it, and it stays
/// below any limit of bound values.
const ROWS: usize = 24;

/// What is delivered first. Versions of one exam keep their order all the same.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Priority {
    /// Most exams.
    #[default]
    Usual,
    /// A high category.
    High,
    /// An active problem, or a referral that is pressing.
    Active,
}

/// A new version of a resource.
#[derive(Debug, Clone)]
pub struct ResourceWrite {
    /// Its type.
    pub resource_type: String,
    /// Its id.
    pub id: String,
    /// Its new version, from 1.
    pub version: i64,
    /// Whether it was derived here.
    pub derived: bool,
    /// What to store, byte for byte.
    pub text: String,
    /// The same, parsed.
    pub body: Value,
}

/// What changes about one exam.
#[derive(Debug, Clone)]
pub struct ExamChange {
    /// What names it.
    pub key: ExamKey,
    /// The version it was seen at; 0 for a new one.
    pub seen_version: i64,
    /// The person.
    pub subject: String,
    /// The person that it was made of until now, when a correction names another one.
    pub subject_before: Option<String>,
    /// The encounter.
    pub encounter: Option<String>,
    /// `system|value` of its panel, if it has one by now.
    pub panel_identifier: Option<String>,
    /// The new versions of its resources.
    pub writes: Vec<ResourceWrite>,
    /// What to forward; none when nothing is forwarded.
    pub payload: Option<String>,
    /// How soon to forward it.
    pub priority: Priority,
    /// Whether this version withdraws the whole exam: earlier versions that have not been sent never are, and the
    /// withdrawal itself is sent only when one of them may have reached the record system.
    pub withdraws: bool,
}

/// The earlier exams of a person that an exam was held against.
#[derive(Debug, Clone)]
pub struct SeenEarlier {
    /// The person.
    pub subject: String,
    /// The exam that was held against them.
    pub key: ExamKey,
    /// When that exam was made, in milliseconds since 1970.
    pub before: i64,
    /// The earlier ones, each with the version it was seen at.
    pub exams: Vec<(ExamKey, i64)>,
}

/// The later exams of a person that a change bears on.
#[derive(Debug, Clone)]
pub struct SeenLater {
    /// The person.
    pub subject: String,
    /// From when on, in milliseconds since 1970.
    pub from: i64,
    /// The exams from then on, each with the version it was seen at.
    pub exams: Vec<(ExamKey, i64)>,
}

/// Everything that becomes true at once.
#[derive(Debug, Clone, Default)]
pub struct Commit {
    /// The clinic that all of it belongs to; none for a caller without one.
    pub clinic: Option<Clinic>,
    /// Who handed it in.
    pub caller: Option<String>,
    /// What else is kept in the audit with it.
    pub events: Vec<AuditEvent>,
    /// The exams that change.
    pub exams: Vec<ExamChange>,
    /// What the exams were held against, as it was seen.
    pub seen_earlier: Vec<SeenEarlier>,
    /// The later exams that the change bears on, as they were seen.
    pub seen_later: Vec<SeenLater>,
    /// Identifiers that no current resource of the type may have yet (conditional create).
    pub must_be_absent: Vec<(String, TokenMatch)>,
    /// Which of them are closed without a panel.
    pub closed: Vec<ExamKey>,
    /// What counts against the quota of a device.
    pub device_results: Vec<DeviceResults>,
    /// The key the submission came with, and its answer.
    pub idempotency: Option<KeyedAnswer>,
    /// Where in a trace the submission stands; what is queued with it goes on from there.
    pub trace: Option<Context>,
    /// The instant, in milliseconds since 1970.
    pub at: i64,
}

/// What the worklists show of an assessment with what follows from it.
#[derive(Debug, Clone, Copy, Default)]
struct Assessed<'w> {
    examined: Option<i64>,
    risk: Option<&'w str>,
}

/// Whether a commit took place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Committed {
    /// All of it is durable.
    Done,
    /// Something it was built on has changed meanwhile; nothing was written. Look again.
    Overtaken,
}

impl Store {
    /// Writes all of a commit or nothing of it.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn commit(&self, commit: Commit) -> Result<Committed, StoreError> {
        match &self.database {
            Database::Sqlite(database) => database.group.commit(commit).await,
            Database::Postgres(database) => {
                let mut transaction = database.pool.begin().await?;
                postgres::wait_for(&mut transaction, &locks(&commit)).await?;
                let committed = on_postgres::write(&mut transaction, &commit).await;
                let committed = match committed {
                    Ok(Committed::Done) => transaction.commit().await.map(|()| Committed::Done),
                    Ok(Committed::Overtaken) => return Ok(Committed::Overtaken),
                    Err(error) => Err(error),
                };
                committed.or_else(overtaken)
            }
        }
    }
}

/// Writes a commit within a transaction or a savepoint, which the caller rolls back unless it is done.
pub(super) async fn commit_on_sqlite(
    connection: &mut sqlx::SqliteConnection,
    commit: &Commit,
) -> Result<Committed, StoreError> {
    on_sqlite::write(connection, commit).await.or_else(overtaken)
}

/// A unique value that another commit took first, or a lock that it held, is no failure: look again.
fn overtaken(error: sqlx::Error) -> Result<Committed, StoreError> {
    let unique = error.as_database_error().is_some_and(sqlx::error::DatabaseError::is_unique_violation);
    if unique || postgres::gave_in(&error) { Ok(Committed::Overtaken) } else { Err(error.into()) }
}

/// What a commit reads or changes that another one could change at the same time. All commits about a person wait for
/// each other, so what was seen of the person's exams still holds when the commit is written. On SQLite there is one
/// writer and nothing to lock.
fn locks(commit: &Commit) -> Vec<String> {
    // A person has exams in several clinics, and those of one have no bearing on those of another.
    let clinic = column(commit.clinic.as_ref());
    let subject = |subject: &String| format!("subject {clinic} {subject}");
    let of_exams = commit.exams.iter().flat_map(|exam| exam.subject_before.iter().chain([&exam.subject]));
    let subjects = of_exams.map(subject);
    let earlier = commit.seen_earlier.iter().map(|seen| &seen.subject);
    let seen = earlier.chain(commit.seen_later.iter().map(|seen| &seen.subject));
    let seen = seen.map(subject);
    let exams = commit.exams.iter().map(|exam| format!("exam {}", exam.key.0));
    let absent = commit.must_be_absent.iter().map(|(resource_type, token)| {
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        format!("identifier {clinic} {resource_type} {} {}", text(&token.system), text(&token.value))
    });
    let keys = commit.idempotency.iter().map(|keyed| format!("key {} {}", keyed.caller, keyed.key));
    let devices = commit.device_results.iter().map(|one| format!("device {}", one.device));
    subjects.chain(seen).chain(exams).chain(absent).chain(keys).chain(devices).collect()
}

for_both! {
    pub(super) async fn write(connection: &mut Connection, commit: &Commit) -> sqlx::Result<Committed> {
        let clinic = column(commit.clinic.as_ref());
        for (resource_type, token) in &commit.must_be_absent {
            let sql = "SELECT count(*) FROM search_values JOIN resources ON row = resource
                       WHERE name = 'identifier' AND type = $1 AND value = $2 AND system = $3 AND clinic = $4";
            let found: i64 = sqlx::query_scalar(sql)
                .bind(resource_type)
                .bind(token.value.as_deref().unwrap_or_default())
                .bind(token.system.as_deref().unwrap_or_default())
                .bind(clinic)
                .fetch_one(&mut *connection)
                .await?;
            if found > 0 {
                return Ok(Committed::Overtaken);
            }
        }
        for seen in &commit.seen_earlier {
            if !still_as_seen(connection, seen, clinic).await? {
                return Ok(Committed::Overtaken);
            }
        }
        for seen in &commit.seen_later {
            if !still_followed_as_seen(connection, seen, clinic).await? {
                return Ok(Committed::Overtaken);
            }
        }
        for exam in &commit.exams {
            if !write_exam(connection, exam, clinic, commit).await? {
                return Ok(Committed::Overtaken);
            }
        }
        for key in &commit.closed {
            sqlx::query("UPDATE exams SET closed = $1 WHERE key = $2")
                .bind(commit.at)
                .bind(&key.0)
                .execute(&mut *connection)
                .await?;
        }
        for results in &commit.device_results {
            if !within_quota(connection, results).await? {
                return Ok(Committed::Overtaken);
            }
        }
        if let Some(keyed) = &commit.idempotency {
            let written = sqlx::query(
                "INSERT INTO idempotency (key, caller, body_hash, answer, created) VALUES ($1, $2, $3, $4, $5)
                 ON CONFLICT DO NOTHING",
            )
            .bind(&keyed.key)
            .bind(&keyed.caller)
            .bind(&keyed.body_hash)
            .bind(&keyed.answer)
            .bind(commit.at)
            .execute(&mut *connection)
            .await?;
            if written.rows_affected() == 0 {
                return Ok(Committed::Overtaken);
            }
        }
        connection.append(&events(commit), clinic, commit.at).await?;
        Ok(Committed::Done)
    }

    /// Whether the earlier exams of a person are the same, in the same versions.
    async fn still_as_seen(
        connection: &mut Connection,
        seen: &SeenEarlier,
        clinic: &str,
    ) -> sqlx::Result<bool> {
        let rows: Vec<(String, i64)> = sqlx::query_as(EARLIER)
            .bind(&seen.subject)
            .bind(&seen.key.0)
            .bind(seen.before)
            .bind(clinic)
            .fetch_all(connection)
            .await?;
        Ok(rows.into_iter().map(|(key, version)| (ExamKey(key), version)).eq(seen.exams.iter().cloned()))
    }

    /// Whether the later exams of a person are the same, in the same versions.
    async fn still_followed_as_seen(
        connection: &mut Connection,
        seen: &SeenLater,
        clinic: &str,
    ) -> sqlx::Result<bool> {
        let rows: Vec<(String, i64, Option<String>, Option<i64>)> =
            sqlx::query_as(LATER)
                .bind(&seen.subject)
                .bind(seen.from)
                .bind(clinic)
                .fetch_all(connection)
                .await?;
        Ok(rows.into_iter().map(|(key, version, ..)| (ExamKey(key), version)).eq(seen.exams.iter().cloned()))
    }

    /// Counts what came from a device, unless that is more than its day may have.
    async fn within_quota(connection: &mut Connection, results: &DeviceResults) -> sqlx::Result<bool> {
        // A day that is over is asked about no more.
        sqlx::query("DELETE FROM device_days WHERE device = $1 AND day < $2")
            .bind(&results.device)
            .bind(results.day)
            .execute(&mut *connection)
            .await?;
        let written = sqlx::query(
            "INSERT INTO device_days (device, day, results) VALUES ($1, $2, $3)
             ON CONFLICT (device, day) DO UPDATE SET results = device_days.results + excluded.results
             WHERE device_days.results + excluded.results <= $4",
        )
        .bind(&results.device)
        .bind(results.day)
        .bind(results.results)
        .bind(results.most)
        .execute(&mut *connection)
        .await?;
        Ok(written.rows_affected() > 0)
    }

    /// Whether the exam was still as it had been seen.
    async fn write_exam(
        connection: &mut Connection,
        exam: &ExamChange,
        clinic: &str,
        commit: &Commit,
    ) -> sqlx::Result<bool> {
        let at = commit.at;
        let version = exam.seen_version + 1;
        let queued = i64::from(exam.payload.is_some());
        let written = if exam.seen_version == 0 {
            // Its first result and its panel may come at once. Each looks for the other, and only one begins the exam.
            let meanwhile: Option<ExamRow> = sqlx::query_as(MATCHING)
                .bind(&exam.key.0)
                .bind(&exam.panel_identifier)
                .bind(&exam.encounter)
                .bind(&exam.subject)
                .bind(clinic)
                .fetch_optional(&mut *connection)
                .await?;
            if meanwhile.is_some() {
                return Ok(false);
            }
            sqlx::query(
                "INSERT INTO exams (key, subject, encounter, panel_identifier, version, created, updated, queued, clinic)
                 VALUES ($1, $2, $3, $4, 1, $5, $5, $6, $7) ON CONFLICT DO NOTHING",
            )
            .bind(&exam.key.0)
            .bind(&exam.subject)
            .bind(&exam.encounter)
            .bind(&exam.panel_identifier)
            .bind(at)
            .bind(queued)
            .bind(clinic)
            .execute(&mut *connection)
            .await?
        } else {
            sqlx::query(
                // A correction can say that the exam was made of another person.
                "UPDATE exams SET version = $1, updated = $2, queued = queued + $3, subject = $8,
                                  panel_identifier = coalesce(panel_identifier, $4),
                                  encounter = coalesce(encounter, $5)
                 WHERE key = $6 AND version = $7 AND clinic = $9",
            )
            .bind(version)
            .bind(at)
            .bind(queued)
            .bind(&exam.panel_identifier)
            .bind(&exam.encounter)
            .bind(&exam.key.0)
            .bind(exam.seen_version)
            .bind(&exam.subject)
            .bind(clinic)
            .execute(&mut *connection)
            .await?
        };
        if written.rows_affected() == 0 {
            return Ok(false);
        }
        for write in exam.writes.iter().filter(|write| write.version > 1) {
            supersede(connection, write, clinic).await?;
        }
        let indexed: Vec<(&ResourceWrite, Indexed)> =
            exam.writes.iter().map(|write| (write, index::index(&write.body))).collect();
        let assessed = indexed.iter().filter_map(|(write, indexed)| {
            let listed = indexed.listed.as_ref().filter(|listed| listed.follows.is_none())?;
            Some((write.id.as_str(), Assessed { examined: indexed.date.map(|date| date.low), risk: listed.risk.as_deref() }))
        });
        let assessed: HashMap<&str, Assessed<'_>> = assessed.collect();
        for writes in indexed.chunks(ROWS) {
            if !write_resources(connection, exam, writes, &assessed, clinic, at).await? {
                return Ok(false);
            }
        }
        if exam.seen_version > 0 {
            settle_listed(connection, exam, clinic).await?;
        }
        for subject in exam.subject_before.iter().chain([&exam.subject]) {
            settle_open(connection, subject, clinic).await?;
        }
        if let Some(payload) = &exam.payload {
            queue(connection, exam, version, payload, clinic, commit).await?;
        }
        Ok(true)
    }

    async fn queue(
        connection: &mut Connection,
        exam: &ExamChange,
        version: i64,
        payload: &str,
        clinic: &str,
        commit: &Commit,
    ) -> sqlx::Result<()> {
        let at = commit.at;
        let mut state = "pending";
        if exam.withdraws {
            // What may have arrived and is not known to have is replaced by the withdrawal, which holds either way.
            sqlx::query(
                "UPDATE outbox SET state = 'withdrawn', updated = $2
                 WHERE exam = $1 AND state IN ('pending', 'unknown-outcome', 'parked')",
            )
            .bind(&exam.key.0)
            .bind(at)
            .execute(&mut *connection)
            .await?;
            let reached: i64 = sqlx::query_scalar(
                "SELECT count(*) FROM outbox WHERE exam = $1 AND (reached = 1 OR state = 'sending')",
            )
            .bind(&exam.key.0)
            .fetch_one(&mut *connection)
            .await?;
            if reached == 0 {
                state = "withdrawn";
            }
        }
        let delivery: i64 = sqlx::query_scalar(
            "INSERT INTO outbox (exam, exam_version, state, priority, withdrawal, due, created, updated, clinic,
                                 traceparent, tracestate)
             VALUES ($1, $2, $3, $4, $5, $6, $6, $6, $7, $8, $9) RETURNING id",
        )
        .bind(&exam.key.0)
        .bind(version)
        .bind(state)
        .bind(match exam.priority {
            Priority::Usual => 0_i64,
            Priority::High => 1,
            Priority::Active => 2,
        })
        .bind(i64::from(exam.withdraws))
        .bind(at)
        .bind(clinic)
        .bind(commit.trace.as_ref().map(Context::header))
        .bind(commit.trace.as_ref().and_then(Context::state))
        .fetch_one(&mut *connection)
        .await?;
        sqlx::query("INSERT INTO messages (delivery, payload) VALUES ($1, $2)")
            .bind(delivery)
            .bind(payload)
            .execute(&mut *connection)
            .await?;
        Ok(())
    }

    /// Takes the version before this one out of what is searched and listed.
    async fn supersede(connection: &mut Connection, write: &ResourceWrite, clinic: &str) -> sqlx::Result<()> {
        for superseding in [
            "DELETE FROM search_values
             WHERE resource IN (
                SELECT row FROM resources WHERE type = $1 AND id = $2 AND current = 1 AND clinic = $3)",
            "DELETE FROM worklist
             WHERE resource IN (
                SELECT row FROM resources WHERE type = $1 AND id = $2 AND current = 1 AND clinic = $3)",
            "UPDATE resources SET current = 0 WHERE type = $1 AND id = $2 AND current = 1 AND clinic = $3",
        ] {
            sqlx::query(superseding)
                .bind(&write.resource_type)
                .bind(&write.id)
                .bind(clinic)
                .execute(&mut *connection)
                .await?;
        }
        Ok(())
    }

    /// Whether none of these versions was there yet.
    async fn write_resources(
        connection: &mut Connection,
        exam: &ExamChange,
        writes: &[(&ResourceWrite, Indexed)],
        assessed: &HashMap<&str, Assessed<'_>>,
        clinic: &str,
        at: i64,
    ) -> sqlx::Result<bool> {
        let mut insert = sqlx::QueryBuilder::<Kind>::new(
            "INSERT INTO resources (type, id, version, exam, derived, current, body, updated, status, date_low, date_high,
                                    clinic) ",
        );
        insert.push_values(writes, |mut row, (write, indexed)| {
            row.push_bind(&write.resource_type).push_bind(&write.id).push_bind(write.version);
            row.push_bind(&exam.key.0).push_bind(i64::from(write.derived)).push_bind(1_i64);
            row.push_bind(&write.text).push_bind(at).push_bind(&indexed.status);
            row.push_bind(indexed.date.map(|span| span.low)).push_bind(indexed.date.map(|span| span.high));
            row.push_bind(clinic);
        });
        insert.push(" ON CONFLICT DO NOTHING RETURNING row, type, id");
        let written: Vec<(i64, String, String)> = insert.build_query_as().fetch_all(&mut *connection).await?;
        if written.len() != writes.len() {
            return Ok(false);
        }
        // RETURNING promises no order.
        let rows: HashMap<(&str, &str), i64> = written
            .iter()
            .map(|(row, resource_type, id)| ((resource_type.as_str(), id.as_str()), *row))
            .collect();
        let row_of = |write: &ResourceWrite| rows.get(&(write.resource_type.as_str(), write.id.as_str())).copied();
        let mut values = Vec::new();
        let mut listed = Vec::new();
        for (write, indexed) in writes {
            let Some(row) = row_of(write) else { return Ok(false) };
            values.extend(indexed.entries.iter().map(|entry| (row, entry)));
            listed.extend(indexed.listed.as_ref().map(|listed| (row, *write, indexed, listed)));
        }
        for part in values.chunks(ROWS) {
            let mut insert =
                sqlx::QueryBuilder::<Kind>::new("INSERT INTO search_values (resource, name, system, value) ");
            insert.push_values(part, |mut values, (row, entry)| {
                values.push_bind(*row).push_bind(entry.name).push_bind(&entry.system).push_bind(&entry.value);
            });
            insert.build().execute(&mut *connection).await?;
        }
        for part in listed.chunks(ROWS) {
            let mut insert = sqlx::QueryBuilder::<Kind>::new(
                "INSERT INTO worklist (resource, kind, exam, subject, clinic, assessment, status, guideline, urgency, risk,
                                       examined, date_low, date_high, open) ",
            );
            insert.push_values(part, |mut values, (row, write, indexed, listed)| {
                let date = indexed.date.unwrap_or(Span { low: i64::MIN, high: i64::MAX });
                let assessment = listed.follows.as_ref().unwrap_or(&write.id);
                let assessed = assessed.get(assessment.as_str()).copied().unwrap_or_default();
                let asks = matches!(indexed.status.as_deref(), Some("active" | "preliminary"));
                values.push_bind(*row).push_bind(listed.kind).push_bind(&exam.key.0);
                values.push_bind(&exam.subject).push_bind(clinic).push_bind(assessment).push_bind(&indexed.status);
                values.push_bind(listed.guideline.as_deref().unwrap_or_default()).push_bind(listed.urgency);
                values.push_bind(assessed.risk.unwrap_or_default()).push_bind(assessed.examined);
                // Most exams are the latest of their person, and settled they are in any case.
                values.push_bind(date.low).push_bind(date.high).push_bind(i64::from(asks));
            });
            insert.build().execute(&mut *connection).await?;
        }
        Ok(true)
    }

    /// What an exam asks for stands with its assessment of now, also where it was not written anew with it.
    async fn settle_listed(
        connection: &mut Connection,
        exam: &ExamChange,
        clinic: &str,
    ) -> sqlx::Result<()> {
        sqlx::query(
            "UPDATE worklist SET subject = $2, examined = assessed.examined, risk = assessed.risk
             FROM (SELECT assessment, examined, risk FROM worklist WHERE kind = 'assessment') AS assessed
             WHERE assessed.assessment = worklist.assessment AND clinic = $3
               AND resource IN (SELECT row FROM resources WHERE exam = $1 AND current = 1)
               AND (subject <> $2 OR worklist.examined IS DISTINCT FROM assessed.examined
                    OR worklist.risk <> assessed.risk)",
        )
        .bind(&exam.key.0)
        .bind(&exam.subject)
        .bind(clinic)
        .execute(connection)
        .await?;
        Ok(())
    }

    /// The latest exam of a person in a clinic asks for something, and no earlier one does.
    async fn settle_open(connection: &mut Connection, subject: &str, clinic: &str) -> sqlx::Result<()> {
        sqlx::query(
            "UPDATE worklist SET open = 1 - open
             FROM (SELECT max(examined) AS examined FROM worklist
                   WHERE subject = $1 AND clinic = $2 AND kind = 'assessment' AND status <> 'entered-in-error') AS latest
             WHERE subject = $1 AND clinic = $2
               AND open <> CASE WHEN status IN ('active', 'preliminary') AND worklist.examined >= latest.examined
                                THEN 1 ELSE 0 END",
        )
        .bind(subject)
        .bind(clinic)
        .execute(connection)
        .await?;
        Ok(())
    }
}
