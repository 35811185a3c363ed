use std::net::SocketAddr;
use std::path::Path;

use serde_json::{Value, json};
use solewire_profiles::ExamKey;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

use super::*;
use crate::clinic::Reach;
use crate::config::Config;
use crate::store::{Commit, ExamChange, Priority};

/// A text in a message that makes whoever sends it crash.
pub(super) const POISON: &str = "poison";

const DEADLINE: Duration = Duration::from_secs(30);

/// What the scripted record system does with one request.
#[derive(Clone)]
enum Step {
    /// Answers so.
    Answer(&'static str, &'static [(&'static str, &'static str)], String),
    /// Takes the request and says nothing more.
    Silence,
}

/// A record system that follows a script, one step a request, and tells what it got.
struct RecordSystem {
    address: SocketAddr,
    requests: mpsc::UnboundedReceiver<String>,
}

impl RecordSystem {
    async fn following(script: Vec<Step>) -> RecordSystem {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let (sender, requests) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            let mut kept = Vec::new();
            for step in script {
                let (mut stream, _) = listener.accept().await.unwrap();
                let request = read_request(&mut stream).await;
                match step {
                    Step::Answer(status, headers, body) => {
                        let mut text = format!(
                            "HTTP/1.1 {status}\r\nconnection: close\r\ncontent-length: {}\r\n",
                            body.len()
                        );
                        for (name, value) in headers {
                            text.push_str(&format!("{name}: {value}\r\n"));
                        }
                        text.push_str(&format!("\r\n{body}"));
                        stream.write_all(text.as_bytes()).await.unwrap();
                        stream.shutdown().await.unwrap();
                    }
                    Step::Silence => kept.push(stream),
                }
                sender.send(request).unwrap();
            }
            // Further requests are refused; connections without an answer stay open.
            drop(listener);
            sender.closed().await;
        });
        RecordSystem { address, requests }
    }

    /// The next request: head and body.
    async fn request(&mut self) -> String {
        tokio::time::timeout(DEADLINE, self.requests.recv()).await.unwrap().unwrap()
    }

    async fn body(&mut self) -> Value {
        let request = self.request().await;
        serde_json::from_str(request.split_once("\r\n\r\n").unwrap().1).unwrap()
    }

    /// Whether nothing more has come.
    fn is_quiet(&mut self) -> bool {
        self.requests.try_recv().is_err()
    }
}

async fn read_request(stream: &mut TcpStream) -> String {
    let mut bytes = Vec::new();
    loop {
        let mut chunk = [0; 4096];
        let read = stream.read(&mut chunk).await.unwrap();
        bytes.extend_from_slice(&chunk[..read]);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        if let Some((head, body)) = text.split_once("\r\n\r\n") {
            let length = head.lines().find_map(|line| {
                line.to_ascii_lowercase().strip_prefix("content-length: ").map(str::to_owned)
            });
            if body.len() >= length.unwrap().parse::<usize>().unwrap() {
                return text;
            }
        }
        assert!(read > 0, "the request broke off");
    }
}

/// A store, a worker on it, and what is needed to look at both.
struct Bench {
    store: Store,
    lane: Arc<Lane>,
    wake: Arc<Notify>,
    stop: watch::Sender<bool>,
    target: String,
    worker: Option<tokio::task::JoinHandle<()>>,
    pace: Pace,
    _folder: tempfile::TempDir,
}

impl Bench {
    async fn towards(address: SocketAddr) -> Bench {
        let folder = tempfile::tempdir().unwrap();
        let pace = Pace {
            backoff: Backoff { first: Duration::from_millis(1), cap: Duration::from_millis(5) },
            timeouts: Timeouts { connect: Duration::from_secs(5), total: Duration::from_secs(5) },
            ..Pace::default()
        };
        Bench {
            store: Store::open(&folder.path().join("solewire.db")).await.unwrap(),
            lane: Arc::new(Lane::new(true)),
            wake: Arc::new(Notify::new()),
            stop: watch::Sender::new(false),
            target: format!("http://{address}/fhir"),
            worker: None,
            pace,
            _folder: folder,
        }
    }

    /// Stores a version of an exam with a payload of `entries` entries.
    async fn exam(&self, key: &str, seen_version: i64, entries: usize) {
        let entries: Vec<Value> = (0..entries)
            .map(|number| {
                json!({
                    "fullUrl": format!("urn:uuid:{number}"),
                    "resource": { "resourceType": "Observation",
                                  "identifier": [{ "system": "s", "value": format!("{key}-{number}") }] },
                    "request": { "method": "POST", "url": "Observation",
                                 "ifNoneExist": format!("identifier=s|{key}-{number}") }
                })
            })
            .collect();
        let change = ExamChange {
            key: ExamKey(key.into()),
            seen_version,
            subject: "s|1".into(),
            subject_before: None,
            encounter: None,
            panel_identifier: None,
            writes: Vec::new(),
            payload: Some(json!({ "exam": key, "version": seen_version + 1, "entry": entries }).to_string()),
            priority: Priority::Usual,
            withdraws: false,
        };
        let at = Clock::system().now_ms();
        self.store.commit(Commit { exams: vec![change], at, ..Commit::default() }).await.unwrap();
        self.wake.notify_one();
    }

    fn start(&mut self) {
        self.start_with(|_| ());
    }

    fn start_with(&mut self, prepare: impl FnOnce(&Client)) {
        let text = format!(
            "[access]\nmode = \"open\"\n[record_system]\nallow_plaintext = true\nbase_url = \"{}\"\nauth = \"bearer\"",
            self.target
        );
        let secret = ("SOLEWIRE_RECORD_SYSTEM__TOKEN".to_owned(), "opaque-token".to_owned());
        let config = Config::parse(&text, Path::new("test"), [secret]).unwrap();
        let metrics = Arc::new(Metrics::default());
        let target = config.record_system.unwrap();
        let client = Client::new(target, self.pace.timeouts, Clock::system(), metrics.expiries()).unwrap();
        prepare(&client);
        let parts = Parts {
            store: self.store.clone(),
            clock: Clock::system(),
            wake: Arc::clone(&self.wake),
            lane: Arc::clone(&self.lane),
            metrics,
            traces: crate::traces::Traces::default(),
            pace: self.pace,
        };
        let worker = Worker::new(Arc::new(client), parts);
        self.worker = Some(tokio::spawn(worker.run(self.stop.subscribe())));
    }

    /// Lets what is under way finish and stops.
    async fn stop(&mut self) {
        self.stop.send_replace(true);
        tokio::time::timeout(DEADLINE, self.worker.take().unwrap()).await.unwrap().unwrap();
    }

    /// Waits until a delivery is in a state.
    async fn comes_to(&self, id: i64, state: DeliveryState) {
        let came = async {
            while self.state(id).await.0 != state {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(DEADLINE, came).await.unwrap();
    }

    async fn state(&self, id: i64) -> (DeliveryState, i64, Option<String>) {
        let delivery = self.store.delivery(id, &Reach::All).await.unwrap().unwrap();
        (delivery.state, delivery.attempts, delivery.failure)
    }
}

fn taken(entries: usize) -> Step {
    let entries: Vec<Value> = (0..entries)
        .map(|_| json!({ "response": { "status": "201 Created", "location": "Observation/1" } }))
        .collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction-response", "entry": entries });
    Step::Answer("200 OK", &[], bundle.to_string())
}

fn says(status: &'static str) -> Step {
    Step::Answer(status, &[], String::new())
}

/// The answer to a search that finds nothing.
fn nothing_found() -> Step {
    Step::Answer("200 OK", &[], json!({ "resourceType": "Bundle", "type": "searchset" }).to_string())
}

#[tokio::test]
async fn an_exam_goes_out_as_fhir_with_credentials_and_is_then_delivered() {
    let mut remote = RecordSystem::following(vec![taken(2)]).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.exam("k", 0, 2).await;
    bench.start();
    let request = remote.request().await.to_ascii_lowercase();
    assert!(request.starts_with("post /fhir http/1.1"), "{request}");
    assert!(request.contains("content-type: application/fhir+json"));
    assert!(request.contains("authorization: bearer opaque-token"));
    bench.stop().await;
    assert_eq!(bench.state(1).await, (DeliveryState::Delivered, 1, None));
    assert_eq!(bench.lane.state(), LaneState::Open);
}

#[tokio::test]
async fn no_answer_in_time_is_an_unknown_outcome() {
    let mut remote = RecordSystem::following(vec![Step::Silence]).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.pace.timeouts.total = Duration::from_millis(200);
    bench.pace.backoff = Backoff { first: Duration::from_secs(900), cap: Duration::from_secs(900) };
    bench.exam("k", 0, 1).await;
    bench.start();
    remote.request().await;
    assert_eq!(tokio::time::timeout(DEADLINE, bench.lane.paused()).await.unwrap(), Failure::Timeout);
    bench.stop().await;
    assert_eq!(bench.state(1).await, (DeliveryState::UnknownOutcome, 1, Some("timeout".into())));
}

#[tokio::test]
async fn a_refused_message_is_parked_after_one_request_and_holds_only_its_own_exam() {
    let outcome = json!({ "resourceType": "OperationOutcome", "issue": [{
        "severity": "error", "code": "value", "diagnostics": "Edwina Fable", "expression": ["Bundle.entry[1].resource"]
    }]});
    let refusal = Step::Answer("422 Unprocessable Entity", &[], outcome.to_string());
    let mut remote = RecordSystem::following(vec![refusal, taken(1)]).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.pace.at_once = 1;
    bench.exam("refused", 0, 2).await;
    bench.exam("refused", 1, 2).await;
    bench.exam("other", 0, 1).await;
    bench.start();
    assert_eq!(remote.body().await["exam"], "refused");
    assert_eq!(remote.body().await["exam"], "other");
    bench.stop().await;
    assert!(remote.is_quiet());
    assert_eq!(bench.state(1).await, (DeliveryState::Parked, 1, Some("message-refused".into())));
    assert_eq!(bench.state(2).await, (DeliveryState::Pending, 0, None));
    assert_eq!(bench.state(3).await, (DeliveryState::Delivered, 1, None));
    let detail = bench.store.delivery(1, &Reach::All).await.unwrap().unwrap().detail.unwrap();
    assert!(detail.contains("Bundle.entry[1].resource") && !detail.contains("Edwina"), "{detail}");
}

#[tokio::test]
async fn a_fault_of_the_destination_pauses_everything_and_charges_nothing() {
    let moved: Step = Step::Answer("302 Found", &[("location", "http://127.0.0.1:9/fhir")], String::new());
    for (step, failure) in [
        (says("401 Unauthorized"), Failure::Unauthorized),
        (says("403 Forbidden"), Failure::Forbidden),
        (says("404 Not Found"), Failure::NotAnEndpoint),
        (says("405 Method Not Allowed"), Failure::NotAnEndpoint),
        (says("429 Too Many Requests"), Failure::Throttled),
        (moved, Failure::Redirected),
    ] {
        let mut remote = RecordSystem::following(vec![step]).await;
        let mut bench = Bench::towards(remote.address).await;
        bench.pace.backoff = Backoff { first: Duration::from_secs(900), cap: Duration::from_secs(900) };
        bench.exam("k", 0, 1).await;
        bench.start();
        remote.request().await;
        assert_eq!(tokio::time::timeout(DEADLINE, bench.lane.paused()).await.unwrap(), failure);
        bench.exam("other", 0, 1).await;
        bench.stop().await;
        assert_eq!(bench.state(1).await, (DeliveryState::Pending, 0, Some(failure.word().into())));
        assert_eq!(bench.state(2).await, (DeliveryState::Pending, 0, None));
    }
}

#[tokio::test]
async fn nobody_there_is_told_from_no_such_name() {
    let closed = {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        listener.local_addr().unwrap()
    };
    for (target, failure) in [
        (format!("http://{closed}/fhir"), Failure::ConnectionRefused),
        ("http://records.invalid/fhir".to_owned(), Failure::NameResolution),
    ] {
        let mut bench = Bench::towards(closed).await;
        bench.target = target;
        bench.exam("k", 0, 1).await;
        bench.start();
        assert_eq!(tokio::time::timeout(DEADLINE, bench.lane.paused()).await.unwrap(), failure);
        bench.stop().await;
        assert_eq!(bench.state(1).await.0, DeliveryState::Pending);
    }
}

#[tokio::test]
async fn an_untrusted_server_gets_nothing() {
    // A server that does not speak TLS at all is as untrusted as one with a bad certificate.
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let server = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        stream.write_all(b"HTTP/1.1 200 OK\r\n\r\n").await.unwrap();
        let mut seen = Vec::new();
        // The end may come as an end or as a reset.
        if stream.read_to_end(&mut seen).await.is_err() {
            seen.push(0);
        }
        seen
    });
    let mut bench = Bench::towards(address).await;
    bench.target = format!("https://{address}/fhir");
    bench.pace.backoff = Backoff { first: Duration::from_secs(900), cap: Duration::from_secs(900) };
    bench.exam("k", 0, 1).await;
    bench.start();
    assert_eq!(tokio::time::timeout(DEADLINE, bench.lane.paused()).await.unwrap(), Failure::Tls);
    bench.stop().await;
    let seen = tokio::time::timeout(DEADLINE, server).await.unwrap().unwrap();
    assert!(!String::from_utf8_lossy(&seen).contains("opaque-token"));
}

#[tokio::test]
async fn versions_arrive_in_order_even_when_the_first_needs_another_try() {
    let script = vec![says("409 Conflict"), nothing_found(), taken(1), taken(1)];
    let mut remote = RecordSystem::following(script).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.exam("k", 0, 1).await;
    bench.exam("k", 1, 1).await;
    bench.start();
    let mut versions = vec![remote.body().await["version"].as_i64().unwrap()];
    assert!(remote.request().await.starts_with("POST /fhir/Observation/_search "));
    for _ in 0..2 {
        versions.push(remote.body().await["version"].as_i64().unwrap());
    }
    assert_eq!(versions, [1, 1, 2]);
    bench.stop().await;
    assert_eq!(bench.state(2).await.0, DeliveryState::Delivered);
}

#[tokio::test]
async fn a_conflict_that_stays_is_parked() {
    let script: Vec<Step> = (0..3).flat_map(|_| [says("409 Conflict"), nothing_found()]).collect();
    let mut remote = RecordSystem::following(script).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.exam("k", 0, 1).await;
    bench.start();
    for _ in 0..6 {
        remote.request().await;
    }
    bench.stop().await;
    assert_eq!(bench.state(1).await, (DeliveryState::Parked, 3, Some("conflict".into())));
}

#[tokio::test]
async fn f19_a_process_that_dies_between_sending_and_recording_looks_first_and_sends_the_same_again() {
    let script = vec![Step::Silence, nothing_found(), taken(1), nothing_found()];
    let mut remote = RecordSystem::following(script).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.exam("k", 0, 1).await;
    bench.start();
    let first = remote.body().await;
    bench.worker.take().unwrap().abort();
    assert_eq!(bench.state(1).await.0, DeliveryState::Sending);
    assert_eq!(bench.store.release_leases(Clock::system().now_ms()).await.unwrap(), 1);
    bench.start();
    assert!(remote.request().await.starts_with("POST /fhir/Observation/_search "));
    assert_eq!(remote.body().await, first);
    remote.request().await;
    bench.stop().await;
    assert_eq!(bench.state(1).await.0, DeliveryState::Delivered);
}

#[tokio::test]
async fn f29_a_message_that_crashes_its_sender_twice_is_parked_and_holds_nobody_else_up() {
    let mut remote = RecordSystem::following(vec![taken(1)]).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.pace.at_once = 1;
    bench.exam(POISON, 0, 1).await;
    bench.exam("other", 0, 1).await;
    bench.start();
    assert_eq!(remote.body().await["exam"], "other");
    bench.comes_to(1, DeliveryState::Parked).await;
    bench.stop().await;
    assert_eq!(bench.state(1).await.2.as_deref(), Some("crash"));
    assert_eq!(bench.state(2).await.0, DeliveryState::Delivered);
}

#[tokio::test]
async fn what_was_taken_up_ahead_of_a_pause_is_given_back_as_it_was() {
    let mut remote = RecordSystem::following(vec![says("429 Too Many Requests")]).await;
    let mut bench = Bench::towards(remote.address).await;
    bench.pace.backoff = Backoff { first: Duration::from_secs(900), cap: Duration::from_secs(900) };
    bench.pace.at_once = 1;
    for exam in ["a", "b", "c"] {
        bench.exam(exam, 0, 1).await;
    }
    bench.start();
    assert_eq!(remote.body().await["exam"], "a");
    tokio::time::timeout(DEADLINE, bench.lane.paused()).await.unwrap();
    for delivery in 1..=3 {
        bench.comes_to(delivery, DeliveryState::Pending).await;
    }
    bench.stop().await;
    for delivery in [2, 3] {
        assert_eq!(bench.state(delivery).await, (DeliveryState::Pending, 0, None));
        assert!(bench.store.attempts(delivery).await.unwrap().is_empty());
    }
}

/// A place to look names up that tests change.
#[derive(Debug, Default)]
pub(super) struct Names(std::sync::Mutex<Option<SocketAddr>>);

impl reqwest::dns::Resolve for Names {
    fn resolve(&self, _: reqwest::dns::Name) -> reqwest::dns::Resolving {
        let found = *self.0.lock().unwrap();
        Box::pin(async move {
            let address = found.ok_or("no such name")?;
            Ok(Box::new([address].into_iter()) as reqwest::dns::Addrs)
        })
    }
}

#[tokio::test]
async fn f15_a_name_that_leads_nowhere_is_asked_again_and_followed_where_it_leads_then() {
    let mut first = RecordSystem::following(vec![taken(1)]).await;
    let mut second = RecordSystem::following(vec![taken(1)]).await;
    let names = Arc::new(Names::default());
    let mut bench = Bench::towards(first.address).await;
    bench.target = "http://records.harbourlane.example/fhir".to_owned();
    bench.exam("one", 0, 1).await;
    let resolver = Arc::clone(&names);
    bench.start_with(|client| client.connection.resolve_with(resolver));
    assert_eq!(tokio::time::timeout(DEADLINE, bench.lane.paused()).await.unwrap(), Failure::NameResolution);
    *names.0.lock().unwrap() = Some(first.address);
    assert_eq!(first.body().await["exam"], "one");
    *names.0.lock().unwrap() = Some(second.address);
    bench.exam("two", 0, 1).await;
    assert_eq!(second.body().await["exam"], "two");
    bench.stop().await;
    assert_eq!(bench.state(1).await, (DeliveryState::Delivered, 1, None));
    assert_eq!(bench.state(2).await, (DeliveryState::Delivered, 1, None));
}
