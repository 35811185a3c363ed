//! TLS of the listeners, and callers who are known by their certificate.

use std::time::Duration;

use reqwest::Method;
use sha2::{Digest as _, Sha256};
use solewire_tests::certificates::{Authority, Identity};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::certificates::{client, settings};
use super::site::{Site, ask, asked, assessment, exam, rule};

const LIST: &str = "/fhir/Observation?_count=0";

fn fingerprint(identity: &Identity) -> String {
    Sha256::digest(&identity.der).iter().map(|byte| format!("{byte:02x}")).collect()
}

#[tokio::test]
async fn s08_a_listener_with_a_certificate_speaks_tls_1_2_and_later_and_nothing_else() {
    let (authority, folder) = (Authority::new("Harbour Lane"), tempfile::tempdir().unwrap());
    authority.issue("localhost", 2099).write(folder.path());
    let site = Site::with(&settings(folder.path(), false), "", None).await;
    let token = site.made("--right submit --right read");
    let trusting = client(&authority, None);
    let deadline = std::time::Instant::now() + Duration::from_secs(60);
    while ask(&trusting, Method::GET, &site.url(LIST), &token, &[], "").await.status != 200 {
        assert!(std::time::Instant::now() < deadline);
    }
    let taken = ask(&trusting, Method::POST, &site.url("/fhir"), &token, &[], &exam(1)).await.expect(200);
    assert!(
        taken.header("link").unwrap().starts_with("<https://localhost:"),
        "addresses are of this listener"
    );
    let page = [("x-solewire-page", "1")];
    let body = format!("{{\"token\": \"{token}\"}}");
    let session =
        ask(&trusting, Method::POST, &site.url("/pages/session"), "", &page, &body).await.expect(200);
    assert!(session.header("set-cookie").unwrap().contains("; Secure"));

    let url = site.url(LIST);
    assert!(asked(&reqwest::Client::new(), Method::GET, &url, &token, &[], "").await.is_err(), "not trusted");
    let plain = url.replace("https://", "http://");
    assert!(
        asked(&reqwest::Client::new(), Method::GET, &plain, &token, &[], "").await.is_err(),
        "plain HTTP"
    );
    let port = url::Url::parse(&url).unwrap().port().unwrap();
    // The first byte of a record: 22 goes on with the handshake, 21 is an alert (RFC 5246 section 6.2.1).
    for (minor, kind) in [(1, 21), (2, 21), (3, 22)] {
        let answer = after_hello(port, minor).await;
        assert_eq!(answer.first(), Some(&kind), "TLS 1.{}: {answer:?}", minor - 1);
    }
}

/// What a server says to the first message of a client that knows no later version than 1.`minor - 1`.
async fn after_hello(port: u16, minor: u8) -> Vec<u8> {
    let mut hello = vec![3, minor];
    hello.extend([7; 32]);
    // No session; ECDHE with ECDSA, AES-128 by GCM and by CBC; no compression.
    hello.extend([0, 0, 4, 0xc0, 0x2b, 0xc0, 0x09, 1, 0]);
    // P-256, uncompressed points, ECDSA on P-256 with SHA-256.
    let extensions = [0, 10, 0, 4, 0, 2, 0, 23, 0, 11, 0, 2, 1, 0, 0, 13, 0, 4, 0, 2, 4, 3];
    hello.extend([0, u8::try_from(extensions.len()).unwrap()]);
    hello.extend(extensions);
    let length = u8::try_from(hello.len()).unwrap();
    let mut record = vec![22, 3, 1, 0, length + 4, 1, 0, 0, length];
    record.extend(hello);
    let mut stream = TcpStream::connect(("localhost", port)).await.unwrap();
    stream.write_all(&record).await.unwrap();
    let mut answer = vec![0; 64];
    let read = tokio::time::timeout(Duration::from_secs(10), stream.read(&mut answer)).await.unwrap();
    answer.truncate(read.unwrap());
    answer
}

#[tokio::test]
async fn s02_a_client_certificate_is_asked_for_and_stands_in_for_a_token() {
    let (authority, clients, others) =
        (Authority::new("Harbour Lane"), Authority::new("Clients"), Authority::new("Others"));
    let folder = tempfile::tempdir().unwrap();
    authority.issue("localhost", 2099).write(folder.path());
    std::fs::write(folder.path().join("clients.pem"), &clients.pem).unwrap();
    let (device, unlisted) = (clients.issue("device", 2099), clients.issue("device", 2099));
    let access = format!("certificates = [\"{} submit read clinic=north\"]", fingerprint(&device));
    let site = Site::with(&settings(folder.path(), true), &access, None).await;
    let token = site.made("--right read --clinic south");
    tokio::time::sleep(Duration::from_secs(3)).await;
    let url = site.url(LIST);

    for (what, identity) in [
        ("none", None),
        ("of another authority", Some(others.issue("device", 2099))),
        ("that has ended", Some(clients.issue("device", 2021))),
    ] {
        let client = client(&authority, identity.as_ref());
        assert!(asked(&client, Method::GET, &url, &token, &[], "").await.is_err(), "a certificate {what}");
    }
    let known = client(&authority, Some(&device));
    let taken = ask(&known, Method::POST, &site.url("/fhir"), "", &[], &exam(1)).await.expect(200);
    let place = site.url(&format!("/fhir/{}", assessment(&taken)));
    drop(ask(&known, Method::GET, &place, "", &[], "").await.expect(200));
    // A token is judged by itself, whoever brings it.
    drop(ask(&known, Method::GET, &place, &token, &[], "").await.expect(404));
    drop(ask(&known, Method::GET, &place, "guess", &[], "").await.expect(401));
    // Another site could make a browser send it.
    let foreign = [("sec-fetch-site", "cross-site")];
    let refused = ask(&known, Method::POST, &site.url("/fhir"), "", &foreign, &exam(2)).await.expect(403);
    assert_eq!(rule(&refused), "http-other-site");
    let stranger = client(&authority, Some(&unlisted));
    drop(ask(&stranger, Method::GET, &url, "", &[], "").await.expect(401));
    drop(ask(&stranger, Method::GET, &url, &token, &[], "").await.expect(200));
}
