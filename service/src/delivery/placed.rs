//! What the record system made of an entry: where it put the resource, and in which version.

use serde_json::{Value, json};

/// Where a resource is in the record system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Placed {
    /// `Type/id` there.
    pub(super) reference: String,
    /// Its version there, where versions are kept.
    pub(super) version: Option<String>,
}

impl Placed {
    /// Reads a Location, and an ETag beside it.
    pub(super) fn of(location: &str, etag: Option<&str>) -> Option<Placed> {
        let (path, version) = match location.split_once("/_history/") {
            Some((path, version)) => (path, Some(version.to_owned())),
            None => (location, None),
        };
        let mut parts = path.rsplit('/');
        let (id, resource_type) = (parts.next()?, parts.next()?);
        let version = version.or_else(|| etag.and_then(version_of));
        (!id.is_empty() && !resource_type.is_empty())
            .then(|| Placed { reference: format!("{resource_type}/{id}"), version })
    }

    /// The type of the resource.
    pub(super) fn resource_type(&self) -> &str {
        self.reference.split('/').next().unwrap_or_default()
    }
}

fn version_of(etag: &str) -> Option<String> {
    let version = etag.trim().strip_prefix("W/").unwrap_or(etag).trim_matches('"');
    (!version.is_empty()).then(|| version.to_owned())
}

/// All entries in order, as they are stored.
pub(super) fn written(placed: &[Option<Placed>]) -> String {
    let items: Vec<Value> = placed
        .iter()
        .map(|placed| placed.as_ref().map_or(Value::Null, |placed| json!([placed.reference, placed.version])))
        .collect();
    Value::Array(items).to_string()
}

/// What [`written`] wrote.
pub(super) fn read(text: &str) -> Vec<Option<Placed>> {
    let items: Vec<Value> = serde_json::from_str(text).unwrap_or_default();
    items
        .iter()
        .map(|item| {
            let version = item.get(1).and_then(Value::as_str).map(str::to_owned);
            Some(Placed { reference: item.get(0)?.as_str()?.to_owned(), version })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_location_says_where_and_which_version() {
        let at = |reference: &str, version: Option<&str>| {
            Some(Placed { reference: reference.to_owned(), version: version.map(str::to_owned) })
        };
        let base = "https://records.harbourlane.example/fhir";
        assert_eq!(
            Placed::of(&format!("{base}/Observation/7/_history/3"), None),
            at("Observation/7", Some("3"))
        );
        assert_eq!(Placed::of("Observation/7", Some("W/\"2\"")), at("Observation/7", Some("2")));
        assert_eq!(Placed::of("Observation/7", None), at("Observation/7", None));
        assert_eq!(Placed::of("7", None), None);
        let all = [at("Observation/7", Some("3")), None, at("Provenance/8", None)];
        assert_eq!(read(&written(&all)), all);
    }
}
