//! The resources of a document and the references between them (R4, resolving references in Bundles).

use std::collections::HashMap;

use serde_json::Value;

use crate::json::{get, text};

/// One resource of a document.
#[derive(Debug, Clone)]
pub(crate) struct EntryResource<'d> {
    /// Number of the Bundle entry; none for a resource that stands alone.
    pub(crate) entry: Option<usize>,
    /// JSON pointer to the resource.
    pub(crate) pointer: String,
    pub(crate) full_url: Option<&'d str>,
    pub(crate) method: Option<&'d str>,
    pub(crate) request_url: Option<&'d str>,
    pub(crate) resource: &'d Value,
}

impl EntryResource<'_> {
    pub(crate) fn resource_type(&self) -> &str {
        self.resource.get("resourceType").and_then(Value::as_str).unwrap_or_default()
    }
}

/// All resources of a document: the entries of a Bundle, or the one resource that it is.
#[derive(Debug)]
pub(crate) struct Entries<'d> {
    pub(crate) list: Vec<EntryResource<'d>>,
    /// The number in `list` of the first entry with a fullUrl.
    by_url: HashMap<&'d str, usize>,
}

impl<'d> Entries<'d> {
    pub(crate) fn of(document: &'d Value) -> Entries<'d> {
        let is_bundle = document.get("resourceType").and_then(Value::as_str) == Some("Bundle");
        if !is_bundle {
            let alone = EntryResource {
                entry: None,
                pointer: String::new(),
                full_url: None,
                method: None,
                request_url: None,
                resource: document,
            };
            return Entries { list: vec![alone], by_url: HashMap::new() };
        }
        let entries = document.get("entry").and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default();
        let list: Vec<EntryResource<'d>> = entries
            .iter()
            .enumerate()
            .filter_map(|(number, entry)| {
                let request = |name| text(get(entry, "request")?, name);
                Some(EntryResource {
                    entry: Some(number),
                    pointer: format!("/entry/{number}/resource"),
                    full_url: text(entry, "fullUrl"),
                    method: request("method"),
                    request_url: request("url"),
                    resource: get(entry, "resource").filter(|resource| resource.is_object())?,
                })
            })
            .collect();
        let mut by_url = HashMap::with_capacity(list.len());
        for (number, entry) in list.iter().enumerate() {
            if let Some(url) = entry.full_url {
                by_url.entry(url).or_insert(number);
            }
        }
        Entries { list, by_url }
    }

    /// The entry that a literal reference of `from` means, if it is in the document.
    ///
    /// An absolute URL or URN matches the same fullUrl. A relative reference is completed with the base of the fullUrl
    /// of the entry that holds it; from an entry with a URN it means the server.
    pub(crate) fn resolve(&self, from: &EntryResource<'_>, reference: &str) -> Option<&EntryResource<'d>> {
        self.list.get(self.number_of(from, reference)?)
    }

    /// The number of that entry in the list.
    pub(crate) fn number_of(&self, from: &EntryResource<'_>, reference: &str) -> Option<usize> {
        let reference = reference.split("/_history/").next().unwrap_or(reference);
        if reference.contains(':') {
            return self.by_url.get(reference).copied();
        }
        let absolute = {
            let own = from.full_url.filter(|url| url.starts_with("http"))?;
            let (base, _) = own.rsplit_once('/')?;
            let (base, _) = base.rsplit_once('/')?;
            format!("{base}/{reference}")
        };
        self.by_url.get(absolute.as_str()).copied()
    }
}

/// `system|value` of an Identifier that has both.
pub(crate) fn identifier_key(identifier: &Value) -> Option<String> {
    let system = identifier.get("system").and_then(Value::as_str)?;
    let value = identifier.get("value").and_then(Value::as_str)?;
    Some(format!("{system}|{value}"))
}

/// What names the target of a Reference: its literal reference, else its identifier.
pub(crate) fn reference_key(reference: &Value) -> Option<String> {
    reference
        .get("reference")
        .and_then(Value::as_str)
        .map(ToOwned::to_owned)
        .or_else(|| reference.get("identifier").and_then(identifier_key))
}

/// Whether two References surely or possibly mean the same: they agree in the literal reference or in the identifier.
pub(crate) fn same_target(a: &Value, b: &Value) -> bool {
    if let (Some(a), Some(b)) = (text(a, "reference"), text(b, "reference")) {
        return a == b;
    }
    let logical = |reference| {
        let identifier = get(reference, "identifier")?;
        Some((text(identifier, "system")?, text(identifier, "value")?))
    };
    matches!((logical(a), logical(b)), (Some(a), Some(b)) if a == b)
}
