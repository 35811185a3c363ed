//! The files of certificates for the way to the record system.

use std::path::PathBuf;

use reqwest::{Certificate, Identity};

use super::ConfigError;
use super::raw::Raw;

const CA: &str = "record_system.ca_file";
const CERTIFICATE: &str = "record_system.client_certificate_file";
const KEY: &str = "record_system.client_key_file";

/// Which files there are. They are read again when they change.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TlsFiles {
    /// The authorities that are trusted instead of those of the system.
    ca: Option<PathBuf>,
    /// The certificate of this service and its key.
    identity: Option<(PathBuf, PathBuf)>,
}

/// What the files hold.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct TlsMaterial {
    ca: Option<Vec<u8>>,
    identity: Option<(Vec<u8>, Vec<u8>)>,
}

// One part of it is a private key.
impl std::fmt::Debug for TlsMaterial {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("TlsMaterial").finish_non_exhaustive()
    }
}

/// A file of certificates that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("`{setting}`: {problem}")]
pub struct TlsFileError {
    setting: &'static str,
    problem: String,
}

impl TlsFiles {
    /// The files that the settings name, which have to be usable now.
    pub(super) fn named(raw: &Raw) -> Result<TlsFiles, ConfigError> {
        let path = |key| Ok(raw.text(key)?.filter(|text: &String| !text.is_empty()).map(PathBuf::from));
        let identity = match (path(CERTIFICATE)?, path(KEY)?) {
            (Some(certificate), Some(key)) => Some((certificate, key)),
            (None, None) => None,
            (Some(_), None) => {
                return Err(raw.error(CERTIFICATE, "is set without its key", format!("set `{KEY}`")));
            }
            (None, Some(_)) => {
                return Err(raw.error(KEY, "is set without its certificate", format!("set `{CERTIFICATE}`")));
            }
        };
        let files = TlsFiles { ca: path(CA)?, identity };
        let mend = "name readable files in PEM";
        let usable = files.read().and_then(|material| {
            material.authorities()?;
            material.identity()
        });
        usable.map_err(|error| raw.error(error.setting, error.problem, mend))?;
        Ok(files)
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_none(&self) -> bool {
        self.ca.is_none() && self.identity.is_none()
    }

    /// Reads them.
    ///
    /// # Errors
    /// When one cannot be read.
    pub fn read(&self) -> Result<TlsMaterial, TlsFileError> {
        let read = |setting, path: &PathBuf| {
            std::fs::read(path).map_err(|error| TlsFileError {
                setting,
                problem: format!("names {}, which cannot be read ({error})", path.display()),
            })
        };
        let ca = self.ca.as_ref().map(|path| read(CA, path)).transpose()?;
        let identity = match &self.identity {
            Some((certificate, key)) => Some((read(CERTIFICATE, certificate)?, read(KEY, key)?)),
            None => None,
        };
        Ok(TlsMaterial { ca, identity })
    }
}

impl TlsMaterial {
    /// The authorities that are trusted; none for those of the system.
    ///
    /// # Errors
    /// When there is no certificate in the file.
    pub fn authorities(&self) -> Result<Option<Vec<Certificate>>, TlsFileError> {
        let Some(pem) = &self.ca else { return Ok(None) };
        match Certificate::from_pem_bundle(pem) {
            Ok(certificates) if !certificates.is_empty() => Ok(Some(certificates)),
            _ => Err(TlsFileError {
                setting: CA,
                problem: "names a file without a certificate in PEM".to_owned(),
            }),
        }
    }

    /// The certificate of this service with its key.
    ///
    /// # Errors
    /// When they are not that.
    pub fn identity(&self) -> Result<Option<Identity>, TlsFileError> {
        let Some((certificate, key)) = &self.identity else { return Ok(None) };
        let both = [key.as_slice(), b"\n", certificate.as_slice()].concat();
        Identity::from_pem(&both).map(Some).map_err(|_| TlsFileError {
            setting: CERTIFICATE,
            problem: "and its key do not hold a certificate and a private key in PEM".to_owned(),
        })
    }

    /// The certificate of this service, in PEM.
    #[must_use]
    pub fn certificate(&self) -> Option<&[u8]> {
        self.identity.as_ref().map(|(certificate, _)| certificate.as_slice())
    }
}
