//! The worklists of the pages, as JSON and as CSV.

use actix_web::http::header::{CONTENT_DISPOSITION, ContentDisposition};
use actix_web::{HttpRequest, HttpResponse, web};
use serde::Deserialize;
use serde_json::{Value, json};

use super::error::ApiError;
use super::{State, access, audit, pages};
use crate::clock::instant;
use crate::config::Right;
use crate::store::{ListPage, Listed, When, Worklist};

const PAGE: u32 = 50;
const LARGEST_PAGE: u32 = 200;
/// How many entries a file takes; the file says in its last line when there are more.
const LARGEST_FILE: u32 = 20_000;

/// Which part of a list is asked for.
#[derive(Debug, Deserialize)]
pub(super) struct Wish {
    when: Option<String>,
    risk: Option<String>,
    offset: Option<u32>,
    count: Option<u32>,
}

/// `GET /pages/worklists/{list}`, with `.csv` behind the name for a file.
pub(super) async fn list(
    state: web::Data<State>,
    request: HttpRequest,
    list: web::Path<String>,
    wish: Result<web::Query<Wish>, actix_web::Error>,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Read).await?;
    let (name, file) = list.strip_suffix(".csv").map_or((list.as_str(), false), |name| (name, true));
    let list = match name {
        "recalls" => Worklist::Recalls,
        "referrals" => Worklist::Referrals,
        "incomplete" => Worklist::Incomplete,
        _ => return Err(ApiError::NotFound("There is no such list.")),
    };
    let Ok(web::Query(wish)) = wish else {
        return Err(ApiError::Request {
            text: "The query cannot be read.",
            mend: "Use when, risk, offset and count, the last two as whole numbers.",
        });
    };
    let when = match wish.when.as_deref() {
        None | Some("") => None,
        Some("overdue") => Some(When::Overdue),
        Some("due") => Some(When::Due),
        Some("later") => Some(When::Later),
        Some(_) => {
            return Err(ApiError::Request {
                text: "There is no such time.",
                mend: "Use when=overdue, when=due or when=later.",
            });
        }
    };
    let now = state.intake.clock.now_ms();
    let page = ListPage {
        list,
        reach: caller.reach(),
        when: when.filter(|_| list != Worklist::Incomplete),
        risk: wish.risk.filter(|risk| !risk.is_empty()),
        ranked: ranked(&state),
        guideline: state.intake.assessment.guidelines.first().cloned().unwrap_or_default(),
        now,
        count: if file { LARGEST_FILE } else { wish.count.unwrap_or(PAGE).clamp(1, LARGEST_PAGE) },
        offset: if file { 0 } else { wish.offset.unwrap_or(0) },
    };
    let listed = state.intake.store.worklist(&page).await?;
    let about =
        listed.entries.iter().map(|entry| format!("RiskAssessment/{}", entry.assessment_id)).collect();
    audit::note_read(&state, &caller, about).await?;
    let entries: Vec<Value> = listed.entries.iter().map(|entry| shown(entry, now)).collect();
    if file {
        let mut response = pages::unkept(HttpResponse::Ok());
        response
            .insert_header((CONTENT_DISPOSITION, ContentDisposition::attachment(format!("{name}.csv"))))
            .content_type("text/csv; charset=utf-8");
        return Ok(response.body(csv(&entries, listed.next)));
    }
    Ok(pages::for_page(&json!({
        "total": listed.total,
        "more": listed.more,
        "next": listed.next,
        "offset": page.offset,
        "entries": entries
    })))
}

/// The categories of every guideline, the least dangerous first.
fn ranked(state: &State) -> Vec<Vec<String>> {
    let guidelines = state.intake.engine.guidelines().iter();
    guidelines
        .map(|guideline| {
            guideline.categories.iter().filter_map(|category| guideline.category_code(category)).collect()
        })
        .collect()
}

fn shown(entry: &Listed, now: i64) -> Value {
    let parsed = |text: &str| serde_json::from_str::<Value>(text).unwrap_or(Value::Null);
    let assessment = parsed(&entry.assessment);
    let request = entry.request.as_deref().map_or(Value::Null, parsed);
    let predictions = assessment.get("prediction").and_then(Value::as_array);
    let risks: Vec<&Value> = predictions
        .into_iter()
        .flatten()
        .filter_map(|prediction| prediction.pointer("/qualitativeRisk/coding/0"))
        .collect();
    let notes = assessment.get("note").and_then(Value::as_array);
    let missing: Vec<&str> = notes
        .into_iter()
        .flatten()
        .filter_map(|note| note.get("text")?.as_str())
        .filter(|text| text.contains(" is not known. Missing:"))
        .collect();
    let when = match (entry.low, entry.high) {
        (_, Some(high)) if high <= now => "overdue",
        (Some(low), _) if low > now => "later",
        _ => "due",
    };
    json!({
        "assessment": entry.assessment_id,
        "person": assessment.pointer("/subject/identifier"),
        "examined": assessment.get("occurrenceDateTime"),
        "risks": risks,
        "priority": request.get("priority"),
        "what": request.pointer("/code/text"),
        "text": request.pointer("/note/0/text"),
        "when": entry.request.as_ref().map(|_| when),
        "from": request.pointer("/occurrencePeriod/start"),
        "to": request.pointer("/occurrencePeriod/end"),
        "ends": entry.high.filter(|_| entry.request.is_some()).map(|high| instant(high).to_string()),
        "missing": missing
    })
}

const COLUMNS: [&str; 11] = [
    "person system",
    "person",
    "examined",
    "lowest category",
    "highest category",
    "priority",
    "what",
    "when",
    "from",
    "to",
    "missing",
];

/// RFC 4180.
fn csv(entries: &[Value], next: bool) -> String {
    let mut out = line(COLUMNS.iter().map(|name| (*name).to_owned()));
    for entry in entries {
        let text =
            |pointer: &str| entry.pointer(pointer).and_then(Value::as_str).unwrap_or_default().to_owned();
        let risks = entry.get("risks").and_then(Value::as_array);
        let code = |risk: Option<&Value>| {
            risk.and_then(|risk| risk.get("code")?.as_str()).unwrap_or_default().to_owned()
        };
        let missing = entry.get("missing").and_then(Value::as_array).into_iter().flatten();
        let missing: Vec<&str> = missing.filter_map(Value::as_str).collect();
        out += &line([
            text("/person/system"),
            text("/person/value"),
            text("/examined"),
            code(risks.and_then(|risks| risks.first())),
            code(risks.and_then(|risks| risks.last())),
            text("/priority"),
            text("/what"),
            text("/when"),
            text("/from"),
            text("/to"),
            missing.join(" "),
        ]);
    }
    if next {
        out += &line([format!("The list is longer; this file has its first {} entries.", entries.len())]);
    }
    out
}

fn line(cells: impl IntoIterator<Item = String>) -> String {
    cells.into_iter().map(|cell| cell_text(&cell)).collect::<Vec<_>>().join(",") + "\r\n"
}

/// A cell that begins like a formula would be run by a spreadsheet; an apostrophe keeps it a text.
fn cell_text(cell: &str) -> String {
    let guard = if cell.starts_with(['=', '+', '-', '@', '\t', '\r']) { "'" } else { "" };
    format!("\"{guard}{}\"", cell.replace('"', "\"\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_is_quoted_and_never_a_formula() {
        assert_eq!(line(["a \"b\"".to_owned(), "=1+1".to_owned()]), "\"a \"\"b\"\"\",\"'=1+1\"\r\n");
    }

    #[test]
    fn a_file_that_leaves_entries_out_says_so() {
        let entry = json!({ "person": { "value": "HL-PERSON-0001" } });
        assert_eq!(csv(std::slice::from_ref(&entry), false).lines().count(), 2);
        assert!(
            csv(&[entry], true).ends_with("\"The list is longer; this file has its first 1 entries.\"\r\n")
        );
    }
}
