//! Where exams are forwarded to, and as whom.

use std::path::PathBuf;

use secrecy::SecretString;
use url::Url;

use super::raw::{Origin, Raw, variable};
use super::{ConfigError, choice, http_url};

/// Where exams are forwarded to.
#[derive(Debug)]
pub struct RecordSystem {
    /// Its FHIR base, without a slash at the end.
    pub base_url: Url,
    /// As whom.
    pub auth: Auth,
}

/// As whom a record system is addressed.
#[derive(Debug)]
pub enum Auth {
    /// As nobody.
    None,
    /// User and password (RFC 7617).
    Basic {
        /// User name.
        user: String,
        /// Password.
        password: SecretString,
    },
    /// A fixed bearer token (RFC 6750).
    Bearer {
        /// The token.
        token: SecretString,
    },
}

#[derive(Clone, Copy, PartialEq)]
enum Write {
    Transaction,
    Create,
    None,
}

#[derive(Clone, Copy)]
enum AuthKind {
    None,
    Basic,
    Bearer,
}

pub(super) fn read(raw: &Raw) -> Result<Option<RecordSystem>, ConfigError> {
    let key = "record_system.write";
    let words = [("transaction", Write::Transaction), ("create", Write::Create), ("none", Write::None)];
    let write = choice(raw, key, Write::Transaction, &words)?;
    if write == Write::Create {
        let problem = "is \"create\" (resource by resource), which this version does not do";
        return Err(raw.error(key, problem, "use \"transaction\" or \"none\""));
    }
    let base_key = "record_system.base_url";
    let base_url = match raw.text(base_key)?.filter(|text| !text.is_empty()) {
        None if write == Write::Transaction && raw.value(key).is_some() => {
            let problem = "is \"transaction\" while `record_system.base_url` is not set";
            return Err(raw.error(key, problem, "set the base address of the record system or use \"none\""));
        }
        None => return Ok(None),
        Some(text) => http_url(text.trim_end_matches('/')).map_err(|problem| {
            raw.error(base_key, problem, "write the FHIR base, such as https://records.example/fhir")
        })?,
    };
    let auth = auth(raw)?;
    Ok((write != Write::None).then_some(RecordSystem { base_url, auth }))
}

fn auth(raw: &Raw) -> Result<Auth, ConfigError> {
    let words = [("none", AuthKind::None), ("basic", AuthKind::Basic), ("bearer", AuthKind::Bearer)];
    match choice(raw, "record_system.auth", AuthKind::None, &words)? {
        AuthKind::None => Ok(Auth::None),
        AuthKind::Basic => {
            let user = raw.text("record_system.user")?.filter(|user| !user.is_empty()).ok_or_else(|| {
                let problem = "is \"basic\" and `record_system.user` is not set";
                raw.error("record_system.auth", problem, "set the user name")
            })?;
            let password = secret(raw, "record_system.password", "record_system.password_file", "basic")?;
            Ok(Auth::Basic { user, password })
        }
        AuthKind::Bearer => Ok(Auth::Bearer {
            token: secret(raw, "record_system.token", "record_system.token_file", "bearer")?,
        }),
    }
}

/// A secret that a method needs.
fn secret(raw: &Raw, key: &str, file_key: &str, method: &str) -> Result<SecretString, ConfigError> {
    secret_of(raw, key, file_key)?.ok_or_else(|| {
        let problem = format!("is \"{method}\" and no secret is given");
        let mend = format!("name a file in `{file_key}` or set {}", variable(key));
        raw.error("record_system.auth", problem, mend)
    })
}

/// A secret from a file or the environment. It never stands in the configuration file, which is copied around.
pub(super) fn secret_of(raw: &Raw, key: &str, file_key: &str) -> Result<Option<SecretString>, ConfigError> {
    let secret = if let Some((_, origin)) = raw.value(key) {
        if matches!(origin, Origin::File(_)) {
            let mend = format!(
                "put it into a file of its own and name that in `{file_key}`, or set {}",
                variable(key)
            );
            return Err(raw.error(key, "is a secret and stands in the configuration file", mend));
        }
        raw.text(key)?.unwrap_or_default()
    } else if let Some(path) = raw.text(file_key)? {
        let text = std::fs::read_to_string(PathBuf::from(&path)).map_err(|error| {
            raw.error(
                file_key,
                format!("names {path}, which cannot be read ({error})"),
                "name a readable file",
            )
        })?;
        text.trim_end_matches(['\r', '\n']).to_owned()
    } else {
        return Ok(None);
    };
    // A header cannot carry anything else; found here, it is a message and not a failed delivery.
    if secret.is_empty() || secret.chars().any(|character| character.is_control()) {
        return Err(raw.error(
            file_key,
            "gives an empty secret or one with control characters",
            "store the secret alone, on one line",
        ));
    }
    Ok(Some(SecretString::from(secret)))
}
