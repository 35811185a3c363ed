//! [`Records`]: the stored resources with their versions.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use jiff::Timestamp;
use serde_json::{Map, Value, json};

use super::criteria::{Criteria, each, names, text};

/// Type and id of a resource. Orders by type, then id.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Key {
    pub(super) resource_type: String,
    pub(super) id: String,
}

impl Key {
    pub(super) fn new(resource_type: impl Into<String>, id: impl Into<String>) -> Key {
        Key { resource_type: resource_type.into(), id: id.into() }
    }

    /// The relative reference, `Type/id`.
    pub(super) fn reference(&self) -> String {
        format!("{}/{}", self.resource_type, self.id)
    }
}

/// One version of a resource.
#[derive(Debug, Clone)]
pub(super) struct Version {
    /// Counts from 1.
    pub(super) number: usize,
    /// When it was stored.
    pub(super) at: Timestamp,
    /// The resource with `id` and `meta` of this record system.
    pub(super) body: Value,
}

impl Version {
    pub(super) fn etag(&self) -> String {
        format!("W/\"{}\"", self.number)
    }
}

/// What is stored.
#[derive(Debug, Default)]
pub(super) struct Records {
    resources: BTreeMap<Key, Vec<Version>>,
    /// Which resources carry a name now or did before: with many resources, a look at each would be too slow.
    by_name: HashMap<String, BTreeSet<Key>>,
    /// What the change in progress has stored, one key for each version.
    stored: Vec<Key>,
    last_id: u64,
}

impl Records {
    /// Makes a change as a whole: of one that is refused nothing stays but the ids that it used up.
    pub(super) fn change<T, E>(&mut self, change: impl FnOnce(&mut Records) -> Result<T, E>) -> Result<T, E> {
        self.stored.clear();
        let result = change(self);
        if result.is_err() {
            for key in std::mem::take(&mut self.stored) {
                if let Some(versions) = self.resources.get_mut(&key) {
                    versions.pop();
                    if versions.is_empty() {
                        self.resources.remove(&key);
                    }
                }
            }
        }
        result
    }

    /// A key for a new resource. Ids are counted, so they are never the ids of the sender.
    pub(super) fn new_key(&mut self, resource_type: &str) -> Key {
        loop {
            self.last_id += 1;
            let key = Key::new(resource_type, self.last_id.to_string());
            if !self.resources.contains_key(&key) {
                return key;
            }
        }
    }

    /// Stores the next version of a resource and gives its number.
    pub(super) fn store(&mut self, key: &Key, mut body: Value, at: Timestamp) -> usize {
        for name in names(&body) {
            match self.by_name.get_mut(name) {
                Some(keys) => drop(keys.insert(key.clone())),
                None => drop(self.by_name.insert(name.to_owned(), BTreeSet::from([key.clone()]))),
            }
        }
        self.stored.push(key.clone());
        let versions = self.resources.entry(key.clone()).or_default();
        let number = versions.len() + 1;
        if let Some(members) = body.as_object_mut() {
            members.insert("id".to_owned(), json!(key.id));
            let meta = members.entry("meta").or_insert_with(|| Value::Object(Map::new()));
            if let Some(meta) = meta.as_object_mut() {
                meta.insert("versionId".to_owned(), json!(number.to_string()));
                meta.insert("lastUpdated".to_owned(), json!(instant(at)));
            }
        }
        versions.push(Version { number, at, body });
        number
    }

    pub(super) fn current(&self, key: &Key) -> Option<&Version> {
        self.resources.get(key).and_then(|versions| versions.last())
    }

    pub(super) fn version(&self, key: &Key, number: usize) -> Option<&Version> {
        self.resources.get(key)?.iter().find(|version| version.number == number)
    }

    /// Forgets a resource and its history, as a record system restored from an older backup does.
    pub(super) fn forget(&mut self, key: &Key) -> bool {
        self.resources.remove(key).is_some()
    }

    /// The resources of a type that fit, with their keys, in the order they were made.
    pub(super) fn search(
        &self,
        resource_type: &str,
        criteria: &Criteria,
        base: &str,
    ) -> Vec<(&Key, &Version)> {
        let fits = |(_, version): &(&Key, &Version)| criteria.fit(&version.body, base);
        let mut found: Vec<_> = match criteria.wanted_names() {
            None => self.of_type(resource_type).filter(fits).collect(),
            Some(names) => self.named(resource_type, &names).filter(fits).collect(),
        };
        found.sort_by_key(|(key, _)| (key.id.parse::<u64>().unwrap_or(u64::MAX), key.id.as_str()));
        found
    }

    /// The current version of every resource, by type and id.
    pub(super) fn all(&self) -> impl Iterator<Item = (&Key, &Version)> {
        self.resources.iter().filter_map(current)
    }

    /// The current version of every resource of a type, by id.
    fn of_type(&self, resource_type: &str) -> impl Iterator<Item = (&Key, &Version)> {
        self.resources
            .range(Key::new(resource_type, "")..)
            .take_while(move |(key, _)| key.resource_type == resource_type)
            .filter_map(current)
    }

    /// The current version of every resource of a type that carries one of the names or did before.
    fn named(&self, resource_type: &str, names: &[&str]) -> impl Iterator<Item = (&Key, &Version)> {
        let keys: BTreeSet<&Key> = names
            .iter()
            .filter_map(|name| self.by_name.get(*name))
            .flatten()
            .filter(|key| key.resource_type == resource_type)
            .collect();
        keys.into_iter().filter_map(|key| self.resources.get_key_value(key)).filter_map(current)
    }

    /// How many resources of a type carry an identifier.
    pub(super) fn count_by_identifier(&self, resource_type: &str, system: &str, value: &str) -> usize {
        self.named(resource_type, &[value])
            .filter(|(_, version)| {
                each(version.body.get("identifier")).any(|identifier| {
                    text(identifier, "system") == Some(system) && text(identifier, "value") == Some(value)
                })
            })
            .count()
    }
}

fn current<'a>((key, versions): (&'a Key, &'a Vec<Version>)) -> Option<(&'a Key, &'a Version)> {
    Some((key, versions.last()?))
}

/// An instant as FHIR writes it, to the millisecond.
pub(super) fn instant(at: Timestamp) -> String {
    format!("{at:.3}")
}
