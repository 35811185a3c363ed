//! SIGKILL at random moments under load: what was answered with 2xx is in the record system once, in order and as it was
//! last; what was answered with an error is not there unless it was sent again.
//!
//! `tests/long/kills` runs the same for longer and with other seeds.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use solewire_service::loopback::{Answer, Behaviour, LoopbackRecordSystem, When};
use solewire_tests::corpus::case;
use solewire_tests::postgres;
use solewire_tests::process::POLL;
use solewire_tests::random::Random;
use solewire_tests::service::{Service, Setup};

/// How many exam senders there are.
const SENDERS: u64 = 6;
/// The kills of one campaign, which has a store and a record system of its own.
const KILLS: u64 = 20;
/// How long everything may take to arrive once the killing is over.
const DRAIN: Duration = Duration::from_secs(180);
const PERSONS: &str = "https://harbourlane.example/person";
const EXAMS: &str = "https://harbourlane.example/exam";

/// What a sender knows about one of its exams.
#[derive(Debug, Clone)]
struct History {
    name: String,
    /// The last version answered with 2xx; 0 for none.
    acknowledged: u64,
    /// The last version that may have been taken without an answer.
    possible: u64,
}

#[derive(Debug, Default)]
struct Tally {
    kills: u64,
    acknowledged: u64,
    unanswered: u64,
    refused: u64,
    checks: u64,
}

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().map_or(otherwise, |text| text.parse().expect("a number"))
}

/// The seeds of this run: one, or as many as `SOLEWIRE_TEST_KILLS` asks kills for.
fn seeds() -> impl Iterator<Item = u64> {
    let first = number("SOLEWIRE_TEST_SEED", 2026);
    let campaigns = number("SOLEWIRE_TEST_KILLS", KILLS).div_ceil(KILLS);
    first..first + campaigns
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_killed_at_random_moments_loses_nothing_and_repeats_nothing() {
    for seed in seeds() {
        campaign(seed, 1, postgres::store_of_this_run().await).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn three_services_on_one_queue_with_one_killed_at_a_time_lose_nothing_and_keep_the_order() {
    for seed in seeds() {
        let Some(store) = postgres::fresh_database("three services").await else { return };
        campaign(seed, 3, store).await;
    }
}

async fn campaign(seed: u64, processes: usize, store: String) {
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    for sender in 0..SENDERS {
        let identifier = json!({ "system": PERSONS, "value": person(sender) });
        records.seed(&json!({ "resourceType": "Patient", "identifier": [identifier] })).unwrap();
    }
    let setup = Setup { store: Some(store), ..Setup::with(records.base_url()) };
    let mut services = Vec::new();
    for _ in 0..processes {
        services.push(Service::start(setup.clone()).await);
    }
    let addresses: Arc<[String]> = services.iter().map(|service| service.fhir_url.clone()).collect();
    let over = Arc::new(AtomicBool::new(false));
    let senders: Vec<_> = (0..SENDERS)
        .map(|sender| tokio::spawn(send(seed, sender, Arc::clone(&addresses), Arc::clone(&over))))
        .collect();

    let mut random = Random::from(seed);
    let mut tally = Tally::default();
    let began = Instant::now();
    for _ in 0..KILLS {
        misbehave(&records, &mut random);
        // The moment is what is random here; nothing waits for it to have passed.
        tokio::time::sleep(Duration::from_millis(20 + random.below(900))).await;
        let victim = usize::try_from(random.below(processes as u64)).unwrap();
        services[victim].kill();
        services[victim].restart().await;
        tally.kills += 1;
    }
    over.store(true, Ordering::SeqCst);
    let mut histories = Vec::new();
    for sender in senders {
        let (sent, counts) = sender.await.unwrap();
        histories.extend(sent);
        tally.acknowledged += counts.acknowledged;
        tally.unanswered += counts.unanswered;
        tally.refused += counts.refused;
    }
    records.clear_script();
    let killing = began.elapsed();
    drained(&services[0]).await;
    let draining = began.elapsed() - killing;
    verify(&records, &histories, &mut tally);
    let log = services.iter().map(Service::log).collect::<String>();
    assert!(!log.contains("panicked"), "{log}");
    println!(
        "seed {seed}, {processes} process(es): {} kills, {} exams, {} versions answered with 2xx, {} without an answer, \
         {} refused; {} checks passed, {} requests to the record system; {:.0} s of killing, {:.0} s of draining",
        tally.kills,
        histories.len(),
        tally.acknowledged,
        tally.unanswered,
        tally.refused,
        tally.checks,
        records.write_count(),
        killing.as_secs_f64(),
        draining.as_secs_f64()
    );
}

/// Now and then the record system does not do what it should.
fn misbehave(records: &LoopbackRecordSystem, random: &mut Random) {
    let behaviour = match random.below(8) {
        0 => Behaviour::CloseAfterCommit,
        1 => Behaviour::TruncateAfterCommit,
        2 => Behaviour::DelayAfterCommit(Duration::from_millis(300)),
        3 => Behaviour::Delay(Duration::from_millis(300)),
        4 => Behaviour::AnswerAfterCommit(Answer::status(504)),
        _ => return,
    };
    records.script(When::Writes, behaviour);
}

fn person(sender: u64) -> String {
    format!("HL-PERSON-KILL-{sender}")
}

/// The exam of a sender in one of its versions; the panel says which.
fn exam(template: &Value, name: &str, sender: u64, version: u64) -> String {
    let mut document = template.clone();
    let panel = &mut document["entry"][0]["resource"];
    panel["identifier"][0]["value"] = name.into();
    panel["note"] = json!([{ "text": version.to_string() }]);
    document.to_string().replace("HL-PERSON-0040", &person(sender))
}

/// Sends exam after exam, each in one to three versions, until it is over. Some of what got no answer is sent again, some
/// is given up; then nothing more is sent of that exam.
async fn send(
    seed: u64,
    sender: u64,
    addresses: Arc<[String]>,
    over: Arc<AtomicBool>,
) -> (Vec<History>, Tally) {
    let template = case("active-problem-alone").json();
    let mut random = Random::from(seed.wrapping_mul(1000) + sender);
    let mut histories = Vec::new();
    let mut tally = Tally::default();
    let client = reqwest::Client::builder().timeout(Duration::from_secs(60)).build().unwrap();
    let mut number = 0;
    while !over.load(Ordering::SeqCst) {
        number += 1;
        let name = format!("HL-KILL-{seed}-{sender}-{number}");
        let mut history = History { name, acknowledged: 0, possible: 0 };
        'exam: for version in 1..=1 + random.below(3) {
            let body = exam(&template, &history.name, sender, version);
            loop {
                let address = &addresses[usize::try_from(random.below(addresses.len() as u64)).unwrap()];
                let request = client.post(address).header("content-type", "application/fhir+json");
                match request.body(body.clone()).send().await {
                    Ok(answer) if answer.status().is_success() => {
                        tally.acknowledged += 1;
                        history.acknowledged = version;
                        history.possible = version;
                        break;
                    }
                    Ok(answer) => {
                        let status = answer.status();
                        let text = answer.text().await.unwrap_or_default();
                        assert!(status.is_server_error() || status.as_u16() == 409, "{status} {text}");
                        tally.refused += 1;
                    }
                    Err(error) if error.is_connect() => {}
                    Err(_) => {
                        tally.unanswered += 1;
                        history.possible = version;
                    }
                }
                if random.chance(30) {
                    break 'exam;
                }
                tokio::time::sleep(POLL).await;
            }
        }
        histories.push(history);
    }
    (histories, tally)
}

/// Waits until nothing waits any more.
async fn drained(service: &Service) {
    let deadline = Instant::now() + DRAIN;
    loop {
        let list = service.client.get(&format!("{}/operations/deliveries", service.operations_url)).await;
        let list = list.expect(200).json();
        let count = |state: &str| list["counts"][state].as_u64().unwrap_or(0);
        assert_eq!(count("parked"), 0, "{list}\n{}", service.log());
        if ["pending", "sending", "unknown-outcome"].iter().all(|state| count(state) == 0) {
            return;
        }
        assert!(Instant::now() < deadline, "not drained: {}\n{}", list["counts"], service.log());
        // Seldom: each look takes time from what it looks at.
        tokio::time::sleep(POLL * 10).await;
    }
}

/// The panel's name and version, from an Observation.
fn version_of(observation: &Value) -> Option<(String, u64)> {
    let name = observation.pointer("/identifier/0/value")?.as_str()?;
    let version = observation.pointer("/note/0/text")?.as_str()?.parse().ok()?;
    name.starts_with("HL-KILL-").then(|| (name.to_owned(), version))
}

fn verify(records: &LoopbackRecordSystem, histories: &[History], tally: &mut Tally) {
    let stored: BTreeMap<String, u64> =
        records.resources_of("Observation").iter().filter_map(version_of).collect();
    for history in histories {
        let count = records.count_by_identifier("Observation", EXAMS, &history.name);
        let version = stored.get(&history.name).copied().unwrap_or(0);
        if history.acknowledged > 0 {
            assert_eq!(count, 1, "{history:?}");
        }
        assert!(count <= 1, "{count} copies: {history:?}");
        let range = history.acknowledged..=history.possible;
        assert!(
            version == 0 && history.acknowledged == 0 || range.contains(&version),
            "{version}: {history:?}"
        );
        tally.checks += 3;
    }
    // Everything else that was made of an exam is there once as well.
    for resource_type in ["Observation", "RiskAssessment", "ServiceRequest"] {
        let resources = records.resources_of(resource_type);
        for resource in &resources {
            let identifier = |part: &str| resource.pointer(&format!("/identifier/0/{part}"));
            let system = identifier("system").and_then(Value::as_str).expect("a system");
            let value = identifier("value").and_then(Value::as_str).expect("a value");
            assert_eq!(records.count_by_identifier(resource_type, system, value), 1, "{resource_type}");
            tally.checks += 1;
        }
        if resource_type == "RiskAssessment" {
            assert_eq!(resources.len(), stored.len(), "an assessment for each exam");
        }
    }
    // No version ever went out after a later one.
    let mut last: BTreeMap<String, u64> = BTreeMap::new();
    for request in records.requests().iter().filter(|request| request.is_write()) {
        let Ok(bundle) = serde_json::from_slice::<Value>(&request.body) else { continue };
        let entries = bundle["entry"].as_array().into_iter().flatten();
        for (name, version) in entries.filter_map(|entry| version_of(&entry["resource"])) {
            let before = last.entry(name).or_default();
            assert!(version >= *before, "version {version} was sent after {before}");
            *before = version;
            tally.checks += 1;
        }
    }
}
