//! Keys, tokens and certificates are changed while callers go on asking, and no request is lost.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use reqwest::Method;
use serde_json::json;

use solewire_tests::certificates::Authority;

use super::certificates::{client, settings};
use super::issuer::{Key, KeyRoute};
use super::site::{LIMIT, Site, ask, asked};

/// How a caller asks at this moment.
#[derive(Clone)]
struct Way {
    client: reqwest::Client,
    token: String,
}

/// Callers that ask all the time, each time anew by the way that is set then.
struct Load {
    way: Arc<Mutex<Way>>,
    stop: Arc<AtomicBool>,
    answered: Arc<AtomicU64>,
    tasks: Vec<tokio::task::JoinHandle<()>>,
}

impl Load {
    fn start(url: &str, way: Way) -> Load {
        let way = Arc::new(Mutex::new(way));
        let (stop, answered) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let tasks = (0..4)
            .map(|_| {
                let (way, stop, answered) = (Arc::clone(&way), Arc::clone(&stop), Arc::clone(&answered));
                let url = url.to_owned();
                tokio::spawn(async move {
                    while !stop.load(Ordering::SeqCst) {
                        let now: Way = way.lock().unwrap().clone();
                        let answer = ask(&now.client, Method::GET, &url, &now.token, &[], "").await;
                        assert_eq!(answer.status, 200, "{}", answer.text);
                        answered.fetch_add(1, Ordering::SeqCst);
                    }
                })
            })
            .collect();
        Load { way, stop, answered, tasks }
    }

    /// Changes how callers ask, and waits until each has done so.
    async fn becomes(&self, way: Way) {
        *self.way.lock().unwrap() = way;
        self.goes_on().await;
    }

    /// Waits until every request that was under way is answered, and more after it.
    async fn goes_on(&self) {
        let (before, deadline) = (self.answered.load(Ordering::SeqCst), Instant::now() + LIMIT);
        while self.answered.load(Ordering::SeqCst) < before + 20 {
            assert!(self.tasks.iter().all(|task| !task.is_finished()), "a caller was turned away");
            assert!(Instant::now() < deadline, "requests stand still");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    async fn end(self) -> u64 {
        self.stop.store(true, Ordering::SeqCst);
        for task in self.tasks {
            task.await.expect("no request was lost");
        }
        self.answered.load(Ordering::SeqCst)
    }
}

const LIST: &str = "/fhir/Observation?_count=0";
/// Longer than files and tokens are left unread.
const TAKEN_UP: Duration = Duration::from_millis(3500);

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn keys_tokens_and_certificates_change_under_load_and_no_request_is_lost() {
    let (authority, clients, successors) =
        (Authority::new("Harbour Lane"), Authority::new("Clients"), Authority::new("Clients from now on"));
    let (folder, key, next) = (
        tempfile::tempdir().unwrap(),
        Key::new("k1", jsonwebtoken::Algorithm::ES256),
        Key::new("k2", jsonwebtoken::Algorithm::ES384),
    );
    let first = authority.issue("localhost", 2098);
    first.write(folder.path());
    let trusted = |text: String| std::fs::write(folder.path().join("clients.pem"), text).unwrap();
    trusted(clients.pem.clone());
    let route = KeyRoute::start(&[&key]).await;
    let access = format!("{}requests_per_minute = 0", route.settings());
    let site = Site::with(&settings(folder.path(), true), &access, None).await;
    let device = client(&authority, Some(&clients.issue("device", 2099)));
    let way = |client: &reqwest::Client, token: &str| Way { client: client.clone(), token: token.to_owned() };

    // A token: the new one is made, handed over, and the old one taken back.
    let old = site.made("--right read");
    tokio::time::sleep(TAKEN_UP).await;
    let load = Load::start(&site.url(LIST), way(&device, &old));
    load.goes_on().await;
    let new = site.made("--right read");
    tokio::time::sleep(TAKEN_UP).await;
    load.becomes(way(&device, &new)).await;
    site.revoke(&site.ids()[0]);
    tokio::time::sleep(TAKEN_UP).await;
    drop(ask(&device, Method::GET, &site.url(LIST), &old, &[], "").await.expect(401));

    // A key of the issuer: published, used, and the old one taken out.
    load.becomes(way(&device, &key.sign(&json!({})))).await;
    route.shows(&[&key, &next]);
    load.becomes(way(&device, &next.sign(&json!({})))).await;
    route.shows(&[&next]);
    load.goes_on().await;

    // The certificate of the service. Between the change of one file and of the other they do not fit together.
    let second = authority.issue("localhost", 2099);
    std::fs::write(folder.path().join("server.pem"), &second.pem).unwrap();
    tokio::time::sleep(TAKEN_UP).await;
    load.goes_on().await;
    assert_eq!(shown(&site, &device).await, first.der);
    std::fs::write(folder.path().join("server-key.pem"), &second.key).unwrap();
    let deadline = Instant::now() + LIMIT;
    while shown(&site, &device).await != second.der {
        assert!(Instant::now() < deadline, "the new certificate is not taken up");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    load.goes_on().await;

    // The authority of the callers: both are trusted, callers change, the old one goes.
    trusted(format!("{}{}", clients.pem, successors.pem));
    tokio::time::sleep(TAKEN_UP).await;
    let renewed = client(&authority, Some(&successors.issue("device", 2099)));
    load.becomes(way(&renewed, &next.sign(&json!({})))).await;
    trusted(successors.pem.clone());
    tokio::time::sleep(TAKEN_UP).await;
    assert!(asked(&device, Method::GET, &site.url(LIST), &new, &[], "").await.is_err(), "the old authority");
    load.goes_on().await;

    let answered = load.end().await;
    assert!(answered > 200, "{answered}");
    site.stop().await;
}

/// The certificate that the service shows to a new connection, in DER.
async fn shown(site: &Site, client: &reqwest::Client) -> Vec<u8> {
    let response = client.get(site.url("/health/live")).send().await.unwrap();
    let seen = response.extensions().get::<reqwest::tls::TlsInfo>().unwrap();
    seen.peer_certificate().unwrap().to_vec()
}
