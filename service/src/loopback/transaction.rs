//! A transaction: everything it asks for is done, or nothing is.

use std::collections::{HashMap, HashSet};

use jiff::Timestamp;
use serde_json::{Value, json};

use super::criteria::text;
use super::interactions::{self, Handling, Placement};
use super::records::{Key, Records, instant};
use super::references::{Resolver, rest_base};
use super::refusal::Refusal;
use super::shape;

/// One entry as it was sent.
struct Entry<'a> {
    number: usize,
    full_url: Option<&'a str>,
    action: Action<'a>,
}

enum Action<'a> {
    Create {
        resource_type: &'a str,
        condition: Option<&'a str>,
        body: &'a Value,
    },
    Update {
        key: Key,
        if_match: Option<&'a str>,
        body: &'a Value,
    },
    ConditionalUpdate {
        resource_type: &'a str,
        condition: &'a str,
        if_match: Option<&'a str>,
        body: &'a Value,
    },
    Read {
        url: &'a str,
    },
}

/// Carries out a transaction Bundle and gives the answer. Refused, it may have stored a part: see [`Records::change`].
pub(super) fn carry_out(
    records: &mut Records,
    bundle: &Value,
    most_entries: Option<usize>,
    base: &str,
    at: Timestamp,
) -> Result<Value, Refusal> {
    let entries = read_entries(bundle, base)?;
    if most_entries.is_some_and(|most| entries.len() > most) {
        return Err(Refusal::new(413, "too-costly", "A transaction has too many entries."));
    }
    let placements = place(&entries, records, base)?;

    let mut by_full_url = HashMap::new();
    for (entry, placement) in entries.iter().zip(&placements) {
        if let (Some(full_url), Some(placement)) = (entry.full_url, placement) {
            by_full_url.insert(full_url.to_owned(), placement.key.clone());
        }
    }
    let written: HashSet<Key> = placements.iter().flatten().map(|placement| placement.key.clone()).collect();
    let resolver =
        Resolver { entries: &by_full_url, written: &written, before: records, conditional: true, base };
    let mut resolved = Vec::with_capacity(entries.len());
    for (entry, placement) in entries.iter().zip(&placements) {
        let (Some(body), Some(placement)) = (entry.body(), placement) else { continue };
        let mut body = body.clone();
        resolver.resolve(entry.full_url, &mut body).map_err(|refusal| refusal.in_entry(entry.number))?;
        resolved.push((placement, body));
    }
    for (placement, body) in resolved {
        interactions::store(records, placement, body, at);
    }

    let mut answers = Vec::with_capacity(entries.len());
    for (entry, placement) in entries.iter().zip(&placements) {
        let answer = match placement {
            Some(placement) => written_answer(records, placement),
            None => read_answer(records, entry, base).map_err(|refusal| refusal.in_entry(entry.number))?,
        };
        answers.push(answer);
    }
    let mut response = json!({ "resourceType": "Bundle", "type": "transaction-response" });
    if let (false, Some(members)) = (answers.is_empty(), response.as_object_mut()) {
        members.insert("entry".to_owned(), Value::Array(answers));
    }
    Ok(response)
}

/// Holds the references of a resource that came alone against what is stored.
pub(super) fn resolve_alone(
    records: &Records,
    placement: &Placement,
    body: &mut Value,
    base: &str,
) -> Result<(), Refusal> {
    let written = HashSet::from([placement.key.clone()]);
    let entries = HashMap::new();
    Resolver { entries: &entries, written: &written, before: records, conditional: false, base }
        .resolve(None, body)
}

impl<'a> Entry<'a> {
    fn body(&self) -> Option<&'a Value> {
        match &self.action {
            Action::Create { body, .. }
            | Action::Update { body, .. }
            | Action::ConditionalUpdate { body, .. } => Some(body),
            Action::Read { .. } => None,
        }
    }
}

fn read_entries<'a>(bundle: &'a Value, base: &str) -> Result<Vec<Entry<'a>>, Refusal> {
    if text(bundle, "resourceType") != Some("Bundle") {
        return Err(Refusal::structure("Only a Bundle can be posted here."));
    }
    if text(bundle, "type") != Some("transaction") {
        return Err(Refusal::new(
            400,
            "not-supported",
            "Only a Bundle of type transaction can be posted here.",
        ));
    }
    let listed = match bundle.get("entry") {
        None => return Ok(Vec::new()),
        Some(Value::Array(listed)) if !listed.is_empty() => listed,
        Some(_) => {
            return Err(Refusal::structure("Bundle.entry is an array with at least one entry, or left out."));
        }
    };
    let mut seen = HashSet::new();
    let mut entries = Vec::with_capacity(listed.len());
    for (number, raw) in listed.iter().enumerate() {
        let entry = read_entry(number, raw, base).map_err(|refusal| refusal.in_entry(number))?;
        if entry.full_url.is_some_and(|full_url| !seen.insert(full_url)) {
            return Err(Refusal::new(400, "duplicate", "Two entries have the same fullUrl.").in_entry(number));
        }
        entries.push(entry);
    }
    Ok(entries)
}

fn read_entry<'a>(number: usize, raw: &'a Value, base: &str) -> Result<Entry<'a>, Refusal> {
    let request = raw
        .get("request")
        .ok_or_else(|| Refusal::new(400, "required", "An entry of a transaction has a request."))?;
    let (Some(method), Some(url)) = (text(request, "method"), text(request, "url")) else {
        return Err(Refusal::new(
            400,
            "required",
            "An entry of a transaction has request.method and request.url.",
        ));
    };
    let url = url.strip_prefix(base).and_then(|rest| rest.strip_prefix('/')).unwrap_or(url);
    let body = raw.get("resource");
    let full_url = match raw.get("fullUrl") {
        None => None,
        Some(Value::String(full_url)) => Some(full_url.as_str()),
        Some(_) => return Err(Refusal::structure("Bundle.entry.fullUrl is a text.")),
    };
    let action = match (method, body) {
        ("POST", Some(body)) => Action::Create {
            resource_type: of_type(body, url)?,
            condition: text(request, "ifNoneExist"),
            body,
        },
        ("PUT", Some(body)) => put(url, request, body)?,
        ("GET", None) => Action::Read { url },
        ("POST" | "PUT", None) => {
            return Err(Refusal::new(400, "required", "An entry that writes carries a resource."));
        }
        ("GET", Some(_)) => return Err(Refusal::structure("An entry that reads carries no resource.")),
        _ => return Err(Refusal::new(400, "not-supported", "A request is a POST, a PUT or a GET here.")),
    };
    if let Some(full_url) = full_url {
        check_full_url(full_url, body)?;
    }
    Ok(Entry { number, full_url, action })
}

fn put<'a>(url: &'a str, request: &'a Value, body: &'a Value) -> Result<Action<'a>, Refusal> {
    if let Some((resource_type, condition)) = url.split_once('?') {
        of_type(body, resource_type)?;
        let if_match = text(request, "ifMatch");
        return Ok(Action::ConditionalUpdate { resource_type, condition, if_match, body });
    }
    let Some((resource_type, id)) = url.split_once('/').filter(|(_, id)| shape::is_id(id)) else {
        return Err(Refusal::structure("A PUT names Type/id or Type?condition."));
    };
    of_type(body, resource_type)?;
    Ok(Action::Update { key: Key::new(resource_type, id), if_match: text(request, "ifMatch"), body })
}

/// Checks a resource and that it is of the type that its request names.
fn of_type<'a>(body: &'a Value, named: &str) -> Result<&'a str, Refusal> {
    let resource_type = shape::check(body)?;
    if resource_type == named {
        Ok(resource_type)
    } else {
        Err(Refusal::new(400, "invalid", "request.url names another type than the resource has."))
    }
}

/// R4, Bundle: a fullUrl is absolute, not version-specific (bdl-8), and agrees with the resource it stands beside.
fn check_full_url(full_url: &str, body: Option<&Value>) -> Result<(), Refusal> {
    if let Some(name) = full_url.strip_prefix("urn:uuid:") {
        return match uuid::Uuid::try_parse(name) {
            Ok(_) if name.len() == 36 => Ok(()),
            _ => Err(Refusal::new(400, "value", "A fullUrl begins with urn:uuid: and holds no UUID.")),
        };
    }
    if full_url.starts_with("urn:oid:") {
        return Ok(());
    }
    if full_url.contains("/_history/") || !full_url.starts_with("http") {
        return Err(Refusal::new(400, "invariant", "A fullUrl is absolute and names no version (bdl-8)."));
    }
    let (Some(body), Some(base)) = (body, rest_base(full_url)) else { return Ok(()) };
    let named = full_url.strip_prefix(base).unwrap_or(full_url).trim_start_matches('/');
    let (resource_type, id) = named.split_once('/').unwrap_or((named, ""));
    if text(body, "resourceType") != Some(resource_type) || text(body, "id").is_some_and(|own| own != id) {
        return Err(Refusal::new(
            400,
            "invalid",
            "A fullUrl names another type or id than its resource has.",
        ));
    }
    Ok(())
}

/// Decides where every written resource goes. Conditions look at what was stored before the transaction: the order of
/// entries has no meaning.
fn place(
    entries: &[Entry<'_>],
    records: &mut Records,
    base: &str,
) -> Result<Vec<Option<Placement>>, Refusal> {
    let mut taken = HashSet::new();
    let mut conditions = HashSet::new();
    let mut placements = Vec::with_capacity(entries.len());
    for entry in entries {
        let placed = match &entry.action {
            Action::Create { resource_type, condition, .. } => {
                if condition.is_some_and(|condition| !conditions.insert((*resource_type, condition))) {
                    return Err(same_twice(entry.number));
                }
                interactions::place_create(records, resource_type, *condition, base)
            }
            Action::Update { key, if_match, body } => {
                interactions::place_update(records, key.clone(), body, *if_match)
            }
            Action::ConditionalUpdate { resource_type, condition, if_match, body } => {
                if !conditions.insert((*resource_type, *condition)) {
                    return Err(same_twice(entry.number));
                }
                interactions::place_conditional_update(
                    records,
                    resource_type,
                    condition,
                    *if_match,
                    body,
                    base,
                )
            }
            Action::Read { .. } => {
                placements.push(None);
                continue;
            }
        };
        let placement = placed.map_err(|refusal| refusal.in_entry(entry.number))?;
        if !taken.insert(placement.key.clone()) {
            return Err(same_twice(entry.number));
        }
        placements.push(Some(placement));
    }
    Ok(placements)
}

fn same_twice(entry: usize) -> Refusal {
    Refusal::new(400, "duplicate", "A transaction may touch the same resource once only.").in_entry(entry)
}

fn written_answer(after: &Records, placement: &Placement) -> Value {
    let status = match placement.effect.status() {
        201 => "201 Created",
        _ => "200 OK",
    };
    match after.current(&placement.key) {
        Some(version) => json!({ "response": {
            "status": status,
            "location": format!("{}/_history/{}", placement.key.reference(), version.number),
            "etag": version.etag(),
            "lastModified": instant(version.at)
        } }),
        None => json!({ "response": { "status": status } }),
    }
}

fn read_answer(after: &Records, entry: &Entry<'_>, base: &str) -> Result<Value, Refusal> {
    let Action::Read { url } = &entry.action else {
        return Err(Refusal::structure("An entry neither reads nor writes."));
    };
    let (path, query) = url.split_once('?').unwrap_or((*url, ""));
    let parts: Vec<&str> = path.split('/').collect();
    if let [resource_type] = parts.as_slice() {
        let found = interactions::search(after, resource_type, query, base, Handling::Lenient)?;
        return Ok(json!({ "resource": found, "response": { "status": "200 OK" } }));
    }
    let (_, version) = interactions::read(after, &parts)?;
    Ok(json!({
        "resource": version.body,
        "response": { "status": "200 OK", "etag": version.etag(), "lastModified": instant(version.at) }
    }))
}
