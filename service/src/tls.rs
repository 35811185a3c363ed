//! TLS of the listeners, which takes up new certificates while it serves.

use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use rustls::client::danger::HandshakeSignatureValid;
use rustls::crypto::CryptoProvider;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, UnixTime};
use rustls::server::danger::{ClientCertVerified, ClientCertVerifier};
use rustls::server::{ClientHello, NoServerSessionStorage, ResolvesServerCert, WebPkiClientVerifier};
use rustls::sign::CertifiedKey;
use rustls::{DigitallySignedStruct, DistinguishedName, RootCertStore, ServerConfig, SignatureScheme};
use tokio::task::JoinHandle;

use crate::config::ListenerTls;

/// How often the files are looked at.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// A file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("`{setting}`: {} {problem}; {mend}", path.display())]
pub struct TlsError {
    setting: String,
    path: PathBuf,
    problem: String,
    mend: &'static str,
}

/// What the files hold, byte for byte.
#[derive(PartialEq, Eq)]
struct Files {
    certificate: Vec<u8>,
    key: Vec<u8>,
    client_ca: Option<Vec<u8>>,
}

/// What follows from the files.
struct Material {
    identity: Arc<CertifiedKey>,
    callers: Option<Arc<dyn ClientCertVerifier>>,
}

/// The TLS of a listener whose settings begin with `prefix`; none when it has no files. What follows them goes to
/// `followers`.
///
/// # Errors
/// When a file cannot be used.
pub(crate) fn listener(
    prefix: &'static str,
    files: Option<&ListenerTls>,
    followers: &mut Vec<JoinHandle<()>>,
) -> Result<Option<ServerConfig>, TlsError> {
    let Some(places) = files else { return Ok(None) };
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let files = read(prefix, places)?;
    let material = material(prefix, places, &files, &provider)?;
    let identity = Arc::new(Identity(RwLock::new(material.identity)));
    let callers = material.callers.map(|callers| Arc::new(Callers(RwLock::new(callers))));
    // Versions 1.2 and 1.3: this library has no other.
    let builder = ServerConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(|error| fault(prefix, "certificate_file", &places.certificate, error, "report this"))?;
    let mut config = match &callers {
        None => builder.with_no_client_auth(),
        Some(callers) => {
            let callers: Arc<dyn ClientCertVerifier> = Arc::<Callers>::clone(callers);
            builder.with_client_cert_verifier(callers)
        }
    }
    .with_cert_resolver(Arc::<Identity>::clone(&identity));
    if callers.is_some() {
        // A session that is taken up again would skip the check of the certificate.
        config.session_storage = Arc::new(NoServerSessionStorage {});
    }
    let places = places.clone();
    followers.push(tokio::spawn(follow(prefix, places, files, identity, callers, provider)));
    Ok(Some(config))
}

/// Takes up what changes. While the files do not fit together, such as between the change of one and of the other, what
/// was read last goes on serving.
async fn follow(
    prefix: &'static str,
    places: ListenerTls,
    mut current: Files,
    identity: Arc<Identity>,
    callers: Option<Arc<Callers>>,
    provider: Arc<CryptoProvider>,
) {
    let mut refused = None;
    loop {
        tokio::time::sleep(LOOK_AGAIN).await;
        let (names, held) = (places.clone(), Arc::clone(&provider));
        let looked = tokio::task::spawn_blocking(move || {
            let files = read(prefix, &names)?;
            let material = material(prefix, &names, &files, &held);
            Ok::<_, TlsError>((files, material))
        });
        let outcome = match looked.await {
            Ok(Ok((files, _))) if files == current => continue,
            Ok(Ok((files, Ok(material)))) => {
                *identity.0.write().unwrap_or_else(PoisonError::into_inner) = material.identity;
                if let (Some(callers), Some(new)) = (&callers, material.callers) {
                    *callers.0.write().unwrap_or_else(PoisonError::into_inner) = new;
                }
                current = files;
                refused = None;
                tracing::info!(settings = prefix, "took up new certificates");
                continue;
            }
            Ok(Ok((_, Err(error))) | Err(error)) => error.to_string(),
            Err(_) => return,
        };
        if refused.as_ref() != Some(&outcome) {
            tracing::warn!(error = outcome, "new certificates cannot be used; the old ones go on serving");
            refused = Some(outcome);
        }
    }
}

fn read(prefix: &str, places: &ListenerTls) -> Result<Files, TlsError> {
    let bytes = |name: &str, path: &Path| {
        std::fs::read(path).map_err(|error| {
            let problem = format!("cannot be read ({error})");
            fault(prefix, name, path, problem, "name a readable file in PEM")
        })
    };
    Ok(Files {
        certificate: bytes("certificate_file", &places.certificate)?,
        key: bytes("key_file", &places.key)?,
        client_ca: match &places.client_ca {
            Some(path) => Some(bytes("client_ca_file", path)?),
            None => None,
        },
    })
}

fn material(
    prefix: &str,
    places: &ListenerTls,
    files: &Files,
    provider: &Arc<CryptoProvider>,
) -> Result<Material, TlsError> {
    let certificate = |problem: &str| {
        fault(
            prefix,
            "certificate_file",
            &places.certificate,
            problem,
            "put the certificate and its chain there, in PEM",
        )
    };
    let chain = certificates(&files.certificate).ok_or_else(|| certificate("holds no certificate"))?;
    let key = PrivateKeyDer::from_pem_slice(&files.key).map_err(|_| {
        fault(
            prefix,
            "key_file",
            &places.key,
            "holds no private key",
            "put the key there, in PEM, unencrypted",
        )
    })?;
    let identity = CertifiedKey::from_der(chain, key, provider)
        .map_err(|_| certificate("does not belong to the key, or one of them cannot be used"))?;
    let callers = match (&places.client_ca, &files.client_ca) {
        (Some(path), Some(pem)) => Some(verifier(pem, provider).ok_or_else(|| {
            let mend = "put the certificates of the authorities there, in PEM";
            fault(prefix, "client_ca_file", path, "holds no authority that can be used", mend)
        })?),
        _ => None,
    };
    Ok(Material { identity: Arc::new(identity), callers })
}

fn certificates(pem: &[u8]) -> Option<Vec<CertificateDer<'static>>> {
    let all: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    all.ok().filter(|all| !all.is_empty())
}

fn verifier(pem: &[u8], provider: &Arc<CryptoProvider>) -> Option<Arc<dyn ClientCertVerifier>> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(pem)? {
        roots.add(certificate).ok()?;
    }
    WebPkiClientVerifier::builder_with_provider(Arc::new(roots), Arc::clone(provider)).build().ok()
}

fn fault(prefix: &str, name: &str, path: &Path, problem: impl ToString, mend: &'static str) -> TlsError {
    let setting = format!("{prefix}{name}");
    TlsError { setting, path: path.to_owned(), problem: problem.to_string(), mend }
}

/// The certificate that a listener shows now.
#[derive(Debug)]
struct Identity(RwLock<Arc<CertifiedKey>>);

impl ResolvesServerCert for Identity {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner)))
    }
}

/// Who may call: whoever shows a certificate of the authorities that hold now.
#[derive(Debug)]
struct Callers(RwLock<Arc<dyn ClientCertVerifier>>);

impl Callers {
    fn now(&self) -> Arc<dyn ClientCertVerifier> {
        Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }
}

impl ClientCertVerifier for Callers {
    /// No hint: the authorities can change, and callers know which certificate is theirs.
    fn root_hint_subjects(&self) -> &[DistinguishedName] {
        &[]
    }

    fn verify_client_cert(
        &self,
        certificate: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        now: UnixTime,
    ) -> Result<ClientCertVerified, rustls::Error> {
        self.now().verify_client_cert(certificate, intermediates, now)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.now().verify_tls12_signature(message, certificate, signature)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.now().verify_tls13_signature(message, certificate, signature)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.now().supported_verify_schemes()
    }
}
