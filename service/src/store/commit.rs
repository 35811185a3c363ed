//! The one transaction of an accepted submission: resources, assessment, outbox row and idempotency key together.

use serde_json::Value;
use solewire_profiles::ExamKey;
use sqlx::{Sqlite, Transaction};

use super::exams::{EARLIER, LATER};
use super::{KeyedAnswer, Store, StoreError, TokenMatch, index};

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
    /// The encounter.
    pub encounter: Option<String>,
    /// `system|value` of its panel, if it has one by now.
    pub panel_identifier: Option<String>,
    /// The new versions of its resources.
    pub writes: Vec<ResourceWrite>,
    /// What to forward; none when nothing is forwarded.
    pub payload: Option<String>,
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
    /// The exams that change.
    pub exams: Vec<ExamChange>,
    /// What the exams were held against, as it was seen.
    pub seen_earlier: Vec<SeenEarlier>,
    /// The later exams that the change bears on, as they were seen.
    pub seen_later: Vec<SeenLater>,
    /// Identifiers that no current resource of the type may have yet (conditional create).
    pub must_be_absent: Vec<(String, TokenMatch)>,
    /// The key the submission came with, and its answer.
    pub idempotency: Option<KeyedAnswer>,
    /// The instant, in milliseconds since 1970.
    pub at: i64,
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
    pub async fn commit(&self, commit: &Commit) -> Result<Committed, StoreError> {
        let mut transaction = self.writer.begin_with("BEGIN IMMEDIATE").await?;
        for (resource_type, token) in &commit.must_be_absent {
            let sql = "SELECT count(*) FROM search_values JOIN resources ON row = resource
                       WHERE name = 'identifier' AND type = ? AND value = ? AND system = ?";
            let found: i64 = sqlx::query_scalar(sql)
                .bind(resource_type)
                .bind(token.value.as_deref().unwrap_or_default())
                .bind(token.system.as_deref().unwrap_or_default())
                .fetch_one(&mut *transaction)
                .await?;
            if found > 0 {
                return Ok(Committed::Overtaken);
            }
        }
        for seen in &commit.seen_earlier {
            if !still_as_seen(&mut transaction, seen).await? {
                return Ok(Committed::Overtaken);
            }
        }
        for seen in &commit.seen_later {
            if !still_followed_as_seen(&mut transaction, seen).await? {
                return Ok(Committed::Overtaken);
            }
        }
        for exam in &commit.exams {
            if !write_exam(&mut transaction, exam, commit.at).await? {
                return Ok(Committed::Overtaken);
            }
        }
        if let Some(keyed) = &commit.idempotency {
            let written = sqlx::query(
                "INSERT INTO idempotency (key, caller, body_hash, answer, created) VALUES (?, ?, ?, ?, ?)
                 ON CONFLICT DO NOTHING",
            )
            .bind(&keyed.key)
            .bind(&keyed.caller)
            .bind(&keyed.body_hash)
            .bind(&keyed.answer)
            .bind(commit.at)
            .execute(&mut *transaction)
            .await?;
            if written.rows_affected() == 0 {
                return Ok(Committed::Overtaken);
            }
        }
        transaction.commit().await?;
        Ok(Committed::Done)
    }
}

/// Whether the earlier exams of a person are the same, in the same versions.
async fn still_as_seen(
    transaction: &mut Transaction<'_, Sqlite>,
    seen: &SeenEarlier,
) -> Result<bool, StoreError> {
    let rows: Vec<(String, i64)> = sqlx::query_as(EARLIER)
        .bind(&seen.subject)
        .bind(&seen.key.0)
        .bind(seen.before)
        .fetch_all(&mut **transaction)
        .await?;
    Ok(rows.into_iter().map(|(key, version)| (ExamKey(key), version)).eq(seen.exams.iter().cloned()))
}

/// Whether the later exams of a person are the same, in the same versions.
async fn still_followed_as_seen(
    transaction: &mut Transaction<'_, Sqlite>,
    seen: &SeenLater,
) -> Result<bool, StoreError> {
    let rows: Vec<(String, i64, Option<String>)> =
        sqlx::query_as(LATER).bind(&seen.subject).bind(seen.from).fetch_all(&mut **transaction).await?;
    Ok(rows.into_iter().map(|(key, version, _)| (ExamKey(key), version)).eq(seen.exams.iter().cloned()))
}

/// Whether the exam was still as it had been seen.
async fn write_exam(
    transaction: &mut Transaction<'_, Sqlite>,
    exam: &ExamChange,
    at: i64,
) -> Result<bool, StoreError> {
    let version = exam.seen_version + 1;
    let written = if exam.seen_version == 0 {
        sqlx::query(
            "INSERT INTO exams (key, subject, encounter, panel_identifier, version, created, updated)
             VALUES (?, ?, ?, ?, 1, ?, ?) ON CONFLICT DO NOTHING",
        )
        .bind(&exam.key.0)
        .bind(&exam.subject)
        .bind(&exam.encounter)
        .bind(&exam.panel_identifier)
        .bind(at)
        .bind(at)
        .execute(&mut **transaction)
        .await?
    } else {
        sqlx::query(
            // A correction can say that the exam was made of another person.
            "UPDATE exams SET subject = ?, version = ?, updated = ?, panel_identifier = coalesce(panel_identifier, ?),
                              encounter = coalesce(encounter, ?)
             WHERE key = ? AND version = ?",
        )
        .bind(&exam.subject)
        .bind(version)
        .bind(at)
        .bind(&exam.panel_identifier)
        .bind(&exam.encounter)
        .bind(&exam.key.0)
        .bind(exam.seen_version)
        .execute(&mut **transaction)
        .await?
    };
    if written.rows_affected() == 0 {
        return Ok(false);
    }
    for write in &exam.writes {
        if !write_resource(transaction, exam, write, at).await? {
            return Ok(false);
        }
    }
    if let Some(payload) = &exam.payload {
        sqlx::query(
            "INSERT INTO outbox (exam, exam_version, payload, state, due, created, updated)
             VALUES (?, ?, ?, 'pending', ?, ?, ?)",
        )
        .bind(&exam.key.0)
        .bind(version)
        .bind(payload)
        .bind(at)
        .bind(at)
        .bind(at)
        .execute(&mut **transaction)
        .await?;
    }
    Ok(true)
}

/// Whether this version was not there yet.
async fn write_resource(
    transaction: &mut Transaction<'_, Sqlite>,
    exam: &ExamChange,
    write: &ResourceWrite,
    at: i64,
) -> Result<bool, StoreError> {
    sqlx::query("DELETE FROM search_values WHERE resource IN (SELECT row FROM resources WHERE type = ? AND id = ? AND current = 1)")
        .bind(&write.resource_type)
        .bind(&write.id)
        .execute(&mut **transaction)
        .await?;
    sqlx::query("UPDATE resources SET current = 0 WHERE type = ? AND id = ? AND current = 1")
        .bind(&write.resource_type)
        .bind(&write.id)
        .execute(&mut **transaction)
        .await?;
    let indexed = index::index(&write.body);
    let row: Option<i64> = sqlx::query_scalar(
        "INSERT INTO resources (type, id, version, exam, derived, current, body, updated, status, date_low, date_high)
         VALUES (?, ?, ?, ?, ?, 1, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING RETURNING row",
    )
    .bind(&write.resource_type)
    .bind(&write.id)
    .bind(write.version)
    .bind(&exam.key.0)
    .bind(write.derived)
    .bind(&write.text)
    .bind(at)
    .bind(&indexed.status)
    .bind(indexed.date.map(|span| span.low))
    .bind(indexed.date.map(|span| span.high))
    .fetch_optional(&mut **transaction)
    .await?;
    let Some(row) = row else { return Ok(false) };
    for entry in &indexed.entries {
        sqlx::query("INSERT INTO search_values (resource, name, system, value) VALUES (?, ?, ?, ?)")
            .bind(row)
            .bind(entry.name)
            .bind(&entry.system)
            .bind(&entry.value)
            .execute(&mut **transaction)
            .await?;
    }
    Ok(true)
}
