//! What is still to be done for people: recalls, referrals, exams that settle nothing; and everything about one exam.
//!
//! An entry of a list stands for a person's latest exam. Once a later exam is stored the earlier one asks for nothing.

use std::collections::HashMap;

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

/// How many entries of a list are counted. A longer list is said to have more.
pub const COUNTED: u64 = 10_000;
/// So many entries are fetched with one statement.
const FETCHED: usize = 100;

/// A page of a list.
#[derive(Debug)]
pub struct ListedPage {
    /// How many entries the part has, counted up to [`COUNTED`].
    pub total: u64,
    /// Whether it has more than that.
    pub more: bool,
    /// Whether entries follow this page.
    pub next: bool,
    /// The entries, the most dangerous first.
    pub entries: Vec<Listed>,
}

/// Entries that differ in nothing but the end of their window: how urgent they are and how the window lies.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Group {
    urgency: i64,
    risk: String,
    when: Option<When>,
}

impl Store {
    /// One page of a list. The most dangerous stand first: the more urgent referral, the window that has ended, the
    /// higher category, the end that comes first. A category that is not known here is taken for the most dangerous.
    ///
    /// The page is read group by group, each in the order of an index, so that it takes no longer in a long list.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn worklist(&self, page: &ListPage) -> Result<ListedPage, StoreError> {
        snapshot!(self, transaction => {
            let mut query = QueryBuilder::new("SELECT count(*) FROM (SELECT 1 AS one");
            push_open(&mut query, page, page.when);
            if let Some(risk) = &page.risk {
                query.push(" AND risk = ").push_bind(risk.clone());
            }
            query.push(" LIMIT ").push_bind(count(COUNTED + 1)).push(") AS counted");
            let total: i64 = query.build_query_scalar().fetch_one(&mut *transaction).await?;
            let total = u64::try_from(total).unwrap_or(0);

            let mut query = groups_query(page);
            let found: Vec<(i64, String)> = query.build_query_as().fetch_all(&mut *transaction).await?;
            let (mut skip, mut wanted) = (u64::from(page.offset), u64::from(page.count) + 1);
            let mut resources: Vec<i64> = Vec::new();
            for group in ordered(page, found) {
                let mut query = QueryBuilder::new("SELECT resource");
                push_group(&mut query, page, &group);
                query.push(" ORDER BY date_high, resource LIMIT ").push_bind(count(wanted));
                query.push(" OFFSET ").push_bind(count(skip));
                let rows: Vec<i64> = query.build_query_scalar().fetch_all(&mut *transaction).await?;
                if !rows.is_empty() {
                    skip = 0;
                    wanted = wanted.saturating_sub(u64::try_from(rows.len()).unwrap_or(u64::MAX));
                    resources.extend(rows);
                } else if skip > 0 {
                    let mut query = QueryBuilder::new("SELECT count(*)");
                    push_group(&mut query, page, &group);
                    let passed: i64 = query.build_query_scalar().fetch_one(&mut *transaction).await?;
                    skip = skip.saturating_sub(u64::try_from(passed).unwrap_or(0));
                }
                if wanted == 0 {
                    break;
                }
            }
            let shown = usize::try_from(page.count).unwrap_or(usize::MAX);
            let next = resources.len() > shown;
            resources.truncate(shown);

            let mut bodies: HashMap<i64, Listed> = HashMap::with_capacity(resources.len());
            for part in resources.chunks(FETCHED) {
                let mut query = QueryBuilder::new(
                    "SELECT about.resource, request.body, assessment.id, assessment.body, about.date_low, about.date_high
                     FROM worklist AS about
                     JOIN worklist AS assessed ON assessed.kind = 'assessment' AND assessed.assessment = about.assessment
                     JOIN resources AS request ON request.row = about.resource
                     JOIN resources AS assessment ON assessment.row = assessed.resource WHERE about.resource IN (",
                );
                let mut rows = query.separated(", ");
                for resource in part {
                    rows.push_bind(*resource);
                }
                query.push(")");
                let rows: Vec<Row> = query.build_query_as().persistent(false).fetch_all(&mut *transaction).await?;
                bodies.extend(rows.into_iter().map(|row| (row.0, listed(page.list, row))));
            }
            let entries = resources.iter().filter_map(|resource| bodies.remove(resource)).collect();
            Ok(ListedPage { total: total.min(COUNTED), more: total > COUNTED, next, entries })
        })
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

/// What is listed, its body, the id and the body of its assessment, and the window.
type Row = (i64, String, String, String, i64, i64);

fn listed(list: Worklist, (_, request, assessment_id, assessment, low, high): Row) -> Listed {
    Listed {
        request: (list != Worklist::Incomplete).then_some(request),
        assessment_id,
        assessment,
        low: (low > i64::MIN).then_some(low),
        high: (high < i64::MAX).then_some(high),
    }
}

fn count(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

/// The groups that a list may show, from what there is of urgency and category, the most dangerous first.
fn ordered(page: &ListPage, found: Vec<(i64, String)>) -> Vec<Group> {
    let windows: &[Option<When>] = match (page.list, page.when) {
        (Worklist::Incomplete, _) => &[None],
        (_, None) => &[Some(When::Overdue), Some(When::Due), Some(When::Later)],
        (_, Some(When::Overdue)) => &[Some(When::Overdue)],
        (_, Some(When::Due)) => &[Some(When::Due)],
        (_, Some(When::Later)) => &[Some(When::Later)],
    };
    let known = |risk: &str| {
        page.ranked.iter().find_map(|all| Some(all.len() - all.iter().position(|one| one == risk)?))
    };
    let mut groups: Vec<(i64, usize, usize, Group)> = Vec::new();
    for (urgency, risk) in found {
        if page.risk.as_ref().is_some_and(|wanted| *wanted != risk) {
            continue;
        }
        for (place, when) in windows.iter().enumerate() {
            let group = Group { urgency, risk: risk.clone(), when: *when };
            groups.push((urgency, place, known(&risk).unwrap_or(0), group));
        }
    }
    groups.sort_by(|one, other| {
        (one.0, one.1, one.2, &one.3.risk).cmp(&(other.0, other.1, other.2, &other.3.risk))
    });
    groups.into_iter().map(|(.., group)| group).collect()
}

/// What there is of urgency and category, one step through an index for each.
fn groups_query<D>(page: &ListPage) -> QueryBuilder<D>
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
    &'static str: for<'q> Encode<'q, D> + Type<D>,
{
    let mut query =
        QueryBuilder::new("WITH RECURSIVE found (urgency, risk) AS (SELECT urgency, (SELECT min(risk)");
    push_open(&mut query, page, None);
    query.push(" AND worklist.urgency = each.urgency) FROM (SELECT 0 AS urgency UNION ALL SELECT 1 UNION ALL SELECT 2) AS each");
    query.push(" UNION ALL SELECT urgency, (SELECT min(risk)");
    push_open(&mut query, page, None);
    query.push(" AND worklist.urgency = found.urgency AND worklist.risk > found.risk) FROM found WHERE found.risk IS NOT NULL)");
    query.push(" SELECT CAST(urgency AS BIGINT), risk FROM found WHERE risk IS NOT NULL");
    query
}

fn push_group<D>(query: &mut QueryBuilder<D>, page: &ListPage, group: &Group)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
    &'static str: for<'q> Encode<'q, D> + Type<D>,
{
    push_open(query, page, group.when);
    query.push(" AND urgency = ").push_bind(group.urgency);
    query.push(" AND risk = ").push_bind(group.risk.clone());
}

/// From where and under which conditions a list is read.
fn push_open<D>(query: &mut QueryBuilder<D>, page: &ListPage, when: Option<When>)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
    &'static str: for<'q> Encode<'q, D> + Type<D>,
{
    let (kind, guideline) = match page.list {
        Worklist::Recalls => ("recall", String::new()),
        Worklist::Referrals => ("referral", String::new()),
        Worklist::Incomplete => ("assessment", page.guideline.clone()),
    };
    query.push(" FROM worklist WHERE open = 1 AND kind = ").push_bind(kind);
    query.push(" AND guideline = ").push_bind(guideline);
    if let Some(clinic) = page.reach.only() {
        // The index of clinics has none of those without one.
        query.push(" AND clinic <> '' AND clinic = ").push_bind(clinic.to_owned());
    }
    match when {
        None => {}
        Some(When::Overdue) => {
            query.push(" AND date_high <= ").push_bind(page.now);
        }
        Some(When::Due) => {
            query.push(" AND date_low <= ").push_bind(page.now);
            query.push(" AND date_high > ").push_bind(page.now);
        }
        Some(When::Later) => {
            query.push(" AND date_low > ").push_bind(page.now);
            query.push(" AND date_high > ").push_bind(page.now);
        }
    }
}
