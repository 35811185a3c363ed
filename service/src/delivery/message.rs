//! A stored transaction taken apart: which resource each entry carries, and by what it is found again.

use std::collections::{HashMap, HashSet};

use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use super::placed::Placed;
use crate::intake::hex;

/// By what the record system finds a resource again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Key {
    /// The search parameter: `identifier`, or `_tag` where R4 gives no identifier.
    pub(super) parameter: String,
    /// Its value as it stands in a query.
    pub(super) token: String,
    system: String,
    value: String,
}

impl Key {
    /// Reads `parameter=system|value`, escaped as in a query.
    fn of(criterion: &str) -> Option<Key> {
        let (parameter, token) = criterion.split_once('=')?;
        let (_, plain) = url::form_urlencoded::parse(criterion.as_bytes()).next()?;
        let (mut parts, mut escaped) = (vec![String::new()], false);
        for character in plain.chars() {
            match character {
                '\\' if !escaped => escaped = true,
                '|' if !escaped => parts.push(String::new()),
                _ => {
                    escaped = false;
                    if let Some(part) = parts.last_mut() {
                        part.push(character);
                    }
                }
            }
        }
        let [system, value] = <[String; 2]>::try_from(parts).ok()?;
        Some(Key { parameter: parameter.to_owned(), token: token.to_owned(), system, value })
    }

    /// Whether a resource carries this key.
    pub(super) fn names(&self, resource: &Value) -> bool {
        let (list, value) = match self.parameter.as_str() {
            "_tag" => (resource.pointer("/meta/tag"), "code"),
            _ => (resource.get("identifier"), "value"),
        };
        list.and_then(Value::as_array).into_iter().flatten().any(|item| {
            item.get("system").and_then(Value::as_str) == Some(&self.system)
                && item.get(value).and_then(Value::as_str) == Some(&self.value)
        })
    }
}

/// One entry.
#[derive(Debug, Clone)]
pub(super) struct Part {
    /// What other entries call its resource.
    pub(super) full_url: String,
    /// The type of its resource.
    pub(super) resource_type: String,
    /// Whether it replaces what is there, rather than only making what is not.
    pub(super) update: bool,
    /// By what it is found again.
    pub(super) key: Key,
}

impl Part {
    /// Tells the part from others without saying what it is: a digest of its type and its key.
    fn digest(&self) -> String {
        hex(&Sha256::digest(format!("{} {}", self.resource_type, self.key.token)))
    }
}

/// What is kept of a payload that is purged: by it a later version of the exam finds its resources among those that this
/// one placed in the record system. Nothing when it is not one of ours.
#[must_use]
pub fn outline(payload: &str) -> Option<String> {
    Message::read(payload).map(|message| json!(message.digests()).to_string())
}

/// The digests of an outline, in the order of the entries.
pub(super) fn read_outline(outline: &str) -> Option<Vec<String>> {
    serde_json::from_str(outline).ok()
}

/// Several things to send, in order; each holds numbers of entries.
pub(super) type Steps = Vec<Vec<usize>>;

/// A stored transaction.
#[derive(Debug, Clone)]
pub(super) struct Message {
    bundle: Value,
    pub(super) parts: Vec<Part>,
}

impl Message {
    /// Reads what intake stored; nothing when it is not that.
    pub(super) fn read(payload: &str) -> Option<Message> {
        let bundle: Value = serde_json::from_str(payload).ok()?;
        let entries = bundle.get("entry")?.as_array()?;
        let parts: Option<Vec<Part>> = entries.iter().map(part).collect();
        Some(Message { parts: parts?, bundle })
    }

    /// What tells each part from the others, in order.
    pub(super) fn digests(&self) -> Vec<String> {
        self.parts.iter().map(Part::digest).collect()
    }

    fn entry(&self, number: usize) -> &Value {
        self.bundle.pointer("/entry").and_then(|entries| entries.get(number)).unwrap_or(&Value::Null)
    }

    /// The resource of an entry.
    pub(super) fn resource(&self, number: usize) -> &Value {
        self.entry(number).get("resource").unwrap_or(&Value::Null)
    }

    /// Whether any entry replaces what is there.
    pub(super) fn updates(&self) -> bool {
        self.parts.iter().any(|part| part.update)
    }

    /// What entries refer to each other, by number: those that each entry names.
    fn references(&self) -> Vec<HashSet<usize>> {
        let numbers: HashMap<&str, usize> =
            self.parts.iter().enumerate().map(|(number, part)| (part.full_url.as_str(), number)).collect();
        (0..self.parts.len())
            .map(|number| {
                let mut named = HashSet::new();
                collect(self.resource(number), &numbers, &mut named);
                named.remove(&number);
                named
            })
            .collect()
    }

    /// One entry after the other, each behind all that it refers to; nothing when they refer to each other in a ring.
    pub(super) fn one_by_one(&self) -> Option<Steps> {
        let references = self.references();
        let (mut order, mut done): (Steps, HashSet<usize>) = (Vec::new(), HashSet::new());
        while order.len() < references.len() {
            let next = (0..references.len()).find(|number| {
                !done.contains(number) && references.get(*number).is_some_and(|named| named.is_subset(&done))
            })?;
            done.insert(next);
            order.push(vec![next]);
        }
        Some(order)
    }

    /// Several transactions of at most `largest` entries: first results that refer to none of the others, then in one
    /// piece everything that refers to them, so that no panel, assessment or request is there before what it is about.
    /// Nothing when that last piece is too large.
    pub(super) fn split(&self, largest: usize) -> Option<Steps> {
        let references = self.references();
        let (leaves, last): (Vec<usize>, Vec<usize>) =
            (0..references.len()).partition(|number| references.get(*number).is_some_and(HashSet::is_empty));
        if last.len() > largest || largest == 0 {
            return None;
        }
        let mut steps: Steps = leaves.chunks(largest).map(<[usize]>::to_vec).collect();
        if !last.is_empty() {
            steps.push(last);
        }
        Some(steps)
    }

    /// A transaction of some entries. References to entries that are there already become plain references; `expected`
    /// says for each entry which version it replaces.
    pub(super) fn bundle_of(
        &self,
        numbers: &[usize],
        there: &[Option<Placed>],
        expected: &[Option<String>],
    ) -> Value {
        let addresses = self.addresses(there, numbers);
        let entries: Vec<Value> = numbers
            .iter()
            .map(|number| {
                let mut entry = self.entry(*number).clone();
                if let Some(resource) = entry.get_mut("resource") {
                    readdress(resource, &addresses);
                }
                let version = expected.get(*number).and_then(Option::as_ref);
                if let (Some(version), Some(Value::Object(request))) = (version, entry.get_mut("request")) {
                    request.insert("ifMatch".to_owned(), json!(etag(version)));
                }
                entry
            })
            .collect();
        json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
    }

    /// The resource of an entry as it stands alone: every reference leads to what is there. `persons` are the places
    /// of the persons that are named by a condition.
    pub(super) fn alone(
        &self,
        number: usize,
        there: &[Option<Placed>],
        persons: Option<&HashMap<String, String>>,
    ) -> Value {
        let mut addresses = self.addresses(there, &[number]);
        let persons = persons.into_iter().flatten();
        addresses
            .extend(persons.map(|(token, place)| (format!("Patient?identifier={token}"), place.clone())));
        let mut resource = self.resource(number).clone();
        readdress(&mut resource, &addresses);
        resource
    }

    /// Where the resources of the entries are, but for some, by what other entries call them.
    pub(super) fn addresses(&self, there: &[Option<Placed>], without: &[usize]) -> HashMap<String, String> {
        let parts = self.parts.iter().zip(there).enumerate();
        parts
            .filter(|(number, _)| !without.contains(number))
            .filter_map(|(_, (part, placed))| {
                Some((part.full_url.clone(), placed.as_ref()?.reference.clone()))
            })
            .collect()
    }

    /// The conditions by which persons are named, as values of `identifier`.
    pub(super) fn persons(&self) -> HashSet<String> {
        (0..self.parts.len())
            .filter_map(|number| person_token(self.resource(number)))
            .map(str::to_owned)
            .collect()
    }
}

/// The value of `identifier` that names the subject of a resource, when a condition does.
pub(super) fn person_token(resource: &Value) -> Option<&str> {
    resource.pointer("/subject/reference")?.as_str()?.strip_prefix("Patient?identifier=")
}

/// A version as `If-Match` names it.
pub(super) fn etag(version: &str) -> String {
    format!("W/\"{version}\"")
}

fn part(entry: &Value) -> Option<Part> {
    let text = |pointer: &str| entry.pointer(pointer).and_then(Value::as_str);
    let (update, criterion) = match text("/request/ifNoneExist") {
        Some(criterion) => (false, criterion),
        None => (true, text("/request/url")?.split_once('?')?.1),
    };
    Some(Part {
        full_url: text("/fullUrl")?.to_owned(),
        resource_type: text("/resource/resourceType")?.to_owned(),
        update,
        key: Key::of(criterion)?,
    })
}

fn collect(value: &Value, numbers: &HashMap<&str, usize>, named: &mut HashSet<usize>) {
    match value {
        Value::String(text) => named.extend(numbers.get(text.as_str())),
        Value::Array(items) => items.iter().for_each(|item| collect(item, numbers, named)),
        Value::Object(object) => object.values().for_each(|inner| collect(inner, numbers, named)),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

fn readdress(value: &mut Value, addresses: &HashMap<String, String>) {
    match value {
        Value::String(text) => {
            if let Some(address) = addresses.get(text.as_str()) {
                text.clone_from(address);
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| readdress(item, addresses)),
        Value::Object(object) => object.values_mut().for_each(|inner| readdress(inner, addresses)),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(name: &str, refers_to: &[&str]) -> Value {
        let members: Vec<Value> =
            refers_to.iter().map(|name| json!({ "reference": format!("urn:uuid:{name}") })).collect();
        json!({ "fullUrl": format!("urn:uuid:{name}"),
                "resource": { "resourceType": "Observation", "hasMember": members },
                "request": { "method": "POST", "url": "Observation", "ifNoneExist": format!("identifier=s|{name}") } })
    }

    fn message(entries: Vec<Value>) -> Message {
        Message::read(&json!({ "entry": entries }).to_string()).unwrap()
    }

    #[test]
    fn a_key_is_read_back_as_it_was_escaped() {
        let key = Key::of("identifier=https://harbourlane.example/exams|a%20b%5C%7Cc%5C%2C").unwrap();
        let named =
            json!({ "identifier": [{ "system": "https://harbourlane.example/exams", "value": "a b|c," }] });
        assert!(key.names(&named));
        assert!(!key.names(
            &json!({ "identifier": [{ "system": "https://harbourlane.example/exams", "value": "a" }] })
        ));
        let tag = Key::of("_tag=s|c").unwrap();
        assert!(tag.names(&json!({ "meta": { "tag": [{ "system": "s", "code": "c" }] } })));
    }

    #[test]
    fn what_is_referred_to_goes_first() {
        let message =
            message(vec![entry("panel", &["left", "right"]), entry("left", &[]), entry("right", &[])]);
        assert_eq!(message.one_by_one().unwrap(), [[1], [2], [0]]);
        assert_eq!(message.split(1).unwrap(), [[1], [2], [0]]);
        assert_eq!(message.split(2).unwrap(), [vec![1, 2], vec![0]]);
    }

    #[test]
    fn what_cannot_be_taken_apart_is_not() {
        let ring = message(vec![entry("a", &["b"]), entry("b", &["a"])]);
        assert_eq!(ring.one_by_one(), None);
        assert_eq!(ring.split(1), None);
        assert_eq!(ring.split(2).unwrap(), [[0, 1]]);
    }
}
