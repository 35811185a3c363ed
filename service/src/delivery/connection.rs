//! The HTTP client with its certificates, made anew when their files change.

use std::error::Error as _;
use std::io::ErrorKind;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use reqwest::redirect::Policy;
use reqwest::tls::TlsInfo;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use rustls::{AlertDescription, CertificateError};

use super::certificate;
use super::verdict::Failure;
use crate::addresses::Reachable;
use crate::config::{TlsFileError, TlsFiles, TlsMaterial};

/// How long to wait for the record system.
#[derive(Debug, Clone, Copy)]
pub struct Timeouts {
    /// For a connection.
    pub connect: Duration,
    /// For all of a request and its answer.
    pub total: Duration,
}

impl Default for Timeouts {
    fn default() -> Self {
        Timeouts { connect: Duration::from_secs(5), total: Duration::from_secs(30) }
    }
}

/// When what lets this service in runs out, in seconds since 1970; 0 when that is not known or there is no such thing.
#[derive(Debug, Default)]
pub struct Expiries {
    /// The certificate of the record system, as last seen.
    pub server_certificate: AtomicI64,
    /// The certificate of this service.
    pub client_certificate: AtomicI64,
    /// The access token.
    pub token: AtomicI64,
}

/// Why there is no client.
#[derive(Debug, thiserror::Error)]
pub enum ConnectionError {
    /// A file of certificates.
    #[error(transparent)]
    File(#[from] TlsFileError),
    /// The client, such as without certificate authorities.
    #[error("no client can be made; check that the system's certificate authorities are installed")]
    Client(#[source] reqwest::Error),
}

/// No answer, and whether the request may have arrived nevertheless.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NoAnswer {
    pub(super) failure: Failure,
    pub(super) may_have_arrived: bool,
}

/// A client that follows its files.
#[derive(Debug)]
pub(super) struct Connection {
    files: TlsFiles,
    timeouts: Timeouts,
    reachable: Reachable,
    expiries: Arc<Expiries>,
    current: Mutex<Current>,
}

#[derive(Debug)]
struct Current {
    client: reqwest::Client,
    material: TlsMaterial,
    /// The files as they were when they could not be used, so that this is told once.
    refused: Option<TlsMaterial>,
}

impl Connection {
    pub(super) fn new(
        files: TlsFiles,
        timeouts: Timeouts,
        reachable: Reachable,
        expiries: Arc<Expiries>,
    ) -> Result<Connection, ConnectionError> {
        let material = files.read()?;
        let client = build(&material, timeouts, &reachable)?.build().map_err(ConnectionError::Client)?;
        note_expiry(&material, &expiries);
        let current = Mutex::new(Current { client, material, refused: None });
        Ok(Connection { files, timeouts, reachable, expiries, current })
    }

    /// The client for the next request. Files that changed are taken up; where the new ones cannot be used, the old
    /// ones stay.
    pub(super) fn client(&self) -> reqwest::Client {
        let mut current = self.current.lock().unwrap_or_else(PoisonError::into_inner);
        if self.files.is_none() {
            return current.client.clone();
        }
        match self.files.read() {
            Ok(material) if material == current.material => current.refused = None,
            Ok(material) if current.refused.as_ref() == Some(&material) => {}
            Ok(material) => {
                let built = build(&material, self.timeouts, &self.reachable)
                    .and_then(|builder| builder.build().map_err(ConnectionError::Client));
                match built {
                    Ok(client) => {
                        note_expiry(&material, &self.expiries);
                        *current = Current { client, material, refused: None };
                        tracing::info!("the certificates for the record system changed and were taken up");
                    }
                    Err(error) => {
                        tracing::error!(error = %error, "the new certificates for the record system cannot be used");
                        current.refused = Some(material);
                    }
                }
            }
            // While a file is being replaced it may be missing for a moment.
            Err(error) => tracing::debug!(error = %error, "the certificates cannot be read now"),
        }
        current.client.clone()
    }

    /// Looks names up in a given way from now on.
    #[cfg(test)]
    pub(super) fn resolve_with(&self, names: Arc<super::tests::Names>) {
        let mut current = self.current.lock().unwrap();
        current.client = build(&current.material, self.timeouts, &self.reachable)
            .unwrap()
            .dns_resolver(names)
            .build()
            .unwrap();
    }

    /// Keeps what an answer shows of the certificate of the record system.
    pub(super) fn note_certificate(&self, response: &reqwest::Response) {
        let info = response.extensions().get::<TlsInfo>();
        if let Some(until) = info.and_then(TlsInfo::peer_certificate).and_then(certificate::valid_until) {
            self.expiries.server_certificate.store(until, Ordering::Relaxed);
        }
    }
}

/// Redirects are not followed and no proxy of the environment is used: both would carry exams and credentials to
/// somewhere nobody configured.
fn build(
    material: &TlsMaterial,
    timeouts: Timeouts,
    reachable: &Reachable,
) -> Result<reqwest::ClientBuilder, ConnectionError> {
    let mut builder = reqwest::Client::builder()
        .redirect(Policy::none())
        .no_proxy()
        .dns_resolver(reachable.clone())
        .tls_info(true)
        .connect_timeout(timeouts.connect)
        .timeout(timeouts.total)
        .user_agent(concat!("solewire/", env!("CARGO_PKG_VERSION")));
    if let Some(authorities) = material.authorities()? {
        builder = builder.tls_certs_only(authorities);
    }
    if let Some(identity) = material.identity()? {
        builder = builder.identity(identity);
    }
    Ok(builder)
}

fn note_expiry(material: &TlsMaterial, expiries: &Expiries) {
    let own = material.certificate().and_then(|pem| CertificateDer::pem_slice_iter(pem).next()?.ok());
    let until = own.and_then(|certificate| certificate::valid_until(&certificate));
    expiries.client_certificate.store(until.unwrap_or(0), Ordering::Relaxed);
}

/// Tells why there is no answer. Texts of errors are searched for the one kind that has no type of its own, and never
/// passed on: they hold the address.
pub(super) fn no_answer(error: &reqwest::Error) -> NoAnswer {
    let mut texts = String::new();
    let (mut kinds, mut tls) = (Vec::new(), None);
    let mut source = error.source();
    while let Some(inner) = source {
        tls = tls.or_else(|| inner.downcast_ref().map(tls_failure));
        // An I/O error inside another is no source of it.
        let mut io = inner.downcast_ref::<std::io::Error>();
        while let Some(error) = io {
            kinds.push(error.kind());
            let wrapped = error.get_ref();
            tls = tls.or_else(|| wrapped?.downcast_ref().map(tls_failure));
            io = wrapped.and_then(|wrapped| wrapped.downcast_ref());
        }
        texts.push_str(&inner.to_string().to_ascii_lowercase());
        texts.push('\n');
        source = inner.source();
    }
    let not_sent = |failure| NoAnswer { failure, may_have_arrived: false };
    match tls {
        // A server may refuse our certificate after it has the first bytes of a request, which it then does not read.
        Some(Failure::CertificateRefused) => return not_sent(Failure::CertificateRefused),
        Some(failure) if error.is_connect() => return not_sent(failure),
        _ => {}
    }
    if error.is_connect() || error.is_builder() {
        if kinds.contains(&ErrorKind::InvalidData) {
            return not_sent(Failure::Tls);
        }
        if kinds.contains(&ErrorKind::ConnectionRefused) {
            return not_sent(Failure::ConnectionRefused);
        }
        if texts.contains("dns error") {
            return not_sent(Failure::NameResolution);
        }
        return not_sent(Failure::ConnectionFailed);
    }
    let failure = if error.is_timeout() { Failure::Timeout } else { Failure::Interrupted };
    NoAnswer { failure, may_have_arrived: true }
}

fn tls_failure(error: &rustls::Error) -> Failure {
    match error {
        rustls::Error::InvalidCertificate(reason) => match reason {
            CertificateError::Expired
            | CertificateError::ExpiredContext { .. }
            | CertificateError::NotValidYet
            | CertificateError::NotValidYetContext { .. } => Failure::CertificateExpired,
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                Failure::CertificateWrongName
            }
            _ => Failure::CertificateUntrusted,
        },
        rustls::Error::AlertReceived(
            AlertDescription::CertificateRequired
            | AlertDescription::BadCertificate
            | AlertDescription::UnknownCA
            | AlertDescription::CertificateExpired
            | AlertDescription::CertificateRevoked
            | AlertDescription::CertificateUnknown
            | AlertDescription::UnsupportedCertificate
            | AlertDescription::AccessDenied
            // What a server says when the certificate is not signed by the authority that it names.
            | AlertDescription::DecryptError,
        ) => Failure::CertificateRefused,
        _ => Failure::Tls,
    }
}
