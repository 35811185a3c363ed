//! Search over the current resources of a type.

use sqlx::{Database, Encode, QueryBuilder, Type};

use super::database::snapshot;
use super::{Span, Store, StoreError, Version, index};
use crate::clinic::Reach;

/// What is looked for.
#[derive(Debug, Clone)]
pub struct Search {
    /// The type.
    pub resource_type: String,
    /// Whose resources are looked through.
    pub reach: Reach,
    /// All of these hold.
    pub filters: Vec<Filter>,
    /// By what the matches are ordered, the most important first; each with whether it descends.
    pub sort: Vec<(SortKey, bool)>,
    /// How many matches at most.
    pub count: u32,
    /// How many matches to pass over first.
    pub offset: u32,
    /// How the matches are counted.
    pub total: Total,
}

/// How the matches of a search are counted (HL7 FHIR R4, Search, `_total`).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Total {
    /// Not at all.
    None,
    /// When there are at most [`MATCHES_COUNTED`], so that a search takes no longer in a large store.
    #[default]
    OfFew,
    /// All of them.
    Accurate,
}

/// How many matches are counted unless an accurate total is asked for.
pub const MATCHES_COUNTED: u64 = 1_000;

/// One condition; of several values, one is enough.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Filter {
    /// The id is one of these.
    Id(Vec<String>),
    /// The status is one of these.
    Status(Vec<String>),
    /// A token matches.
    Token(TokenField, Vec<TokenMatch>),
    /// The subject is one of these; with `patient`, it is a person as well.
    Subject {
        /// The subjects.
        any: Vec<ReferenceMatch>,
        /// Whether it must be a Patient.
        patient: bool,
    },
    /// A Provenance is about one of these.
    Target(Vec<ReferenceMatch>),
    /// A date compares so with one of these spans.
    Date(DateField, Vec<(Prefix, Span)>),
}

/// The tokens that can be searched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TokenField {
    /// `identifier`.
    Identifier,
    /// `code`.
    Code,
    /// The identifier of a logical reference to the subject.
    SubjectIdentifier,
}

/// `code`, `system|code`, `|code` or `system|`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TokenMatch {
    /// The system; `Some("")` for none at all, `None` for any.
    pub system: Option<String>,
    /// The value; `None` for any.
    pub value: Option<String>,
}

/// How a reference is named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReferenceMatch {
    /// By the id alone.
    Id(String),
    /// As it is written: `Type/id` or an address.
    Whole(String),
}

/// The dates that can be searched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateField {
    /// When the thing took place.
    Date,
    /// When it was stored.
    LastUpdated,
}

/// How a date compares (HL7 FHIR R4, Search, prefixes).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Prefix {
    /// The span searched for holds the whole of it.
    Equal,
    /// It does not.
    NotEqual,
    /// Some of it is later.
    Greater,
    /// Some of it is earlier.
    Less,
    /// Greater or equal.
    GreaterOrEqual,
    /// Less or equal.
    LessOrEqual,
    /// All of it is later.
    StartsAfter,
    /// All of it is earlier.
    EndsBefore,
}

/// What matches are ordered by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SortKey {
    /// The id.
    Id,
    /// When it took place.
    Date,
    /// When it was stored.
    LastUpdated,
    /// The status.
    Status,
}

/// A page of matches.
#[derive(Debug)]
pub struct Found {
    /// How many match in all, as far as they were counted.
    pub total: Option<u64>,
    /// Whether matches follow this page.
    pub next: bool,
    /// Those of this page.
    pub page: Vec<Version>,
}

impl Store {
    /// One page of matches.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn search(&self, search: &Search) -> Result<Found, StoreError> {
        snapshot!(self, transaction => {
            let limit = match search.total {
                Total::None => None,
                Total::OfFew => Some(MATCHES_COUNTED + 1),
                Total::Accurate => Some(u64::MAX),
            };
            let mut total = None;
            if let Some(limit) = limit {
                let mut query = QueryBuilder::new("SELECT count(*) FROM (SELECT 1 AS one");
                push_from(&mut query, search);
                push_filters(&mut query, search, Dates::Looked);
                query.push(" LIMIT ").push_bind(i64::try_from(limit).unwrap_or(i64::MAX)).push(") AS counted");
                let counted: i64 = query.build_query_scalar().fetch_one(&mut *transaction).await?;
                total = u64::try_from(counted).ok().filter(|counted| *counted < limit);
            }
            let mut page = Vec::new();
            if search.count > 0 {
                let mut query = QueryBuilder::new("SELECT ");
                query.push(Version::COLUMNS);
                push_from(&mut query, search);
                let few = total.is_some_and(|total| total <= MATCHES_COUNTED);
                push_filters(&mut query, search, if few { Dates::Looked } else { Dates::Passed });
                push_page(&mut query, search);
                page = query.build_query_as().fetch_all(&mut *transaction).await?;
            }
            let shown = usize::try_from(search.count).unwrap_or(usize::MAX);
            let next = page.len() > shown;
            page.truncate(shown);
            Ok(Found { total, next, page })
        })
    }
}

/// How resources of a date are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Dates {
    /// By an index of dates: all matches are found and then put in order, which is quick for few.
    Looked,
    /// One after the other in the order of the answer, which is quick for the first of many.
    Passed,
}

fn push_page<D>(query: &mut QueryBuilder<D>, search: &Search)
where
    D: Database,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    query.push(" ORDER BY ");
    for (key, descending) in &search.sort {
        // Every resource has an id and an instant of storing, and no index is in an order that puts nulls elsewhere.
        let (column, nulls) = match key {
            SortKey::Id => ("id", false),
            SortKey::Date if *descending => ("date_high", true),
            SortKey::Date => ("date_low", true),
            SortKey::LastUpdated => ("updated", false),
            SortKey::Status => ("status", true),
        };
        query.push(column).push(if *descending { " DESC" } else { " ASC" });
        query.push(if nulls { " NULLS LAST, " } else { ", " });
    }
    // The row last, so that pages neither repeat nor miss a match.
    query.push("row LIMIT ").push_bind(i64::from(search.count) + 1);
    query.push(" OFFSET ").push_bind(i64::from(search.offset));
}

/// Begins with the few resources that have a wanted value, where one is asked for, and not with all of the type. SQLite
/// keeps the order of a cross join. The filter itself is asked again for what was found.
fn push_from<D>(query: &mut QueryBuilder<D>, search: &Search)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
{
    let Some((name, values)) = search.filters.iter().find_map(wanted_values) else {
        query.push(" FROM resources WHERE current = 1");
        return;
    };
    query.push(" FROM (SELECT DISTINCT resource FROM search_values WHERE name = ").push_bind(name.to_owned());
    query.push(" AND ");
    push_or(query, &values, |query, value| {
        query.push("value = ").push_bind((*value).to_owned());
    });
    query.push(") AS wanted CROSS JOIN resources WHERE row = wanted.resource AND current = 1");
}

/// The values that a filter asks for; none when it asks for something else as well.
fn wanted_values(filter: &Filter) -> Option<(&'static str, Vec<&str>)> {
    match filter {
        Filter::Token(TokenField::Code, _) | Filter::Id(_) | Filter::Status(_) => None,
        Filter::Token(field, tokens) => {
            let values: Option<Vec<&str>> = tokens.iter().map(|token| token.value.as_deref()).collect();
            Some((name_of(*field), values?))
        }
        Filter::Subject { any, .. } => Some((index::SUBJECT, whole(any)?)),
        Filter::Target(any) => Some((index::TARGET, whole(any)?)),
        Filter::Date(..) => None,
    }
}

fn whole(references: &[ReferenceMatch]) -> Option<Vec<&str>> {
    references
        .iter()
        .map(|reference| match reference {
            ReferenceMatch::Whole(whole) => Some(whole.as_str()),
            ReferenceMatch::Id(_) => None,
        })
        .collect()
}

fn name_of(field: TokenField) -> &'static str {
    match field {
        TokenField::Identifier => index::IDENTIFIER,
        TokenField::Code => index::CODE,
        TokenField::SubjectIdentifier => index::SUBJECT_IDENTIFIER,
    }
}

fn push_filters<D>(query: &mut QueryBuilder<D>, search: &Search, dates: Dates)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    query.push(" AND type = ").push_bind(search.resource_type.clone());
    if let Some(clinic) = search.reach.only() {
        query.push(" AND clinic = ").push_bind(clinic.to_owned());
    }
    for filter in &search.filters {
        query.push(" AND ");
        match filter {
            Filter::Id(ids) => push_any_of(query, "id", ids),
            Filter::Status(statuses) => push_any_of(query, "status", statuses),
            Filter::Token(field, tokens) => {
                push_or(query, tokens, |query, token| push_token(query, name_of(*field), token));
            }
            Filter::Subject { any, patient } => {
                push_or(query, any, |query, reference| push_reference(query, index::SUBJECT, reference));
                if *patient {
                    query.push(" AND ");
                    push_value(query, index::SUBJECT_TYPE);
                    query.push(" AND value = 'Patient')");
                }
            }
            Filter::Target(any) => {
                push_or(query, any, |query, reference| push_reference(query, index::TARGET, reference));
            }
            Filter::Date(field, spans) => {
                // A column with a plus is looked up in no index.
                let columns = match (field, dates) {
                    (DateField::Date, Dates::Looked) => ("date_low", "date_high", 0),
                    (DateField::Date, Dates::Passed) => ("+date_low", "+date_high", 0),
                    // It ends a millisecond after it begins.
                    (DateField::LastUpdated, _) => ("updated", "updated", 1),
                };
                push_or(query, spans, |query, (prefix, span)| push_date(query, columns, *prefix, *span));
            }
        }
    }
}

fn push_or<D: Database, T>(query: &mut QueryBuilder<D>, any: &[T], push: impl Fn(&mut QueryBuilder<D>, &T)) {
    // Nothing but the alternatives themselves: before another word SQLite does not look in an index for a single one.
    query.push(if any.is_empty() { "(false" } else { "(" });
    for (number, one) in any.iter().enumerate() {
        if number > 0 {
            query.push(" OR ");
        }
        push(query, one);
    }
    query.push(")");
}

fn push_any_of<D>(query: &mut QueryBuilder<D>, column: &str, any: &[String])
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    push_or(query, any, |query, one| {
        query.push(column).push(" = ").push_bind(one.clone());
    });
}

/// Opens a subquery over the values of a resource; the caller closes it.
fn push_value<D>(query: &mut QueryBuilder<D>, name: &'static str)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    query
        .push("EXISTS (SELECT 1 FROM search_values WHERE resource = resources.row AND name = ")
        .push_bind(name.to_owned());
}

fn push_token<D>(query: &mut QueryBuilder<D>, name: &'static str, token: &TokenMatch)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    push_value(query, name);
    if let Some(system) = &token.system {
        query.push(" AND system = ").push_bind(system.clone());
    }
    if let Some(value) = &token.value {
        query.push(" AND value = ").push_bind(value.clone());
    }
    query.push(")");
}

fn push_reference<D>(query: &mut QueryBuilder<D>, name: &'static str, reference: &ReferenceMatch)
where
    D: Database,
    String: for<'q> Encode<'q, D> + Type<D>,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    push_value(query, name);
    match reference {
        ReferenceMatch::Whole(whole) => {
            query.push(" AND value = ").push_bind(whole.clone());
        }
        // The id is what stands behind the last slash, compared as text and never as a pattern.
        ReferenceMatch::Id(id) => {
            let tail = format!("/{id}");
            query.push(" AND substr(value, length(value) - length(").push_bind(tail.clone());
            query.push(") + 1) = ").push_bind(tail);
        }
    }
    query.push(")");
}

/// Compares the columns of beginning and end, the latter plus a number, with a span. Bounds that follow from others are
/// there for the index: what takes place ends after it begins.
fn push_date<D>(
    query: &mut QueryBuilder<D>,
    (low, high, later): (&str, &str, i64),
    prefix: Prefix,
    span: Span,
) where
    D: Database,
    i64: for<'q> Encode<'q, D> + Type<D>,
{
    let begins = (low, 0);
    let ends = (high, later);
    let mut push = |before: &str, (column, plus): (&str, i64), compared: &str, bound: i64| {
        query.push(before).push(column).push(compared).push_bind(bound.saturating_sub(plus));
    };
    match prefix {
        Prefix::Equal => {
            push("(", begins, " >= ", span.low);
            push(" AND ", begins, " < ", span.high);
            push(" AND ", ends, " <= ", span.high);
        }
        Prefix::NotEqual => {
            push("(", begins, " < ", span.low);
            push(" OR ", ends, " > ", span.high);
        }
        Prefix::Greater => push("(", ends, " > ", span.high),
        Prefix::Less => push("(", begins, " < ", span.low),
        Prefix::GreaterOrEqual => {
            push("(", ends, " > ", span.low);
            push(" AND (", ends, " > ", span.high);
            push(" OR ", begins, " >= ", span.low);
            query.push(")");
        }
        Prefix::LessOrEqual => {
            push("(", begins, " < ", span.high);
            push(" AND (", begins, " < ", span.low);
            push(" OR ", ends, " <= ", span.high);
            query.push(")");
        }
        Prefix::StartsAfter => push("(", begins, " >= ", span.high),
        Prefix::EndsBefore => push("(", ends, " <= ", span.low),
    }
    query.push(")");
}
