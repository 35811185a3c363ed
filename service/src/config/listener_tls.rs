//! The files that a listener speaks TLS with. They are read at start and again when they change.

use std::path::PathBuf;

use super::ConfigError;
use super::raw::Raw;

/// Which files there are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListenerTls {
    /// The certificate with its chain, in PEM.
    pub certificate: PathBuf,
    /// Its private key, in PEM.
    pub key: PathBuf,
    /// The authorities that must have issued the certificate of a caller; none when callers need none.
    pub client_ca: Option<PathBuf>,
}

/// The files of one listener, whose keys begin with `server.` and this prefix.
pub(super) fn read(raw: &Raw, prefix: &str) -> Result<Option<ListenerTls>, ConfigError> {
    let key = |name: &str| format!("server.{prefix}{name}");
    let path = |key: &str| Ok(raw.text(key)?.filter(|text: &String| !text.is_empty()).map(PathBuf::from));
    let (certificate_key, key_key, ca_key) =
        (key("certificate_file"), key("key_file"), key("client_ca_file"));
    match (path(&certificate_key)?, path(&key_key)?, path(&ca_key)?) {
        (Some(certificate), Some(key), client_ca) => Ok(Some(ListenerTls { certificate, key, client_ca })),
        (None, None, None) => Ok(None),
        (Some(_), None, _) => {
            Err(raw.error(&certificate_key, "is set without its key", format!("set `{key_key}`")))
        }
        (None, Some(_), _) => {
            Err(raw.error(&key_key, "is set without its certificate", format!("set `{certificate_key}`")))
        }
        (None, None, Some(_)) => {
            let problem = "asks for certificates on a listener that speaks plain HTTP";
            Err(raw.error(&ca_key, problem, format!("set `{certificate_key}` and `{key_key}`")))
        }
    }
}
