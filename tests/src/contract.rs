//! `openapi.yaml` as tests hold answers against it: the operation, its status, its headers and its body.

use std::collections::HashMap;
use std::sync::{LazyLock, Mutex};

use jsonschema::Validator;
use serde_json::{Value, json};

use crate::client::Answer;

/// Headers that mean something to a caller: where one is sent, the contract names it.
const NAMED: [&str; 10] = [
    "allow",
    "content-security-policy",
    "etag",
    "last-modified",
    "link",
    "location",
    "preference-applied",
    "retry-after",
    "www-authenticate",
    "x-request-id",
];
/// What an operation may be called with.
const METHODS: [&str; 3] = ["get", "post", "put"];

static CONTRACT: LazyLock<Contract> = LazyLock::new(|| {
    let text = include_str!("../../openapi.yaml");
    Contract { whole: serde_saphyr::from_str(text).expect("openapi.yaml"), compiled: Mutex::default() }
});

/// The contract.
#[derive(Debug)]
pub struct Contract {
    whole: Value,
    compiled: Mutex<HashMap<String, Validator>>,
}

/// An operation of the contract.
#[derive(Debug, Clone)]
pub struct Operation<'c> {
    /// Its `operationId`.
    pub id: &'c str,
    /// The method in capitals.
    pub method: String,
    /// The path with its parameters in braces.
    pub path: &'c str,
    /// What the document says of it.
    pub described: &'c Value,
}

/// The contract of this repository.
///
/// # Panics
/// When it cannot be read.
#[must_use]
pub fn contract() -> &'static Contract {
    &CONTRACT
}

impl Contract {
    /// The document.
    #[must_use]
    pub fn document(&self) -> &Value {
        &self.whole
    }

    /// Every operation.
    ///
    /// # Panics
    /// When one has no id.
    #[must_use]
    pub fn operations(&self) -> Vec<Operation<'_>> {
        let paths = self.whole["paths"].as_object().expect("paths");
        let mut operations = Vec::new();
        for (path, item) in paths {
            for method in METHODS {
                if let Some(described) = item.get(method) {
                    let id = described["operationId"].as_str().expect("an operation has an id");
                    operations.push(Operation { id, method: method.to_uppercase(), path, described });
                }
            }
        }
        operations
    }

    /// What a reference stands for; what is none stands for itself.
    ///
    /// # Panics
    /// When nothing is there.
    #[must_use]
    pub fn resolved<'c>(&'c self, part: &'c Value) -> &'c Value {
        match part["$ref"].as_str() {
            None => part,
            Some(reference) => {
                let pointer = reference.strip_prefix('#').expect("a reference within the document");
                self.whole.pointer(pointer).unwrap_or_else(|| panic!("{reference} leads nowhere"))
            }
        }
    }

    /// The operation that a request is for; a path with a name in it goes before one with a parameter there.
    #[must_use]
    pub fn operation(&self, method: &str, path: &str) -> Option<Operation<'_>> {
        let matching = self.operations().into_iter().filter(|operation| self.covers(operation, path));
        matching
            .filter(|operation| operation.method == method)
            .min_by_key(|operation| operation.path.matches('{').count())
    }

    /// Whether the contract has the path for any method.
    #[must_use]
    pub fn knows(&self, path: &str) -> bool {
        self.operations().iter().any(|operation| self.covers(operation, path))
    }

    fn covers(&self, operation: &Operation<'_>, path: &str) -> bool {
        let path = if path == "/fhir/" { "/fhir" } else { path };
        let (pattern, path): (Vec<&str>, Vec<&str>) =
            (operation.path.split('/').collect(), path.split('/').collect());
        pattern.len() == path.len()
            && pattern.iter().zip(&path).all(|(pattern, part)| {
                match pattern.strip_prefix('{').and_then(|rest| rest.strip_suffix('}')) {
                    None => pattern == part,
                    // Only page files are told apart by a closed list: other parameters may be wrong and are refused.
                    Some(name @ ("page" | "file")) => {
                        self.allowed(operation.path, name).iter().any(|one| one == part)
                    }
                    Some(_) => !part.is_empty(),
                }
            })
    }

    fn allowed(&self, path: &str, name: &str) -> Vec<String> {
        let parameters = self.whole["paths"][path]["parameters"].as_array().into_iter().flatten();
        let mut named = parameters.filter(|parameter| parameter["name"] == name);
        let listed = named.next().and_then(|parameter| parameter["schema"]["enum"].as_array());
        listed.into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
    }

    /// Why an answer is not as the contract says; nothing when it is.
    ///
    /// # Panics
    /// When the contract itself cannot be followed.
    #[must_use]
    pub fn against(&self, method: &str, path: &str, answer: &Answer) -> Option<String> {
        let Some(operation) = self.operation(method, path) else {
            let expected = if self.knows(path) { [405, 404] } else { [404, 404] };
            let text = format!("the contract has no {method} {path}, and the answer is {}", answer.status);
            return (!expected.contains(&answer.status)).then_some(text);
        };
        let name = format!("{method} {} {}", operation.path, answer.status);
        let Some(response) = operation.described["responses"].get(answer.status.to_string()) else {
            return Some(format!("{name} is not documented"));
        };
        let response = self.resolved(response);
        self.headers(response, answer)
            .or_else(|| self.body(&operation, response, answer))
            .map(|why| format!("{name}: {why}"))
    }

    fn headers(&self, response: &Value, answer: &Answer) -> Option<String> {
        let empty = serde_json::Map::new();
        let documented = response["headers"].as_object().unwrap_or(&empty);
        for seen in NAMED.iter().filter(|name| answer.headers.contains_key(**name)) {
            if !documented.keys().any(|name| name.eq_ignore_ascii_case(seen)) {
                return Some(format!("the header {seen} is not documented"));
            }
        }
        for (name, header) in documented {
            let header = self.resolved(header);
            let Some(value) = answer.header(name) else {
                if header["required"] == true {
                    return Some(format!("the header {name} is missing"));
                }
                continue;
            };
            let value = match header["schema"]["type"].as_str() {
                Some("integer") => value.parse::<i64>().map_or(json!(value), |number| json!(number)),
                _ => json!(value),
            };
            if let Some(why) = self.breach(&format!("header {name}"), &header["schema"], &value) {
                return Some(format!("the header {name}: {why}"));
            }
        }
        None
    }

    fn body(&self, operation: &Operation<'_>, response: &Value, answer: &Answer) -> Option<String> {
        let content = response["content"].as_object();
        if answer.text.is_empty() {
            // A wish for no body is granted wherever something was stored.
            let granted = operation.described["parameters"].to_string().contains("/Prefer");
            return (content.is_some() && !granted).then(|| "it has no body".to_owned());
        }
        let given = answer.header("content-type").unwrap_or_default();
        let media = given.split(';').next().unwrap_or_default().trim();
        let Some(described) = content.and_then(|content| content.get(media)) else {
            return Some(format!("a body of type {given} is not documented"));
        };
        let value = if media.ends_with("json") {
            match serde_json::from_str(&answer.text) {
                Ok(value) => value,
                Err(error) => return Some(format!("the body is not JSON: {error}")),
            }
        } else if media.ends_with("yaml") {
            serde_saphyr::from_str(&answer.text).expect("YAML")
        } else {
            json!(answer.text)
        };
        let place = format!("{} {} {media}", operation.id, answer.status);
        self.breach(&place, &described["schema"], &value)
    }

    /// Why a value breaks a schema of the contract; each is compiled once.
    ///
    /// # Panics
    /// When the schema is none.
    pub fn breach(&self, place: &str, schema: &Value, value: &Value) -> Option<String> {
        let mut compiled = self.compiled.lock().expect("no test panics here");
        let validator = compiled.entry(place.to_owned()).or_insert_with(|| {
            // References lead into the components, which are carried along.
            let whole = json!({ "components": self.whole["components"], "allOf": [schema] });
            jsonschema::draft202012::new(&whole).unwrap_or_else(|error| panic!("{place}: {error}"))
        });
        let error = validator.iter_errors(value).next()?;
        Some(format!("{error} at {}", error.instance_path()))
    }
}
