//! Settings as somebody wrote them: which key, which value, from where.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use toml::Value;

use super::ConfigError;
use super::settings::SETTINGS;
use solewire_profiles::nearest::nearest;

const ENV_PREFIX: &str = "SOLEWIRE_";

/// Where a value was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Origin {
    File(PathBuf),
    Environment(String),
    Nowhere,
}

impl fmt::Display for Origin {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Origin::File(path) => write!(formatter, "{}", path.display()),
            Origin::Environment(name) => write!(formatter, "environment variable {name}"),
            Origin::Nowhere => formatter.write_str("configuration"),
        }
    }
}

#[derive(Debug)]
pub(super) struct Raw {
    file: PathBuf,
    values: BTreeMap<String, (Value, Origin)>,
}

impl Raw {
    /// Puts a file and the environment together; the environment wins.
    pub(super) fn read(
        text: &str,
        file: &Path,
        environment: impl IntoIterator<Item = (String, String)>,
    ) -> Result<Raw, ConfigError> {
        let mut raw = Raw { file: file.to_owned(), values: BTreeMap::new() };
        raw.read_file(text)?;
        for (name, value) in environment {
            raw.read_variable(&name, value)?;
        }
        Ok(raw)
    }

    fn read_file(&mut self, text: &str) -> Result<(), ConfigError> {
        let origin = Origin::File(self.file.clone());
        let table: toml::Table = text.parse().map_err(|error: toml::de::Error| {
            let line = error
                .span()
                .and_then(|span| text.get(..span.start))
                .map_or(1, |before| before.matches('\n').count() + 1);
            ConfigError::new(
                &origin,
                "",
                format!("line {line} is not valid TOML: {}", error.message()),
                "correct that line",
            )
        })?;
        for (section, value) in table {
            let Value::Table(keys) = value else {
                let mend = match SETTINGS.iter().find(|setting| setting.key.ends_with(&format!(".{section}")))
                {
                    Some(setting) => format!("write it as `{}`, below its section header", setting.key),
                    None => "settings stand below a [section] header; remove this one".to_owned(),
                };
                return Err(ConfigError::new(&origin, &section, "is not a section", mend));
            };
            for (name, value) in keys {
                let key = format!("{section}.{name}");
                known(&key, &origin)?;
                self.values.insert(key, (value, origin.clone()));
            }
        }
        Ok(())
    }

    fn read_variable(&mut self, name: &str, value: String) -> Result<(), ConfigError> {
        let Some(rest) = name.strip_prefix(ENV_PREFIX) else { return Ok(()) };
        let origin = Origin::Environment(name.to_owned());
        let lower = rest.to_ascii_lowercase();
        let Some((section, setting)) = lower.split_once("__") else {
            // A single underscore where two belong would otherwise be ignored in silence.
            return match SETTINGS.iter().find(|known| known.key.replace('.', "_") == lower) {
                Some(known) => {
                    let mend = format!("call it {}", variable(known.key));
                    Err(ConfigError::new(&origin, "", "is not a setting", mend))
                }
                None => Ok(()),
            };
        };
        let key = format!("{section}.{setting}");
        known(&key, &origin)?;
        self.values.insert(key.clone(), (shaped(value, &key, &origin)?, origin));
        Ok(())
    }

    /// The value of a key, with its origin.
    pub(super) fn value(&self, key: &str) -> Option<(&Value, &Origin)> {
        self.values.get(key).map(|(value, origin)| (value, origin))
    }

    /// Where a key is set, or where it would be.
    pub(super) fn origin(&self, key: &str) -> Origin {
        match self.values.get(key) {
            Some((_, origin)) => origin.clone(),
            None if self.file.as_os_str().is_empty() => Origin::Nowhere,
            None => Origin::File(self.file.clone()),
        }
    }

    pub(super) fn text(&self, key: &str) -> Result<Option<String>, ConfigError> {
        match self.value(key) {
            None => Ok(None),
            Some((Value::String(text), _)) => Ok(Some(text.trim().to_owned())),
            Some((other, origin)) => {
                let problem = format!("is {} where text is expected", kind(other));
                Err(ConfigError::new(origin, key, problem, "put the value in double quotes"))
            }
        }
    }

    /// A whole number that is not negative.
    pub(super) fn number(&self, key: &str) -> Result<Option<u64>, ConfigError> {
        let Some((value, origin)) = self.value(key) else { return Ok(None) };
        let number = match value {
            Value::Integer(number) => u64::try_from(*number).ok(),
            Value::String(text) if matches!(origin, Origin::Environment(_)) => text.trim().parse().ok(),
            _ => None,
        };
        match number {
            Some(number) => Ok(Some(number)),
            None => {
                Err(ConfigError::new(origin, key, "is not a whole number", "write it as 100, without quotes"))
            }
        }
    }

    /// A list of texts; in the environment also separated by commas.
    pub(super) fn list(&self, key: &str) -> Result<Vec<String>, ConfigError> {
        let Some((value, origin)) = self.value(key) else { return Ok(Vec::new()) };
        match value {
            Value::Array(items) => items
                .iter()
                .map(|item| match item {
                    Value::String(text) => Ok(text.clone()),
                    other => {
                        let problem = format!("holds {} where text is expected", kind(other));
                        Err(ConfigError::new(origin, key, problem, "put each item in double quotes"))
                    }
                })
                .collect(),
            Value::String(text) if matches!(origin, Origin::Environment(_)) => Ok(text
                .split(',')
                .map(str::trim)
                .filter(|item| !item.is_empty())
                .map(str::to_owned)
                .collect()),
            other => {
                let problem = format!("is {} where a list is expected", kind(other));
                Err(ConfigError::new(origin, key, problem, "write it as [\"first\", \"second\"]"))
            }
        }
    }

    /// True or false; in the environment as a text.
    pub(super) fn yes_or_no(&self, key: &str, default: bool) -> Result<bool, ConfigError> {
        let Some((value, origin)) = self.value(key) else { return Ok(default) };
        let found = match value {
            Value::Boolean(found) => Some(*found),
            Value::String(text) if matches!(origin, Origin::Environment(_)) => text.trim().parse().ok(),
            _ => None,
        };
        found.ok_or_else(|| ConfigError::new(origin, key, "is neither true nor false", "write true or false"))
    }

    /// An error about a key, at the place where it stands.
    pub(super) fn error(
        &self,
        key: &str,
        problem: impl Into<String>,
        mend: impl Into<String>,
    ) -> ConfigError {
        ConfigError::new(&self.origin(key), key, problem, mend)
    }
}

/// The name of a key in the environment.
pub(super) fn variable(key: &str) -> String {
    format!("{ENV_PREFIX}{}", key.replace('.', "__").to_ascii_uppercase())
}

/// In the environment, lists and tables are written as in TOML; everything else is text.
fn shaped(value: String, key: &str, origin: &Origin) -> Result<Value, ConfigError> {
    if !value.trim_start().starts_with(['[', '{']) {
        return Ok(Value::String(value));
    }
    let parsed: Result<toml::Table, _> = format!("value = {value}").parse();
    match parsed.ok().and_then(|mut table| table.remove("value")) {
        Some(value) => Ok(value),
        None => Err(ConfigError::new(
            origin,
            key,
            "is neither a TOML list nor a TOML table",
            "close its brackets and quote its texts",
        )),
    }
}

fn known(key: &str, origin: &Origin) -> Result<(), ConfigError> {
    if SETTINGS.iter().any(|setting| setting.key == key) {
        return Ok(());
    }
    let mend = match nearest(key, SETTINGS.iter().map(|setting| setting.key)) {
        Some(near) => format!("the nearest known key is `{near}`"),
        None => {
            let keys: Vec<&str> = SETTINGS.iter().map(|setting| setting.key).collect();
            format!("remove it; known keys are {}", keys.join(", "))
        }
    };
    Err(ConfigError::new(origin, key, "is not a setting", mend))
}

fn kind(value: &Value) -> &'static str {
    match value {
        Value::String(_) => "a text",
        Value::Integer(_) => "a whole number",
        Value::Float(_) => "a decimal number",
        Value::Boolean(_) => "true or false",
        Value::Datetime(_) => "a date",
        Value::Array(_) => "a list",
        Value::Table(_) => "a table",
    }
}
