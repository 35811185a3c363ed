//! [`Records`]: the stored resources with their versions.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Map, Value, json};

use super::criteria::{Criteria, each, text};

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

/// What is stored. Cloned before a transaction, so that a refused one leaves no trace; the versions are shared until one
/// is added.
#[derive(Debug, Clone, Default)]
pub(super) struct Records {
    resources: BTreeMap<Key, Arc<Vec<Version>>>,
    last_id: u64,
}

impl Records {
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
        let versions = Arc::make_mut(self.resources.entry(key.clone()).or_default());
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
        let mut found: Vec<_> =
            self.of_type(resource_type).filter(|(_, version)| criteria.fit(&version.body, base)).collect();
        found.sort_by_key(|(key, _)| (key.id.parse::<u64>().unwrap_or(u64::MAX), key.id.as_str()));
        found
    }

    /// The current version of every resource, by type and id.
    pub(super) fn all(&self) -> impl Iterator<Item = (&Key, &Version)> {
        self.resources.iter().filter_map(|(key, versions)| Some((key, versions.last()?)))
    }

    /// The current version of every resource of a type, by id.
    fn of_type(&self, resource_type: &str) -> impl Iterator<Item = (&Key, &Version)> {
        self.resources
            .range(Key::new(resource_type, "")..)
            .take_while(move |(key, _)| key.resource_type == resource_type)
            .filter_map(|(key, versions)| Some((key, versions.last()?)))
    }

    /// How many resources of a type carry an identifier.
    pub(super) fn count_by_identifier(&self, resource_type: &str, system: &str, value: &str) -> usize {
        self.of_type(resource_type)
            .filter(|(_, version)| {
                each(version.body.get("identifier")).any(|identifier| {
                    text(identifier, "system") == Some(system) && text(identifier, "value") == Some(value)
                })
            })
            .count()
    }
}

/// An instant as FHIR writes it, to the millisecond.
pub(super) fn instant(at: Timestamp) -> String {
    format!("{at:.3}")
}
