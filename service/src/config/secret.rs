//! Secrets: from a file or the environment, never from the configuration file, which is copied around.

use std::path::{Path, PathBuf};
use std::sync::{PoisonError, RwLock};

use secrecy::{ExposeSecret as _, SecretString};

use super::ConfigError;
use super::raw::{Origin, Raw, variable};

/// A secret, and the file that may hold another one later.
#[derive(Debug)]
pub struct Secret {
    current: RwLock<SecretString>,
    file: Option<PathBuf>,
}

impl Secret {
    /// The one that holds now.
    #[must_use]
    pub fn current(&self) -> SecretString {
        self.current.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Looks for another one after `refused` was not taken: somebody may have found it already, or it stands in the
    /// file by now. None when there is no other.
    pub async fn instead_of(&self, refused: &SecretString) -> Option<SecretString> {
        let differs = |secret: &SecretString| secret.expose_secret() != refused.expose_secret();
        let current = self.current();
        if differs(&current) {
            return Some(current);
        }
        let text = tokio::fs::read_to_string(self.file.as_deref()?).await.ok()?;
        let renewed = usable(&text).filter(differs)?;
        *self.current.write().unwrap_or_else(PoisonError::into_inner) = renewed.clone();
        Some(renewed)
    }
}

/// A secret that a method needs.
pub(super) fn needed(raw: &Raw, key: &str, file_key: &str, method: &str) -> Result<Secret, ConfigError> {
    let Some(secret) = optional(raw, key, file_key)? else {
        let problem = format!("is \"{method}\" and no secret is given");
        let mend = format!("name a file in `{file_key}` or set {}", variable(key));
        return Err(raw.error("record_system.auth", problem, mend));
    };
    let file = if raw.value(key).is_none() { raw.text(file_key)?.map(PathBuf::from) } else { None };
    Ok(Secret { current: RwLock::new(secret), file })
}

/// A secret, if one is given.
pub(super) fn optional(raw: &Raw, key: &str, file_key: &str) -> Result<Option<SecretString>, ConfigError> {
    let text = if let Some((_, origin)) = raw.value(key) {
        if matches!(origin, Origin::File(_)) {
            let mend = format!(
                "put it into a file of its own and name that in `{file_key}`, or set {}",
                variable(key)
            );
            return Err(raw.error(key, "is a secret and stands in the configuration file", mend));
        }
        raw.text(key)?.unwrap_or_default()
    } else if let Some(path) = raw.text(file_key)? {
        std::fs::read_to_string(Path::new(&path)).map_err(|error| {
            raw.error(
                file_key,
                format!("names {path}, which cannot be read ({error})"),
                "name a readable file",
            )
        })?
    } else {
        return Ok(None);
    };
    let Some(secret) = usable(&text) else {
        return Err(raw.error(
            file_key,
            "gives an empty secret or one with control characters",
            "store the secret alone, on one line",
        ));
    };
    Ok(Some(secret))
}

/// A header cannot carry anything else; found here, it is a message and not a failed delivery.
fn usable(text: &str) -> Option<SecretString> {
    let secret = text.trim_end_matches(['\r', '\n']);
    let unusable = secret.is_empty() || secret.chars().any(char::is_control);
    (!unusable).then(|| SecretString::from(secret))
}
