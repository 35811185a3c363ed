//! Which published definitions are loaded, in which version, from where.

use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::profile;
use crate::terminology;

/// A definition that documents are held against.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LoadedDefinition {
    /// `StructureDefinition`, `ValueSet`, `CodeSystem` or `ConceptMap`.
    pub kind: String,
    /// Its canonical address, without version.
    pub url: String,
    /// Its version, where it has one.
    pub version: Option<String>,
    /// SHA-256 of its file, in hexadecimal.
    pub sha256: String,
    /// Where it comes from.
    pub origin: Origin,
}

/// Where a definition comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// It ships with this library.
    Shipped,
    /// A file of the site, by the name it was handed over with.
    Site(String),
}

impl LoadedDefinition {
    pub(crate) fn of(resource: &Value, content: &str, origin: Origin) -> LoadedDefinition {
        let text = |name: &str| resource.get(name).and_then(Value::as_str).map(str::to_owned);
        let digest = Sha256::digest(content.as_bytes());
        LoadedDefinition {
            kind: text("resourceType").unwrap_or_default(),
            url: text("url").unwrap_or_default(),
            version: text("version"),
            sha256: digest.iter().map(|byte| format!("{byte:02x}")).collect(),
            origin,
        }
    }
}

/// The definitions that ship, by kind and address.
#[must_use]
pub fn shipped() -> Vec<LoadedDefinition> {
    let files = profile::shipped().iter().chain(terminology::shipped());
    let mut definitions: Vec<LoadedDefinition> = files
        .filter_map(|(_, content)| {
            let resource: Value = serde_json::from_str(content).ok()?;
            Some(LoadedDefinition::of(&resource, content, Origin::Shipped))
        })
        .collect();
    definitions.sort_by(|a, b| (&a.kind, &a.url).cmp(&(&b.kind, &b.url)));
    definitions
}
