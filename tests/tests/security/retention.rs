//! H11: what was delivered is purged after its time and cannot be found in the store any more; the exam as it stands,
//! what is not delivered, the numbers and the audit stay.

use std::path::Path;
use std::time::{Duration, Instant};

use reqwest::Method;
use serde_json::{Value, json};
use solewire_service::clock::Clock;
use solewire_service::config::Config;
use solewire_service::loopback::{Answer as Scripted, Behaviour, LoopbackRecordSystem, When};
use solewire_service::startup;
use solewire_tests::binaries;
use solewire_tests::client::{Answer, Client};
use solewire_tests::corpus::case;
use solewire_tests::postgres::fresh_database;
use solewire_tests::process::{self, POLL, Ran};
use solewire_tests::service::{Service, Setup};
use sqlx::{Connection as _, PgConnection, Row as _, SqliteConnection};

/// A name that must not be found once it is purged. It was written into a result by mistake, and corrected.
const CANARY: &str = "Wilhelmina Canaryfeather";
const LIMIT: Duration = Duration::from_secs(60);

struct Kept {
    records: LoopbackRecordSystem,
    service: Service,
    store: String,
}

impl Kept {
    /// A service whose record system took an exam with the name in a note, and then the exam without it.
    async fn start(store: String) -> Kept {
        let records = LoopbackRecordSystem::start(&[person(&case("complete-normal").json())]).unwrap();
        // What is still to be looked for there would be kept.
        let more = format!("[record_system]\nbase_url = \"{}\"\nverify = false\n", records.base_url());
        let setup = Setup { more, store: Some(store.clone()), ..Setup::default() };
        let kept = Kept { service: Service::start(setup).await, records, store };
        let mut exam = case("complete-normal").json();
        exam["entry"][1]["resource"]["note"] = json!([{ "text": format!("Seen by {CANARY}.") }]);
        // Another system has no business writing a name there, and if it does, it goes with the rest.
        let state = format!("harbourlane={CANARY}");
        let headers = [
            ("idempotency-key", "key-of-the-ward"),
            ("prefer", "return=representation"),
            ("traceparent", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"),
            ("tracestate", state.as_str()),
        ];
        let taken =
            kept.service.client.send(Method::POST, &kept.service.fhir_url, &headers, exam.to_string()).await;
        assert_eq!(taken.status, 200, "{}", taken.text);
        kept.settled(1).await;
        kept
    }

    /// The first finding of the exam, which holds the name.
    async fn result(&self) -> Value {
        let all = self.service.client.get(&self.service.url("Observation?_count=100")).await.expect(200);
        all.resources().into_iter().find(|resource| resource.to_string().contains(CANARY)).unwrap()
    }

    /// Takes the name out of the result.
    async fn correct(&self, result: &Value) -> String {
        let mut corrected = result.clone();
        corrected.as_object_mut().unwrap().remove("note");
        corrected["status"] = json!("corrected");
        let id = result["id"].as_str().unwrap();
        let url = self.service.url(&format!("Observation/{id}"));
        let headers = [("if-match", "W/\"1\"")];
        drop(self.service.client.send(Method::PUT, &url, &headers, corrected.to_string()).await.expect(200));
        id.to_owned()
    }

    /// Waits until there are so many deliveries and none is under way.
    async fn settled(&self, count: usize) {
        let deadline = Instant::now() + LIMIT;
        loop {
            let states = self.service.delivery_states().await;
            let open = |state: &String| matches!(state.as_str(), "pending" | "sending" | "unknown-outcome");
            if states.len() == count && !states.iter().any(open) {
                return;
            }
            assert!(Instant::now() < deadline, "{states:?}\n{}", self.service.log());
            tokio::time::sleep(POLL).await;
        }
    }

    fn solewire(&self, arguments: &[&str]) -> Ran {
        process::run(&binaries::solewire(), arguments, &self.service.folder(), LIMIT)
    }

    /// Purges everything that is delivered by now.
    fn purge(&self) -> String {
        let ran = self.solewire(&["store", "purge", "--older-than-days", "0", "--now"]);
        assert_eq!(ran.code, Some(0), "{ran:#?}");
        ran.out
    }

    /// Where the name stands: files of the store, or tables.
    async fn places(&self) -> Vec<String> {
        if self.store.starts_with("sqlite") {
            files(&self.service.folder())
        } else {
            tables(&self.store).await
        }
    }

    async fn operate(&self, method: Method, path: &str, body: &str) -> Answer {
        let url = format!("{}{path}", self.service.operations_url);
        self.service.client.send(method, &url, &[], body.to_owned()).await
    }
}

fn person(document: &Value) -> Value {
    let entries = document["entry"].as_array().unwrap();
    let identifier = entries.iter().find_map(|entry| entry.pointer("/resource/subject/identifier")).unwrap();
    json!({ "resourceType": "Patient", "identifier": [identifier] })
}

/// The files of the store that hold the name, byte for byte.
fn files(folder: &Path) -> Vec<String> {
    let holds = |bytes: &[u8]| bytes.windows(CANARY.len()).any(|window| window == CANARY.as_bytes());
    let names = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let names = names.filter(|path| path.is_file() && holds(&std::fs::read(path).unwrap()));
    names.map(|path| path.file_name().unwrap().to_string_lossy().into_owned()).collect()
}

/// The tables that hold the name in any row.
async fn tables(store: &str) -> Vec<String> {
    let mut connection = PgConnection::connect(store).await.unwrap();
    let names = sqlx::query("SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY 1")
        .fetch_all(&mut connection)
        .await
        .unwrap();
    let mut holding = Vec::new();
    for name in names {
        let name: String = name.get(0);
        let count =
            format!("SELECT count(*) FROM \"{name}\" AS row WHERE CAST(row AS TEXT) LIKE '%{CANARY}%'");
        let count: i64 =
            sqlx::query_scalar(sqlx::AssertSqlSafe(count)).fetch_one(&mut connection).await.unwrap();
        if count > 0 {
            holding.push(name);
        }
    }
    holding
}

async fn nothing_purged_is_found(store: String) {
    let kept = Kept::start(store).await;
    let result = kept.result().await;
    let id = kept.correct(&result).await;
    kept.settled(2).await;
    assert!(!kept.places().await.is_empty(), "the search finds what is there");
    let counted = kept.solewire(&["store", "check"]).out;

    let preview = kept.solewire(&["store", "purge", "--older-than-days", "0"]);
    assert_eq!(preview.code, Some(0), "{preview:#?}");
    assert!(preview.out.contains("of 1 exams, 1 answers"), "{}", preview.out);
    assert!(preview.out.contains("nothing was purged"), "{}", preview.out);
    assert!(!kept.places().await.is_empty(), "a look changes nothing");
    let said = kept.purge();
    assert!(said.contains("purged 2 payloads and "), "{said}");
    assert_eq!(kept.places().await, Vec::<String>::new());

    // The exam as it stands, its assessment and the list of its versions are still read.
    let current = kept.service.client.get(&kept.service.url(&format!("Observation/{id}"))).await.expect(200);
    assert_eq!(current.json()["status"], "corrected");
    let assessments = kept.service.client.get(&kept.service.url("RiskAssessment")).await.expect(200);
    assert_eq!(assessments.resources().len(), 1);
    let history = kept.service.client.get(&kept.service.url(&format!("Observation/{id}/_history"))).await;
    let history = history.expect(200).json();
    assert_eq!((&history["total"], &history["entry"][1]["resource"]), (&json!(2), &Value::Null));
    let first = kept.service.client.get(&kept.service.url(&format!("Observation/{id}/_history/1"))).await;
    assert!(first.status == 404 && first.text.contains("purged"), "{}", first.text);
    // The numbers, the store and the audit are as sound as before.
    assert_eq!(kept.solewire(&["store", "check"]).out, counted);
    let audit = kept.solewire(&["audit", "check"]);
    assert_eq!(audit.code, Some(0), "{audit:#?}");
    let events = kept.operate(Method::GET, "/fhir/AuditEvent?_count=200", "").await.expect(200);
    let purges: Vec<Value> =
        events.resources().into_iter().filter(|event| event["subtype"][0]["code"] == "purge").collect();
    assert_eq!(purges.len(), 2, "the exam and the answers: {purges:#?}");
    let who = &purges[0]["agent"][0]["who"]["identifier"]["value"];
    assert_eq!(who, "command line");
    assert!(!purges.iter().any(|event| event.to_string().contains("HL-")), "{purges:#?}");
    // A replay of what is gone says so.
    let refused =
        kept.operate(Method::POST, "/operations/deliveries/2/replay", "{\"reason\": \"looked for\"}").await;
    assert!(refused.status == 409 && refused.text.contains("purged"), "{}", refused.text);
    let compared = kept.operate(Method::GET, "/operations/deliveries/2/comparison", "").await;
    assert!(compared.status == 409 && compared.text.contains("purged"), "{}", compared.text);
}

#[tokio::test]
async fn h11_a_purged_name_is_in_no_file_of_the_store_and_the_current_exam_and_the_audit_stay() {
    nothing_purged_is_found("sqlite:solewire.db".to_owned()).await;
}

#[tokio::test]
async fn h11_a_purged_name_is_in_no_table_of_postgresql_and_the_current_exam_and_the_audit_stay() {
    if let Some(store) = fresh_database("a purge").await {
        nothing_purged_is_found(store).await;
    }
}

#[tokio::test]
async fn h11_what_is_not_delivered_is_never_purged() {
    let kept = Kept::start("sqlite:solewire.db".to_owned()).await;
    let result = kept.result().await;
    // The correction is refused by the record system and waits for an operator.
    kept.records.script_always(When::Writes, Behaviour::Answer(Scripted::status(422)));
    drop(kept.correct(&result).await);
    kept.settled(2).await;
    assert_eq!(kept.service.delivery_states().await.last().map(String::as_str), Some("parked"));
    let said = kept.purge();
    assert!(said.contains("purged 0 payloads and 0 superseded versions of 0 exams"), "{said}");
    assert!(!kept.places().await.is_empty());
}

#[tokio::test]
async fn h11_an_exam_whose_payload_is_purged_is_corrected_and_sent_as_the_next_version() {
    let kept = Kept::start("sqlite:solewire.db".to_owned()).await;
    let result = kept.result().await;
    drop(kept.purge());
    drop(kept.correct(&result).await);
    kept.settled(2).await;
    let states = kept.service.delivery_states().await;
    assert!(states.iter().all(|state| matches!(state.as_str(), "delivered" | "verified")), "{states:?}");
    let held = kept.records.resources_of("Observation");
    assert!(held.iter().any(|resource| resource["status"] == "corrected"));
    assert!(!held.iter().any(|resource| resource.to_string().contains(CANARY)));
}

#[tokio::test]
async fn h11_a_change_in_the_record_system_is_not_overwritten_after_the_payload_is_purged() {
    let kept = Kept::start("sqlite:solewire.db".to_owned()).await;
    let result = kept.result().await;
    drop(kept.purge());
    let theirs = kept.records.resources_of("Observation");
    let theirs = theirs.iter().find(|resource| resource.to_string().contains(CANARY)).unwrap();
    let id = theirs["id"].as_str().unwrap();
    let by_hand = json!([{ "text": "Changed there by hand." }]);
    assert!(kept.records.edit("Observation", id, |resource| resource["note"] = by_hand));
    drop(kept.correct(&result).await);
    kept.settled(2).await;
    assert_eq!(kept.service.delivery_states().await.last().map(String::as_str), Some("parked"));
}

const HOUR: i64 = 3_600_000;

/// A service in this process, on a clock that the test sets, which keeps what was delivered for a day.
struct ByItself {
    running: startup::Running,
    clock: Clock,
    client: Client,
    fhir: String,
    operations: String,
}

impl ByItself {
    async fn start(store: &str, records: &LoopbackRecordSystem) -> ByItself {
        let text = format!(
            "[server]\nlisten = \"127.0.0.1:0\"\noperations_listen = \"127.0.0.1:0\"\n[access]\nmode = \"open\"\n\
             [store]\nurl = \"{store}\"\nkeep_delivered_days = 1\n\
             [record_system]\nbase_url = \"{}\"\nverify = false\n",
            records.base_url()
        );
        let config = Config::parse(&text, Path::new("the settings of the test"), []).unwrap();
        let clock = Clock::running();
        let running = startup::start(config, clock.clone()).await.unwrap();
        let fhir = format!("http://{}/fhir", running.listen);
        let operations = format!("http://{}", running.operations_listen);
        ByItself { running, clock, client: Client::new(), fhir, operations }
    }

    async fn comparison(&self, delivery: u32) -> Answer {
        self.client.get(&format!("{}/operations/deliveries/{delivery}/comparison", self.operations)).await
    }

    async fn delivered(&self, delivery: u32) {
        let url = format!("{}/operations/deliveries/{delivery}", self.operations);
        until("a delivery", async || self.client.get(&url).await.json()["state"] == "delivered").await;
    }

    /// Every event of a purge, the newest first.
    async fn purges(&self) -> Vec<Value> {
        let url = format!("{}/fhir/AuditEvent?_count=200", self.operations);
        let events = self.client.get(&url).await.expect(200).resources();
        events.into_iter().filter(|event| event["subtype"][0]["code"] == "purge").collect()
    }
}

async fn until(what: &str, holds: impl AsyncFn() -> bool) {
    let deadline = Instant::now() + LIMIT;
    while !holds().await {
        assert!(Instant::now() < deadline, "{what} does not come");
        tokio::time::sleep(POLL).await;
    }
}

/// `places` tells where the name stands in the store.
async fn expired_is_purged_by_itself(store: &str, places: impl AsyncFn() -> Vec<String>) {
    let first = case("complete-normal").json();
    let records = LoopbackRecordSystem::start(&[person(&first), crate::record_system::person(2)]).unwrap();
    let site = ByItself::start(store, &records).await;
    let mut first = first;
    first["entry"][1]["resource"]["note"] = json!([{ "text": format!("Seen by {CANARY}.") }]);
    let key = [("idempotency-key", "key-of-the-ward")];
    let send = async |method, url: &str, headers: &[(&str, &str)], body: &Value| {
        site.client.send(method, url, headers, body.to_string()).await.expect(200)
    };
    drop(send(Method::POST, &site.fhir, &key, &first).await);
    site.delivered(1).await;
    let found = site.client.get(&format!("{}/Observation?_count=100", site.fhir)).await.expect(200);
    let mut result =
        found.resources().into_iter().find(|resource| resource.to_string().contains(CANARY)).unwrap();
    result.as_object_mut().unwrap().remove("note");
    result["status"] = json!("corrected");
    let url = format!("{}/Observation/{}", site.fhir, result["id"].as_str().unwrap());
    drop(send(Method::PUT, &url, &[("if-match", "W/\"1\"")], &result).await);
    site.delivered(2).await;

    // Twenty hours later comes another; five more hours later the first has expired and the other has not.
    site.clock.set_ahead(20 * HOUR);
    drop(site.client.post(&site.fhir, crate::access::site::exam(2)).await.expect(200));
    site.delivered(3).await;
    assert!(!places().await.is_empty() && site.purges().await.is_empty(), "nothing has expired yet");
    site.clock.set_ahead(25 * HOUR);
    // The answers under keys come last in a round: the exams of this one are done.
    until("the round", async || site.purges().await.len() == 2).await;
    for delivery in [1, 2] {
        let purged = site.comparison(delivery).await;
        assert!(purged.status == 409 && purged.text.contains("purged"), "{delivery}: {}", purged.text);
    }
    drop(site.comparison(3).await.expect(200));
    for event in site.purges().await {
        assert_ne!(event["agent"][0]["who"]["identifier"]["value"], "command line");
        assert!(!event.to_string().contains("anyone"), "nobody asked for it: {event:#}");
    }
    // Each round after it empties the log of SQLite again, in case that somebody read from it at this one.
    site.clock.set_ahead(26 * HOUR);
    until("a store without the name", async || places().await.is_empty()).await;
    drop(site.comparison(3).await.expect(200));
    site.clock.set_ahead(45 * HOUR);
    until("the next round", async || site.comparison(3).await.status == 409).await;
    let current = site.client.get(&url).await.expect(200);
    assert_eq!(current.json()["status"], "corrected", "the exam as it stands stays");
    site.running.stop().await;
}

// The service runs within the test, which also waits for the record system.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn h11_what_expires_is_purged_by_a_running_service_within_the_hour() {
    let folder = tempfile::tempdir().unwrap();
    let store = format!("sqlite:{}", folder.path().join("solewire.db").display());
    expired_is_purged_by_itself(&store, async || files(folder.path())).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn h11_what_expires_is_purged_by_a_running_service_within_the_hour_on_postgresql() {
    if let Some(store) = fresh_database("a purge by the hour").await {
        expired_is_purged_by_itself(&store, async || tables(&store).await).await;
    }
}

/// As if everything in the store had happened two days ago.
const AGED: [&str; 3] = [
    "UPDATE outbox SET updated = updated - 172800000",
    "UPDATE exams SET updated = updated - 172800000",
    "UPDATE idempotency SET created = created - 172800000",
];

async fn expired_while_it_was_away(store: String) {
    let mut kept = Kept::start(store).await;
    let result = kept.result().await;
    drop(kept.correct(&result).await);
    kept.settled(2).await;
    assert!(!kept.places().await.is_empty(), "the search finds what is there");
    kept.service.kill();
    if kept.store.starts_with("sqlite") {
        let file = kept.service.folder().join("solewire.db");
        let mut connection = SqliteConnection::connect(&format!("sqlite:{}", file.display())).await.unwrap();
        for statement in AGED {
            sqlx::query(statement).execute(&mut connection).await.unwrap();
        }
        connection.close().await.unwrap();
    } else {
        let mut connection = PgConnection::connect(&kept.store).await.unwrap();
        for statement in AGED {
            sqlx::query(statement).execute(&mut connection).await.unwrap();
        }
    }
    let keeping = format!(
        "[store]\nkeep_delivered_days = 1\n[record_system]\nbase_url = \"{}\"\nverify = false\n",
        kept.records.base_url()
    );
    kept.service.set_more(&keeping);
    kept.service.restart().await;
    until("the line that tells of it", async || kept.service.log().contains("purged what was delivered"))
        .await;
    let log = kept.service.log();
    let line = log.lines().find(|line| line.contains("purged what was delivered")).unwrap();
    assert!(line.contains("payloads=2") && line.contains("answers=1"), "{line}");
    assert!(!log.contains(CANARY));
    let purged = kept.operate(Method::GET, "/operations/deliveries/2/comparison", "").await;
    assert!(purged.status == 409 && purged.text.contains("purged"), "{}", purged.text);
    assert_eq!(kept.places().await, Vec::<String>::new());
    assert_eq!(kept.solewire(&["audit", "check"]).code, Some(0));
}

#[tokio::test]
async fn h11_what_expired_while_the_service_was_away_is_purged_when_it_starts() {
    expired_while_it_was_away("sqlite:solewire.db".to_owned()).await;
}

#[tokio::test]
async fn h11_what_expired_while_the_service_was_away_is_purged_when_it_starts_on_postgresql() {
    if let Some(store) = fresh_database("a purge at start").await {
        expired_while_it_was_away(store).await;
    }
}
