//! Certificates of both sides. They are made here, at run time; what speaks TLS stands before the record system and
//! passes on what it decrypts.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, Mutex};

use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::certificates::{Authority, Identity};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::WebPkiClientVerifier;
use tokio_rustls::rustls::{RootCertStore, ServerConfig};

use super::bench::{Bench, exam, once, quick, records};

/// Speaks TLS before a record system, as whoever it is told to be.
struct Front {
    address: SocketAddr,
    config: Arc<Mutex<Arc<ServerConfig>>>,
    task: tokio::task::JoinHandle<()>,
}

impl Front {
    async fn before(
        records: &LoopbackRecordSystem,
        identity: &Identity,
        clients: Option<&Authority>,
    ) -> Front {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let behind = records.base_url().trim_start_matches("http://").trim_end_matches("/fhir").to_owned();
        let config = Arc::new(Mutex::new(server(identity, clients)));
        let current = Arc::clone(&config);
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let acceptor = TlsAcceptor::from(Arc::clone(&current.lock().unwrap()));
                let behind = behind.clone();
                tokio::spawn(async move {
                    // Whoever does not like the certificate goes away here.
                    let Ok(mut stream) = acceptor.accept(stream).await else { return };
                    let mut inner = TcpStream::connect(behind).await.unwrap();
                    drop(tokio::io::copy_bidirectional(&mut stream, &mut inner).await);
                });
            }
        });
        Front { address, config, task }
    }

    fn becomes(&self, identity: &Identity, clients: Option<&Authority>) {
        *self.config.lock().unwrap() = server(identity, clients);
    }

    fn base_url(&self, host: &str) -> String {
        format!("https://{host}:{}/fhir", self.address.port())
    }
}

impl Drop for Front {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn server(identity: &Identity, clients: Option<&Authority>) -> Arc<ServerConfig> {
    let builder = match clients {
        None => ServerConfig::builder().with_no_client_auth(),
        Some(authority) => {
            let mut roots = RootCertStore::empty();
            roots.add(CertificateDer::from(authority.der.clone())).unwrap();
            let verifier = WebPkiClientVerifier::builder(Arc::new(roots)).build().unwrap();
            ServerConfig::builder().with_client_cert_verifier(verifier)
        }
    };
    let key = PrivateKeyDer::try_from(identity.key_der.clone()).unwrap();
    Arc::new(builder.with_single_cert(vec![CertificateDer::from(identity.der.clone())], key).unwrap())
}

fn settings(front: &Front, host: &str, authority: &Authority, folder: &Path, more: &str) -> String {
    let file = folder.join("authority.pem");
    std::fs::write(&file, &authority.pem).unwrap();
    format!("base_url = \"{}\"\nca_file = \"{}\"\n{more}", front.base_url(host), file.display())
}

#[tokio::test]
async fn f16_a_certificate_that_does_not_hold_pauses_everything_and_says_which_way() {
    let (trusted, other, folder) =
        (Authority::new("Harbour Lane"), Authority::new("Other"), tempfile::tempdir().unwrap());
    for (identity, host, failure) in [
        (trusted.issue("localhost", 2021), "localhost", "certificate-expired"),
        (other.issue("localhost", 2099), "localhost", "certificate-untrusted"),
        (trusted.issue("elsewhere.harbourlane.example", 2099), "localhost", "certificate-wrong-name"),
    ] {
        let records = records();
        let front = Front::before(&records, &identity, None).await;
        let bench = Bench::start(records, &settings(&front, host, &trusted, folder.path(), ""), once()).await;
        bench.submit(&exam(1)).await;
        bench.paused_for(failure).await;
        bench.until(1, "pending").await;
        assert_eq!(bench.records.requests().len(), 0, "nothing goes there");
    }
}

#[tokio::test]
async fn f16_a_renewed_certificate_is_taken_and_its_end_is_told() {
    let (authority, folder) = (Authority::new("Harbour Lane"), tempfile::tempdir().unwrap());
    let records = records();
    let front = Front::before(&records, &authority.issue("localhost", 2021), None).await;
    let bench =
        Bench::start(records, &settings(&front, "localhost", &authority, folder.path(), ""), quick()).await;
    bench.submit(&exam(1)).await;
    bench.paused_for("certificate-expired").await;
    front.becomes(&authority.issue("localhost", 2060), None);
    bench.until(1, "delivered").await;
    bench.assert_once(1);
    let until =
        bench.metric("solewire_record_system_expiry_timestamp_seconds{what=\"server-certificate\"}").await;
    assert_eq!(until, 2_840_140_800.0, "2060-01-01");
}

#[tokio::test]
async fn a_client_certificate_is_shown_and_taken_up_again_when_its_file_changes() {
    let (authority, others, folder) =
        (Authority::new("Harbour Lane"), Authority::new("Other"), tempfile::tempdir().unwrap());
    let (certificate, key) = (folder.path().join("client.pem"), folder.path().join("client-key.pem"));
    let write = |identity: &Identity| {
        std::fs::write(&certificate, &identity.pem).unwrap();
        std::fs::write(&key, &identity.key).unwrap();
    };
    write(&others.issue("solewire.harbourlane.example", 2050));
    let records = records();
    let front = Front::before(&records, &authority.issue("localhost", 2099), Some(&authority)).await;
    let more = format!(
        "client_certificate_file = \"{}\"\nclient_key_file = \"{}\"",
        certificate.display(),
        key.display()
    );
    let bench =
        Bench::start(records, &settings(&front, "localhost", &authority, folder.path(), &more), quick())
            .await;
    let gauge = "solewire_record_system_expiry_timestamp_seconds{what=\"client-certificate\"}";
    assert_eq!(bench.metric(gauge).await, 2_524_608_000.0, "2050-01-01");
    bench.submit(&exam(1)).await;
    bench.paused_for("certificate-refused").await;
    bench.until(1, "pending").await;
    write(&authority.issue("solewire.harbourlane.example", 2060));
    bench.until(1, "delivered").await;
    assert_eq!(bench.metric(gauge).await, 2_840_140_800.0, "2060-01-01");
    bench.assert_once(1);
}
