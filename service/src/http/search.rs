//! Search, by GET and by POST.

use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::{Map, Value, json};
use url::form_urlencoded;

use super::elements::Elements;
use super::error::ApiError;
use super::negotiate::{FormBody, Handling, accept_json, preferred_handling};
use super::parameters::{SEARCHED_TYPES, filter, sort};
use super::{State, access, answer, audit, base};
use crate::clinic::Reach;
use crate::store::{Found, Search, SortKey, Total};

pub(super) const USUAL_COUNT: u32 = 50;
pub(super) const LARGEST_COUNT: u32 = 200;
/// Where a page begins. Of our making: callers follow links.
const OFFSET: &str = "_offset";
/// Parameters about the answer, not about what is looked for.
const ABOUT_ANSWER: [&str; 2] = ["_format", "_pretty"];

/// `GET /fhir/{type}`
pub(super) async fn by_query(
    state: web::Data<State>,
    request: HttpRequest,
    resource_type: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let query = request.query_string().as_bytes().to_vec();
    run(&state, &request, &resource_type, &[&query]).await
}

/// `POST /fhir/{type}/_search`: parameters in the body, more of them in the query.
pub(super) async fn by_form(
    state: web::Data<State>,
    request: HttpRequest,
    resource_type: web::Path<String>,
    FormBody(form): FormBody,
) -> Result<HttpResponse, ApiError> {
    let query = request.query_string().as_bytes().to_vec();
    run(&state, &request, &resource_type, &[&query, &form]).await
}

/// A search as it was understood.
struct Understood {
    search: Search,
    /// The parameters that were used, for the link to itself.
    used: Vec<(String, String)>,
    elements: Elements,
}

pub(super) async fn run(
    state: &State,
    request: &HttpRequest,
    resource_type: &str,
    encoded: &[&[u8]],
) -> Result<HttpResponse, ApiError> {
    let caller = access::require_reading(&state.access, request, resource_type).await?;
    accept_json(request)?;
    if !SEARCHED_TYPES.contains(&resource_type) {
        return Err(ApiError::NotFound("Resources of this type cannot be searched."));
    }
    let handling = preferred_handling(request);
    let strict = handling == Handling::Strict;
    let Understood { search, used, elements } = understand(resource_type, caller.reach(), encoded, strict)?;
    let found = state.intake.store.search(&search).await?;
    audit::note_versions(state, &caller, &found.page).await?;
    let bundle = bundle(&base(state, request), &search, &used, &elements, &found)?;
    Ok(answer::searched(&bundle, handling))
}

fn understand(
    resource_type: &str,
    reach: Reach,
    encoded: &[&[u8]],
    strict: bool,
) -> Result<Understood, ApiError> {
    let mut search = Search {
        resource_type: resource_type.to_owned(),
        reach,
        filters: Vec::new(),
        sort: Vec::new(),
        count: USUAL_COUNT,
        offset: 0,
        total: Total::OfFew,
    };
    let (mut used, mut elements) = (Vec::new(), Elements::default());
    for (name, value) in encoded.iter().flat_map(|part| form_urlencoded::parse(part)) {
        let number = |text| {
            value.parse::<u32>().map_err(|_| ApiError::Parameter { name: name.clone().into_owned(), text })
        };
        match name.as_ref() {
            "_count" => search.count = number("it takes a whole number.")?.min(LARGEST_COUNT),
            OFFSET => {
                search.offset = number("it takes a whole number.")?;
                continue;
            }
            "_elements" => elements = Elements::of(&value),
            "_sort" => search.sort = sort(&value)?,
            // `count` asks for the number alone; the other summaries are answered in full, as R4 allows.
            "_summary" if value == "count" => search.count = 0,
            "_total" => {
                search.total = match value.as_ref() {
                    "none" => Total::None,
                    "estimate" => Total::OfFew,
                    "accurate" => Total::Accurate,
                    _ => {
                        let text = "it takes none, estimate and accurate.";
                        return Err(ApiError::Parameter { name: "_total".to_owned(), text });
                    }
                }
            }
            other if ABOUT_ANSWER.contains(&other) => continue,
            other => match filter(resource_type, other, &value)? {
                Some(filter) => search.filters.push(filter),
                None if strict => {
                    let name = if is_name(other) { other.to_owned() } else { "?".to_owned() };
                    return Err(ApiError::Parameter { name, text: "this type has no such parameter." });
                }
                None => continue,
            },
        }
        used.push((name.into_owned(), value.into_owned()));
    }
    // Who asks for no resources asks for their number.
    if search.count == 0 {
        search.total = Total::Accurate;
    }
    if search.sort.is_empty() {
        search.sort.push((SortKey::LastUpdated, true));
    }
    Ok(Understood { search, used, elements })
}

/// Whether a text looks like the name of a parameter, rather than something that slipped there.
fn is_name(text: &str) -> bool {
    text.len() <= 40
        && text.bytes().all(|byte| byte.is_ascii_alphabetic() || matches!(byte, b'_' | b'-' | b':'))
}

fn bundle(
    base: &str,
    search: &Search,
    used: &[(String, String)],
    elements: &Elements,
    found: &Found,
) -> Result<Value, ApiError> {
    let address = |offset: u32| {
        let mut query = form_urlencoded::Serializer::new(String::new());
        query.extend_pairs(used);
        if offset > 0 {
            query.append_pair(OFFSET, &offset.to_string());
        }
        let query = query.finish();
        let mark = if query.is_empty() { "" } else { "?" };
        format!("{base}/{}{mark}{query}", search.resource_type)
    };
    let mut links = vec![json!({ "relation": "self", "url": address(search.offset) })];
    if search.count > 0 {
        links.push(json!({ "relation": "first", "url": address(0) }));
        if search.offset > 0 {
            let previous = search.offset.saturating_sub(search.count);
            links.push(json!({ "relation": "previous", "url": address(previous) }));
        }
        if found.next {
            let next = search.offset.saturating_add(search.count);
            links.push(json!({ "relation": "next", "url": address(next) }));
        }
    }
    let mut bundle = Map::new();
    bundle.insert("resourceType".to_owned(), json!("Bundle"));
    bundle.insert("type".to_owned(), json!("searchset"));
    if let Some(total) = found.total {
        bundle.insert("total".to_owned(), json!(total));
    }
    bundle.insert("link".to_owned(), Value::Array(links));
    let mut entries = Vec::with_capacity(found.page.len());
    for version in &found.page {
        let body = answer::value_as_read(version, elements)?;
        entries.push(json!({
            "fullUrl": format!("{base}/{}/{}", version.resource_type, version.id),
            "resource": body,
            "search": { "mode": "match" }
        }));
    }
    if !entries.is_empty() {
        bundle.insert("entry".to_owned(), Value::Array(entries));
    }
    Ok(Value::Object(bundle))
}
