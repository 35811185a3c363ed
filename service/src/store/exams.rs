//! Finding the exam that new resources belong to.

use serde_json::Value;
use solewire_profiles::{ExamKey, SubmittedExam};

use super::database::reading;
use super::{Store, StoreError, Version, column};
use crate::clinic::{Clinic, Reach};

/// An exam with the current versions of its resources.
#[derive(Debug, Clone)]
pub struct StoredExam {
    /// What names it, for good.
    pub key: ExamKey,
    /// The person, in the form of [`SubmittedExam::subject`].
    pub subject: String,
    /// How often it was changed, from 1.
    pub version: i64,
    /// `system|value` of its panel, once it has one.
    pub panel_identifier: Option<String>,
    /// Whether it was closed without a panel, because no more results came.
    pub closed: bool,
    /// The clinic that it belongs to.
    pub clinic: Option<Clinic>,
    /// Its resources, submitted and derived, in the order they first came.
    pub resources: Vec<StoredResource>,
}

/// The current version of a resource.
#[derive(Debug, Clone)]
pub struct StoredResource {
    /// Its type.
    pub resource_type: String,
    /// Its id.
    pub id: String,
    /// Its version, from 1.
    pub version: i64,
    /// When that version was stored, in milliseconds since 1970.
    pub updated: i64,
    /// Whether it was derived here rather than submitted.
    pub derived: bool,
    /// Its body as stored.
    pub text: String,
    /// The same, parsed.
    pub body: Value,
}

/// An exam of the same person that was made before another one.
#[derive(Debug, Clone)]
pub struct EarlierExam {
    /// What names it.
    pub key: ExamKey,
    /// How often it was changed, from 1.
    pub version: i64,
    /// Its submitted resources, in the order they first came.
    pub resources: Vec<Value>,
}

/// The exams of a person in one clinic that are neither withdrawn nor made at or after an instant, the earliest first.
/// The time of an exam is that of its assessments. For SQLite a cross join says what to begin with: the exams of the person
/// and not the assessments of everybody.
pub(super) const EARLIER: &str = "SELECT exams.key, exams.version FROM exams
     CROSS JOIN resources
     WHERE exam = exams.key AND current = 1 AND derived = 1 AND type = 'RiskAssessment'
       AND subject = $1 AND exams.clinic = $4 AND exams.key <> $2 AND date_low < $3 AND status <> 'entered-in-error'
     GROUP BY exams.key ORDER BY min(date_low), exams.key";

/// The exams of a person in one clinic made at or after an instant that were not withdrawn, the earliest first.
pub(super) const LATER: &str =
    "SELECT exams.key, exams.version, exams.panel_identifier, exams.closed FROM exams
     CROSS JOIN resources
     WHERE exam = exams.key AND current = 1 AND derived = 1 AND type = 'RiskAssessment'
       AND subject = $1 AND exams.clinic = $3 AND date_low >= $2 AND status <> 'entered-in-error'
     GROUP BY exams.key ORDER BY min(date_low), exams.key";

/// The exam that one of this key ($1), panel ($2), encounter ($3), subject ($4) and clinic ($5) continues. A panel never
/// joins an exam that has another panel; a lone result joins the latest exam of its encounter.
pub(super) const MATCHING: &str = "SELECT key, subject, version, panel_identifier, closed, clinic FROM exams
     WHERE (key = $1 AND clinic = $5)
        OR ($2 IS NOT NULL AND panel_identifier = $2 AND clinic = $5)
        OR ($3 IS NOT NULL AND subject = $4 AND encounter = $3 AND clinic = $5
            AND ($2 IS NULL OR panel_identifier IS NULL))
     ORDER BY ($2 IS NOT NULL AND panel_identifier IS NOT DISTINCT FROM $2) DESC,
              (panel_identifier IS NOT NULL) DESC, (key = $1) DESC, created DESC
     LIMIT 1";

/// The current resources of an exam, in the order they first came.
macro_rules! current_resources {
    ($connection:expr, $key:expr) => {
        sqlx::query_as::<_, Version>(
            "SELECT type, id, version, updated, derived = 1 AS derived, body FROM resources AS newest
             WHERE exam = $1 AND current = 1
             ORDER BY (SELECT min(row) FROM resources AS first WHERE first.type = newest.type AND first.id = newest.id)",
        )
        .bind($key)
        .fetch_all(&mut *$connection)
        .await?
    };
}

impl Store {
    /// The exams of a person in one clinic made at or after an instant (milliseconds since 1970), the earliest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn later_exams(
        &self,
        subject: &str,
        clinic: Option<&Clinic>,
        from: i64,
    ) -> Result<Vec<StoredExam>, StoreError> {
        reading!(self, connection => {
            let rows: Vec<(String, i64, Option<String>, Option<i64>)> =
                sqlx::query_as(LATER)
                    .bind(subject)
                    .bind(from)
                    .bind(column(clinic))
                    .fetch_all(&mut *connection)
                    .await?;
            let mut exams = Vec::with_capacity(rows.len());
            for (key, version, panel, closed) in rows {
                let resources = current_resources!(connection, &key);
                let clinic = column(clinic).to_owned();
                let row = (key, subject.to_owned(), version, panel, closed, clinic);
                exams.push(stored_exam(row, resources)?);
            }
            Ok(exams)
        })
    }

    /// The exams of a person in one clinic made before an instant (milliseconds since 1970), the earliest first, without
    /// one of them.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn earlier_exams(
        &self,
        subject: &str,
        clinic: Option<&Clinic>,
        without: &ExamKey,
        before: i64,
    ) -> Result<Vec<EarlierExam>, StoreError> {
        reading!(self, connection => {
            let rows: Vec<(String, i64)> = sqlx::query_as(EARLIER)
                .bind(subject)
                .bind(&without.0)
                .bind(before)
                .bind(column(clinic))
                .fetch_all(&mut *connection)
                .await?;
            let mut exams = Vec::with_capacity(rows.len());
            for (key, version) in rows {
                let rows = current_resources!(connection, &key);
                let submitted = stored_resources(rows)?.into_iter().filter(|resource| !resource.derived);
                exams.push(EarlierExam {
                    version,
                    resources: submitted.map(|resource| resource.body).collect(),
                    key: ExamKey(key),
                });
            }
            Ok(exams)
        })
    }

    /// An exam by its key.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn exam(&self, key: &ExamKey) -> Result<Option<StoredExam>, StoreError> {
        reading!(self, connection => {
            let row: Option<ExamRow> = sqlx::query_as(
                "SELECT key, subject, version, panel_identifier, closed, clinic FROM exams WHERE key = $1",
            )
            .bind(&key.0)
            .fetch_optional(&mut *connection)
            .await?;
            let Some(row) = row else { return Ok(None) };
            let resources = current_resources!(connection, &row.0);
            stored_exam(row, resources).map(Some)
        })
    }

    /// The exam within reach that a submitted resource belongs to.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn exam_holding(
        &self,
        resource_type: &str,
        id: &str,
        reach: &Reach,
    ) -> Result<Option<StoredExam>, StoreError> {
        reading!(self, connection => {
            let row: Option<ExamRow> = sqlx::query_as(
                "SELECT key, subject, exams.version, panel_identifier, closed, exams.clinic FROM exams
                 JOIN resources ON exam = key AND current = 1 AND derived = 0
                 WHERE type = $1 AND id = $2 AND (CAST($3 AS TEXT) IS NULL OR exams.clinic = $3)",
            )
            .bind(resource_type)
            .bind(id)
            .bind(reach.only())
            .fetch_optional(&mut *connection)
            .await?;
            let Some(row) = row else { return Ok(None) };
            let resources = current_resources!(connection, &row.0);
            stored_exam(row, resources).map(Some)
        })
    }

    /// The stored exam that a submitted one of a clinic continues: the one of the same key or panel, else the one of the
    /// same subject and encounter that a panel can still adopt or that a result without a panel can join.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn matching_exam(
        &self,
        submitted: &SubmittedExam,
        clinic: Option<&Clinic>,
    ) -> Result<Option<StoredExam>, StoreError> {
        reading!(self, connection => {
            let row: Option<ExamRow> = sqlx::query_as(MATCHING)
            .bind(&submitted.key.0)
            .bind(&submitted.panel_identifier)
            .bind(&submitted.encounter)
            .bind(&submitted.subject)
            .bind(column(clinic))
            .fetch_optional(&mut *connection)
            .await?;
            let Some(row) = row else { return Ok(None) };
            let resources = current_resources!(connection, &row.0);
            stored_exam(row, resources).map(Some)
        })
    }
}

/// Key, subject, version, panel, when it was closed, and its clinic.
pub(super) type ExamRow = (String, String, i64, Option<String>, Option<i64>, String);

fn stored_exam(row: ExamRow, resources: Vec<Version>) -> Result<StoredExam, StoreError> {
    let (key, subject, version, panel_identifier, closed, clinic) = row;
    let resources = stored_resources(resources)?;
    Ok(StoredExam {
        key: ExamKey(key),
        subject,
        version,
        panel_identifier,
        closed: closed.is_some(),
        clinic: Clinic::named(&clinic),
        resources,
    })
}

fn stored_resources(rows: Vec<Version>) -> Result<Vec<StoredResource>, StoreError> {
    rows.into_iter()
        .map(|row| {
            let body = serde_json::from_str(&row.text).map_err(|_| StoreError::Row("a body is not JSON"))?;
            Ok(StoredResource {
                resource_type: row.resource_type,
                id: row.id,
                version: row.version,
                updated: row.updated,
                derived: row.derived,
                text: row.text,
                body,
            })
        })
        .collect()
}
