//! The corpus: exam files with what must come of them. `tests/corpus/README.md` tells the layout.

use std::path::{Path, PathBuf};

use serde_json::Value;

/// One case.
#[derive(Debug)]
pub struct Case {
    /// The name of its folder.
    pub name: String,
    /// The file.
    pub path: PathBuf,
    /// The bytes of the file.
    pub input: Vec<u8>,
    /// What must come of it.
    pub expected: Value,
}

impl Case {
    /// The file as JSON.
    ///
    /// # Panics
    /// When it is not.
    #[must_use]
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.input).unwrap_or_else(|error| panic!("{}: {error}", self.name))
    }

    /// The issues that must be raised.
    ///
    /// # Panics
    /// When the expectation has none listed.
    #[must_use]
    pub fn issues(&self) -> Vec<Value> {
        let issues = self.expected.pointer("/check/issues").and_then(Value::as_array);
        issues.unwrap_or_else(|| panic!("{}: no issues listed", self.name)).clone()
    }
}

/// The case of this name.
///
/// # Panics
/// When there is none.
#[must_use]
pub fn case(name: &str) -> Case {
    let folder = folder().join(name);
    let path = folder.join("input.json");
    let read =
        |path: &Path| std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let input = read(&path);
    let expected = serde_json::from_slice(&read(&folder.join("expected.json")))
        .unwrap_or_else(|error| panic!("{name}/expected.json: {error}"));
    Case { name: name.to_owned(), path, input, expected }
}

/// Every case, by name.
///
/// # Panics
/// When the folder cannot be read, or holds no case.
#[must_use]
pub fn cases() -> Vec<Case> {
    let folder = folder();
    let entries = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut names: Vec<String> = entries
        .map(|entry| entry.expect("an entry of the corpus"))
        .filter(|entry| entry.path().join("expected.json").is_file())
        .map(|entry| entry.file_name().into_string().expect("a plain name"))
        .collect();
    names.sort();
    assert!(!names.is_empty(), "{} holds no case", folder.display());
    names.iter().map(|name| case(name)).collect()
}

/// Every case that must be refused.
#[must_use]
pub fn invalid() -> Vec<Case> {
    cases().into_iter().filter(|case| case.name.starts_with("invalid-")).collect()
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus")
}
