//! What is still to be done for people: recalls, referrals, exams that settle nothing; and everything about one exam.
//!
//! An entry of a list stands for a person's latest exam. Once a later exam is stored the earlier one asks for nothing.

use sqlx::{Database, Encode, QueryBuilder, Type};

use super::database::snapshot;
use super::{Delivery, Store, StoreError, Version};
use crate::clinic::Reach;

/// Which list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Worklist {
    /// Proposals to examine again.
    Recalls,
    /// Proposals to refer.
    Referrals,
    /// Assessments that leave more than one category, or whose exam is not closed.
    Incomplete,
}

/// How the window of an entry lies to an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// It has ended.
    Overdue,
    /// It has begun and not ended.
    Due,
    /// It has not begun.
    Later,
}

/// Which part of a list.
#[derive(Debug, Clone)]
pub struct ListPage {
    /// Which list.
    pub list: Worklist,
    /// Whose exams are listed.
    pub reach: Reach,
    /// Only entries whose window lies so; all without it.
    pub when: Option<When>,
    /// Only entries whose highest category still possible is this one; all without it.
    pub risk: Option<String>,
    /// The categories of each guideline in the order of danger, the least first.
    pub ranked: Vec<Vec<String>>,
    /// The guideline whose assessments are listed as incomplete.
    pub guideline: String,
    /// The present, in milliseconds since 1970.
    pub now: i64,
    /// How many entries at most.
    pub count: u32,
    /// How many to pass over first.
    pub offset: u32,
}

/// An entry of a list.
#[derive(Debug, Clone)]
pub struct Listed {
    /// The ServiceRequest; none in the list of incomplete exams.
    pub request: Option<String>,
    /// The id of the assessment.
    pub assessment_id: String,
    /// The RiskAssessment.
    pub assessment: String,
    /// The first instant of the window; the instant of the exam in the list of incomplete exams.
    pub low: Option<i64>,
    /// The first instant after it.
    pub high: Option<i64>,
}

/// Everything that is stored about one exam.
#[derive(Debug)]
pub struct ExamRecord {
    /// How often it was changed, from 1.
    pub version: i64,
    /// When it first came, in milliseconds since 1970.
    pub created: i64,
    /// When it last changed.
    pub updated: i64,
    /// Its current resources, in the order they came.
    pub resources: Vec<Version>,
    /// Its deliveries, the oldest first.
    pub deliveries: Vec<Delivery>,
}

/// When each person was examined last in each clinic. Made once for a statement: asked for each entry it would take
/// quadratic time.
const LATEST: &str = "WITH latest AS MATERIALIZED (
    SELECT subject, clinic, max(date_low) AS examined FROM exams JOIN worklist ON exam = key
    WHERE kind = 'assessment' AND status <> 'entered-in-error' GROUP BY subject, clinic) ";

impl Store {
    /// One page of a list, and how long the list is.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn worklist(&self, page: &ListPage) -> Result<(u64, Vec<Listed>), StoreError> {
        // Bodies are fetched for what is shown and for nothing else: sorting goes over the narrow rows alone.
        let (total, rows) = snapshot!(self, transaction => {
            let mut query = QueryBuilder::new(LATEST);
            query.push("SELECT total, request.body, assessment.id, assessment.body, low, high FROM (");
            query.push("SELECT about.resource AS request_row, assessed.resource AS assessment_row,");
            query.push(" about.date_low AS low, about.date_high AS high, count(*) OVER () AS total, row_number() OVER (");
            push_order(&mut query, page);
            query.push(") AS place");
            push_from(&mut query, page);
            query.push(" ORDER BY place LIMIT ").push_bind(i64::from(page.count));
            query.push(" OFFSET ").push_bind(i64::from(page.offset));
            query.push(") AS shown JOIN resources AS request ON request.row = request_row");
            query.push(" JOIN resources AS assessment ON assessment.row = assessment_row ORDER BY place");
            let rows: Vec<Row> = query.build_query_as().fetch_all(&mut *transaction).await?;
            let total = match rows.first() {
                Some((total, ..)) => *total,
                None if page.offset == 0 => 0,
                // Behind the end; the list is not empty for that.
                None => {
                    let mut query = QueryBuilder::new(LATEST);
                    query.push("SELECT count(*)");
                    push_from(&mut query, page);
                    query.build_query_scalar().fetch_one(&mut *transaction).await?
                }
            };
            Ok::<_, StoreError>((total, rows))
        })?;
        let listed = rows.into_iter().map(|(_, request, assessment_id, assessment, low, high)| Listed {
            request: (page.list != Worklist::Incomplete).then_some(request),
            assessment_id,
            assessment,
            low,
            high,
        });
        Ok((u64::try_from(total).unwrap_or(0), listed.collect()))
    }

    /// The exam that a resource belongs to, with everything stored about it, if it is within reach.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn exam_of(
        &self,
        resource_type: &str,
        id: &str,
        reach: &Reach,
    ) -> Result<Option<ExamRecord>, StoreError> {
        let found = snapshot!(self, transaction => {
            let exam: Option<(String, i64, i64, i64)> = sqlx::query_as(
                "SELECT key, exams.version, exams.created, exams.updated FROM exams
                 JOIN resources ON exam = key WHERE current = 1 AND type = $1 AND id = $2
                   AND ($3 IS NULL OR exams.clinic = $3)",
            )
            .bind(resource_type)
            .bind(id)
            .bind(reach.only())
            .fetch_optional(&mut *transaction)
            .await?;
            let Some((key, version, created, updated)) = exam else { return Ok(None) };
            let mut query = QueryBuilder::new("SELECT ");
            query.push(Version::COLUMNS).push(" FROM resources WHERE current = 1 AND exam = ");
            query.push_bind(key.clone()).push(" ORDER BY row");
            let resources: Vec<Version> = query.build_query_as().fetch_all(&mut *transaction).await?;
            let numbers: Vec<i64> = sqlx::query_scalar("SELECT id FROM outbox WHERE exam = $1 ORDER BY id")
                .bind(key)
                .fetch_all(&mut *transaction)
                .await?;
            Ok::<_, StoreError>((ExamRecord { version, created, updated, resources, deliveries: Vec::new() }, numbers))
        });
        let (mut record, numbers) = found?;
        for number in numbers {
            record.deliveries.extend(self.delivery(number, reach).await?);
        }
        Ok(Some(record))
    }
}

/// How long the whole list is; the request, the assessment with its id, and the window.
type Row = (i64, String, String, String, Option<i64>, Option<i64>);

/// `about` is what is listed, `assessed` the assessment it follows from. They are the same for incomplete exams.
fn push_from<D>(query: &mut QueryBuilder<D>, page: &ListPage)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
    &'static str: for<'q> Encode<'q, D> + Type<D>,
{
    query.push(" FROM worklist AS about JOIN exams AS own ON own.key = about.exam");
    query.push(" JOIN latest ON latest.subject = own.subject AND latest.clinic = own.clinic");
    match page.list {
        Worklist::Recalls | Worklist::Referrals => {
            query.push(" JOIN worklist AS assessed");
            query.push(" ON assessed.kind = 'assessment' AND assessed.assessment = about.assessment");
            let kind = if page.list == Worklist::Recalls { "recall" } else { "referral" };
            query.push(" WHERE about.status = 'active' AND about.kind = ").push_bind(kind);
        }
        Worklist::Incomplete => {
            query.push(" JOIN worklist AS assessed ON assessed.resource = about.resource");
            query.push(" WHERE about.kind = 'assessment' AND about.status = 'preliminary'");
            query.push(" AND about.guideline = ").push_bind(page.guideline.clone());
        }
    }
    query.push(" AND assessed.date_low >= latest.examined");
    if let Some(clinic) = page.reach.only() {
        query.push(" AND own.clinic = ").push_bind(clinic.to_owned());
    }
    if let Some(risk) = &page.risk {
        query.push(" AND assessed.risk = ").push_bind(risk.clone());
    }
    match page.when {
        None => {}
        Some(When::Overdue) => {
            query.push(" AND about.date_high <= ").push_bind(page.now);
        }
        Some(When::Due) => {
            query.push(" AND about.date_low <= ").push_bind(page.now);
            query.push(" AND about.date_high > ").push_bind(page.now);
        }
        Some(When::Later) => {
            query.push(" AND about.date_low > ").push_bind(page.now);
        }
    }
}

/// The most dangerous first: the more urgent referral, the window that has ended, the higher category, the end that
/// comes first. A category that is not known here is taken for the most dangerous.
fn push_order<D>(query: &mut QueryBuilder<D>, page: &ListPage)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    query.push("ORDER BY about.urgency");
    if page.list != Worklist::Incomplete {
        query.push(", CASE WHEN about.date_high <= ").push_bind(page.now);
        query.push(" THEN 0 WHEN about.date_low <= ").push_bind(page.now).push(" THEN 1 ELSE 2 END");
    }
    query.push(", CASE assessed.risk");
    for categories in &page.ranked {
        for (rank, category) in (1_i64..).zip(categories.iter().rev()) {
            query.push(" WHEN ").push_bind(category.clone()).push(" THEN ").push_bind(rank);
        }
    }
    query.push(" ELSE 0 END, about.date_high, about.resource");
}
