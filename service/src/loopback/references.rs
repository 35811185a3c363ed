//! References of a transaction: what they mean, and what takes their place.

use std::collections::{HashMap, HashSet};

use serde_json::Value;

use super::criteria::{Criteria, each, text};
use super::records::{Key, Records};
use super::refusal::Refusal;
use super::shape;

/// Elements of the types uri, url, oid and uuid in which a transaction may name an entry by its fullUrl.
const URI_ELEMENTS: &[&str] =
    &["url", "valueUri", "valueUrl", "valueOid", "valueUuid", "policy", "instantiatesUri"];

/// Replaces the references of one entry.
pub(super) struct Resolver<'a> {
    /// From the fullUrl of an entry to where its resource is, or is going to be.
    pub(super) entries: &'a HashMap<String, Key>,
    /// Every resource that the transaction writes, with or without a fullUrl.
    pub(super) written: &'a HashSet<Key>,
    /// What was stored before the transaction: conditional references look here.
    pub(super) before: &'a Records,
    /// Whether conditional references are legal: only a transaction may hold them.
    pub(super) conditional: bool,
    /// The address of this record system.
    pub(super) base: &'a str,
}

impl Resolver<'_> {
    /// Replaces what names an entry of the transaction and refuses what names nothing.
    pub(super) fn resolve(&self, full_url: Option<&str>, resource: &mut Value) -> Result<(), Refusal> {
        let contained: Vec<String> = each(resource.get("contained"))
            .filter_map(|inner| text(inner, "id"))
            .map(str::to_owned)
            .collect();
        self.walk(full_url, &contained, resource)
    }

    fn walk(&self, full_url: Option<&str>, contained: &[String], value: &mut Value) -> Result<(), Refusal> {
        match value {
            Value::Array(items) => items.iter_mut().try_for_each(|item| self.walk(full_url, contained, item)),
            Value::Object(members) => {
                for (name, member) in members.iter_mut() {
                    match member {
                        Value::String(text) if name == "reference" => {
                            if let Some(target) = self.target(full_url, contained, text)? {
                                *text = target;
                            }
                        }
                        Value::String(text) if name == "div" => self.replace_links(text),
                        _ if URI_ELEMENTS.contains(&name.as_str()) => self.replace_uris(member),
                        _ => self.walk(full_url, contained, member)?,
                    }
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// What takes the place of a reference; none when it stays as it is.
    fn target(
        &self,
        full_url: Option<&str>,
        contained: &[String],
        reference: &str,
    ) -> Result<Option<String>, Refusal> {
        if let Some(id) = reference.strip_prefix('#') {
            return if id.is_empty() || contained.iter().any(|known| known == id) {
                Ok(None)
            } else {
                Err(Refusal::structure("A reference to a contained resource names none."))
            };
        }
        if let Some(key) = self.entries.get(reference) {
            return Ok(Some(key.reference()));
        }
        if reference.starts_with("urn:") {
            return Err(Refusal::new(400, "not-found", "A urn reference names no entry of the transaction."));
        }
        if reference.starts_with("http://") || reference.starts_with("https://") {
            let local = reference.strip_prefix(self.base).and_then(|rest| rest.strip_prefix('/'));
            return match local {
                None => Ok(None),
                Some(local) => self.existing(local).map(Some),
            };
        }
        if let Some((resource_type, query)) = reference.split_once('?') {
            return self.conditional(resource_type, query).map(Some);
        }
        // A relative reference is completed with the base of its own entry before it is looked for in the Bundle
        // (R4, Bundle: resolving references).
        if let Some(key) = full_url
            .and_then(rest_base)
            .and_then(|entry_base| self.entries.get(&format!("{entry_base}/{reference}")))
        {
            return Ok(Some(key.reference()));
        }
        self.existing(reference).map(Some)
    }

    fn conditional(&self, resource_type: &str, query: &str) -> Result<String, Refusal> {
        if !self.conditional {
            return Err(Refusal::structure("Only a transaction may hold a conditional reference."));
        }
        let criteria = Criteria::condition(query)?;
        let found = self.before.search(resource_type, &criteria, self.base);
        match found.as_slice() {
            [(key, _)] => Ok(key.reference()),
            [] => Err(Refusal::new(
                412,
                "not-found",
                format!("A conditional reference to {resource_type} matches nothing."),
            )),
            _ => Err(Refusal::several(&format!("a conditional reference to {resource_type}"))),
        }
    }

    /// A reference to a resource of this record system, which has to be there.
    fn existing(&self, reference: &str) -> Result<String, Refusal> {
        let mut parts = reference.split('/');
        let key = match (parts.next(), parts.next()) {
            (Some(resource_type), Some(id)) if shape::keeps(resource_type) && shape::is_id(id) => {
                Key::new(resource_type, id)
            }
            _ => return Err(Refusal::structure("A reference is neither Type/id nor a full address.")),
        };
        let history_legal = match (parts.next(), parts.next(), parts.next()) {
            (None, ..) => true,
            (Some("_history"), Some(version), None) => shape::is_id(version),
            _ => false,
        };
        if !history_legal {
            return Err(Refusal::structure("A reference is neither Type/id nor a full address."));
        }
        let known = self.before.current(&key).is_some() || self.written.contains(&key);
        if known {
            Ok(reference.to_owned())
        } else {
            Err(Refusal::new(
                422,
                "not-found",
                format!("A reference names a {} that is not here.", key.resource_type),
            ))
        }
    }

    fn replace_uris(&self, value: &mut Value) {
        match value {
            Value::String(text) => {
                if let Some(key) = self.entries.get(text.as_str()) {
                    *text = key.reference();
                }
            }
            Value::Array(items) => items.iter_mut().for_each(|item| self.replace_uris(item)),
            _ => {}
        }
    }

    fn replace_links(&self, div: &mut String) {
        for (full_url, key) in self.entries.iter().filter(|(full_url, _)| full_url.starts_with("urn:")) {
            if div.contains(full_url.as_str()) {
                *div = div.replace(full_url.as_str(), &key.reference());
            }
        }
    }
}

/// The base of an address that ends in a type and an id.
pub(super) fn rest_base(full_url: &str) -> Option<&str> {
    let (rest, id) = full_url.rsplit_once('/')?;
    let (base, resource_type) = rest.rsplit_once('/')?;
    let legal = full_url.starts_with("http") && shape::keeps(resource_type) && shape::is_id(id);
    legal.then_some(base)
}
