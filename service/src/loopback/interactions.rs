//! Create, update, read and search of single resources, and the pieces a transaction makes of them.

use jiff::Timestamp;
use serde_json::{Value, json};

use super::criteria::{Criteria, text};
use super::records::{Key, Records, Version};
use super::refusal::Refusal;
use super::shape;

/// What became of a resource that was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Effect {
    /// Stored as a new resource.
    Created,
    /// Stored as the next version.
    Updated,
    /// Already there by the condition of a create; nothing stored.
    Found,
}

impl Effect {
    pub(super) fn status(self) -> u16 {
        match self {
            Effect::Created => 201,
            Effect::Updated | Effect::Found => 200,
        }
    }
}

/// Where a resource goes, decided before anything is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Placement {
    pub(super) key: Key,
    pub(super) effect: Effect,
}

/// Places a create. `condition` is the value of If-None-Exist.
pub(super) fn place_create(
    records: &mut Records,
    resource_type: &str,
    condition: Option<&str>,
    base: &str,
) -> Result<Placement, Refusal> {
    if let Some(condition) = condition {
        let criteria = Criteria::condition(condition)?;
        match records.search(resource_type, &criteria, base).as_slice() {
            [] => {}
            [(key, _)] => return Ok(Placement { key: (*key).clone(), effect: Effect::Found }),
            _ => return Err(Refusal::several("the condition of a create")),
        }
    }
    Ok(Placement { key: records.new_key(resource_type), effect: Effect::Created })
}

/// Places an update by id. A resource that is not there yet is created under the id of the sender.
pub(super) fn place_update(
    records: &Records,
    key: Key,
    body: &Value,
    if_match: Option<&str>,
) -> Result<Placement, Refusal> {
    if text(body, "id") != Some(key.id.as_str()) {
        return Err(Refusal::new(400, "invalid", "An update carries the id that its address names."));
    }
    let current = records.current(&key);
    if let Some(wanted) = if_match
        && current.map(Version::etag).as_deref() != Some(wanted)
    {
        return Err(Refusal::new(
            412,
            "conflict",
            "The resource has another version than If-Match asks for.",
        ));
    }
    let effect = if current.is_some() { Effect::Updated } else { Effect::Created };
    Ok(Placement { key, effect })
}

/// Places an update by a condition (R4, conditional update).
pub(super) fn place_conditional_update(
    records: &mut Records,
    resource_type: &str,
    condition: &str,
    if_match: Option<&str>,
    body: &Value,
    base: &str,
) -> Result<Placement, Refusal> {
    let criteria = Criteria::condition(condition)?;
    let matched = records.search(resource_type, &criteria, base);
    if let ([] | [_], Some(wanted)) = (matched.as_slice(), if_match)
        && matched.first().map(|(_, version)| version.etag()).as_deref() != Some(wanted)
    {
        return Err(Refusal::new(
            412,
            "conflict",
            "The resource has another version than If-Match asks for.",
        ));
    }
    let given = text(body, "id").map(str::to_owned);
    let found: Vec<Key> =
        records.search(resource_type, &criteria, base).into_iter().map(|(key, _)| key.clone()).collect();
    match (found.as_slice(), given) {
        ([], None) => Ok(Placement { key: records.new_key(resource_type), effect: Effect::Created }),
        ([], Some(id)) => {
            let key = Key::new(resource_type, id);
            if records.current(&key).is_some() {
                return Err(Refusal::new(
                    409,
                    "conflict",
                    "The id belongs to a resource that the condition does not match.",
                ));
            }
            Ok(Placement { key, effect: Effect::Created })
        }
        ([key], None) => Ok(Placement { key: key.clone(), effect: Effect::Updated }),
        ([key], Some(id)) if key.id == id => Ok(Placement { key: key.clone(), effect: Effect::Updated }),
        ([_], Some(_)) => Err(Refusal::new(
            400,
            "invalid",
            "The condition matches a resource with another id than the one sent.",
        )),
        _ => Err(Refusal::several("the condition of an update")),
    }
}

/// Stores a placed resource, unless it was found, and gives the version that is current now.
pub(super) fn store(
    records: &mut Records,
    placement: &Placement,
    body: Value,
    at: Timestamp,
) -> Option<Version> {
    if placement.effect != Effect::Found {
        records.store(&placement.key, body, at);
    }
    records.current(&placement.key).cloned()
}

/// Reads `Type/id` or `Type/id/_history/version`.
pub(super) fn read<'a>(records: &'a Records, path: &[&str]) -> Result<(Key, &'a Version), Refusal> {
    let not_found = || Refusal::new(404, "not-found", "No such resource.");
    match path {
        [resource_type, id] => {
            let key = Key::new(*resource_type, *id);
            let version = records.current(&key).ok_or_else(not_found)?;
            Ok((key, version))
        }
        [resource_type, id, "_history", number] => {
            let key = Key::new(*resource_type, *id);
            let number: usize = number.parse().map_err(|_| not_found())?;
            let version = records.version(&key, number).ok_or_else(not_found)?;
            Ok((key, version))
        }
        _ => Err(not_found()),
    }
}

/// What to do about search parameters that are not understood (`Prefer: handling=`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Handling {
    Lenient,
    Strict,
}

/// Searches a type and gives a searchset Bundle, with a link to the next page where there is one.
pub(super) fn search(
    records: &Records,
    resource_type: &str,
    query: &str,
    base: &str,
    handling: Handling,
) -> Result<Value, Refusal> {
    if !shape::keeps(resource_type) {
        return Err(Refusal::new(
            404,
            "not-supported",
            "This record system does not keep that resource type.",
        ));
    }
    let criteria = Criteria::parse(query)?;
    if handling == Handling::Strict && !criteria.unknown.is_empty() {
        return Err(Refusal::new(400, "not-supported", "A search parameter is not known here."));
    }
    let found = records.search(resource_type, &criteria, base);
    let page_size = criteria.count.unwrap_or(found.len());
    let page: Vec<Value> = found
        .iter()
        .skip(criteria.offset)
        .take(page_size)
        .map(|(key, version)| {
            json!({
                "fullUrl": format!("{base}/{}", key.reference()),
                "resource": version.body,
                "search": { "mode": "match" }
            })
        })
        .collect();
    let mut links = vec![json!({ "relation": "self", "url": address(base, resource_type, query) })];
    let next = criteria.offset.saturating_add(page_size);
    if next < found.len() && page_size > 0 {
        let rest: Vec<String> = query
            .split('&')
            .filter(|part| !part.starts_with("_offset="))
            .map(str::to_owned)
            .chain([format!("_offset={next}")])
            .collect();
        links.push(json!({ "relation": "next", "url": address(base, resource_type, &rest.join("&")) }));
    }
    let mut bundle =
        json!({ "resourceType": "Bundle", "type": "searchset", "total": found.len(), "link": links });
    if let (false, Some(members)) = (page.is_empty(), bundle.as_object_mut()) {
        members.insert("entry".to_owned(), Value::Array(page));
    }
    Ok(bundle)
}

fn address(base: &str, resource_type: &str, query: &str) -> String {
    if query.is_empty() {
        format!("{base}/{resource_type}")
    } else {
        format!("{base}/{resource_type}?{query}")
    }
}
