//! Targets 4 and 6: a store with many exams beside one with few.
//!
//! The store is filled through the intake, so its rows are those that the service writes: first without a record
//! system, the last ones with one that nobody answers at, so that they wait.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicUsize;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::driver::{Connection, Pace, Requests, Until, get, load};
use crate::figures::{Figures, median};
use crate::server::Server;
use crate::table::{Row, Table, Target, short};
use crate::{intake, start};

/// The number of exams of the large store, unless it is one million.
const EXAMS: &str = "SOLEWIRE_BENCH_EXAMS";
/// A folder that keeps the large store, or holds it from an earlier run of the same number.
const KEPT: &str = "SOLEWIRE_BENCH_STORE";
const FEW: usize = 1_000;
const QUEUED: usize = 10_000;
const ROUNDS: usize = 5;
const ASKED: usize = 60;
const SPAN: Duration = Duration::from_secs(6);
/// Two resources and what follows from them, so that a million of them fit on a disk.
const EXAM: &str = "active-problem-alone";
const STORE: &str = "sqlite:solewire.db";
const FILE: &str = "solewire.db";
/// Nobody answers there.
const RECORD_SYSTEM: Option<&str> = Some("http://127.0.0.1:9/fhir");

pub(crate) async fn measure(table: &mut Table) {
    let many = std::env::var(EXAMS).map_or(1_000_000, |number| number.parse().expect("a number of exams"));
    let (few_folder, many_folder) =
        (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let kept = std::env::var_os(KEPT).map(PathBuf::from);
    let many_folder = kept.as_deref().unwrap_or(many_folder.path());
    fill(few_folder.path(), FEW).await;
    if !many_folder.join(FILE).exists() {
        fill(many_folder, many).await;
    }
    start::filled(table, many_folder, STORE, &format!("{many} exams and {QUEUED} queued")).await;

    let few_service = Server::service(few_folder.path(), STORE, RECORD_SYSTEM).await;
    let many_service = Server::service(many_folder, STORE, RECORD_SYSTEM).await;
    many_service.checked().await;
    let ids = [&few_service, &many_service].map(|server| server.address).map(observations);
    let [few_ids, many_ids] = ids;
    let (few_ids, many_ids) = (few_ids.await, many_ids.await);
    let read =
        |ids: Vec<String>| move |number: usize| format!("/fhir/Observation/{}", ids[number % ids.len()]);
    let name = |size: usize| move |number: usize| format!("HL-FILL-{}", number * 7919 % size);
    let by_identifier = |size| {
        let name = name(size);
        move |number: usize| {
            format!("/fhir/Observation?identifier=https://harbourlane.example/exam%7C{}", name(number))
        }
    };
    let by_person = |size| {
        let name = name(size);
        move |number: usize| {
            let person = name(number);
            format!("/fhir/RiskAssessment?subject:identifier=https://harbourlane.example/person%7C{person}")
        }
    };
    let by_date =
        |number: usize| format!("/fhir/RiskAssessment?date=ge2025-0{}-01&_count=20", number % 9 + 1);
    let newest = |_: usize| "/fhir/Observation?_sort=-_lastUpdated&_count=20".to_owned();
    let list = |name: &'static str| move |_: usize| format!("/pages/worklists/{name}");
    type Paths = Box<dyn Fn(usize) -> String>;
    let asked: Vec<(&'static str, &str, Paths, Paths)> = vec![
        ("4b", "read", Box::new(read(few_ids)), Box::new(read(many_ids))),
        ("4c", "search by identifier", Box::new(by_identifier(FEW)), Box::new(by_identifier(many))),
        ("4d", "search by person", Box::new(by_person(FEW)), Box::new(by_person(many))),
        ("4e", "search by date, first page", Box::new(by_date), Box::new(by_date)),
        ("4f", "search of the newest, first page", Box::new(newest), Box::new(newest)),
        ("4g", "worklist of referrals, first page", Box::new(list("referrals")), Box::new(list("referrals"))),
        (
            "4h",
            "worklist of incomplete exams, first page",
            Box::new(list("incomplete")),
            Box::new(list("incomplete")),
        ),
    ];
    for (id, what, few_paths, many_paths) in asked {
        let mut rounds = Vec::new();
        for round in 0..ROUNDS {
            let few = latency(&few_service, &few_paths, round).await;
            rounds.push((few, latency(&many_service, &many_paths, round).await));
        }
        let few = median(&rounds.iter().map(|round| round.0).collect::<Vec<_>>()) * 1e3;
        let far = median(&rounds.iter().map(|round| round.1).collect::<Vec<_>>()) * 1e3;
        table.put(&Row {
            id,
            what: format!("latency with {many} exams / with {FEW}: {what}"),
            target: Target::AtMost(1.5),
            figures: Figures::of(rounds.iter().map(|(few, many)| many / few).collect()),
            behind: format!("{} / {} ms", short(far), short(few)),
        });
    }
    few_service.stop();

    let mut rounds = Vec::new();
    let (next_few, next_many) = (AtomicUsize::new(0), AtomicUsize::new(0));
    for _ in 0..ROUNDS {
        // Each round begins with few exams again.
        let copy = tempfile::tempdir().expect("a folder");
        std::fs::copy(few_folder.path().join(FILE), copy.path().join(FILE)).expect("the store is copied");
        let few_service = Server::service(copy.path(), STORE, RECORD_SYSTEM).await;
        let taken = async |server: &Server, next: &AtomicUsize| {
            let requests = intake::exams(server.address, EXAM, "MORE");
            load(server.address, Pace::Closed, Until::Elapsed(SPAN), next, &requests).await.throughput
        };
        let few = taken(&few_service, &next_few).await;
        rounds.push((few, taken(&many_service, &next_many).await));
    }
    let few = median(&rounds.iter().map(|round| round.0).collect::<Vec<_>>());
    let far = median(&rounds.iter().map(|round| round.1).collect::<Vec<_>>());
    table.put(&Row {
        id: "4a",
        what: format!("exams taken in with {FEW} exams / with {many}"),
        target: Target::AtMost(1.5),
        figures: Figures::of(rounds.iter().map(|(few, many)| few / many).collect()),
        behind: format!("{} / {} a second", short(few), short(far)),
    });
}

/// Fills a fresh store, and reads one of its exams back. Of few exams half wait.
async fn fill(folder: &Path, exams: usize) {
    let began = Instant::now();
    let arrived = exams - QUEUED.min(exams / 2);
    for (record_system, from, upto) in [(None, 0, arrived), (RECORD_SYSTEM, arrived, exams)] {
        let service = Server::service(folder, STORE, record_system).await;
        let requests: Requests = intake::exams(service.address, EXAM, "FILL");
        let next = AtomicUsize::new(from);
        load(service.address, Pace::Closed, Until::Sent(upto - from), &next, &requests).await;
        let panel =
            format!("/fhir/Observation?identifier=https://harbourlane.example/exam%7CHL-FILL-{}", upto - 1);
        let mut connection = Connection::open(service.address).await;
        assert_eq!(connection.send(&get(service.address, &panel)).await, 200);
        let found: Value = serde_json::from_slice(connection.body()).expect("a searchset");
        assert_eq!(found["entry"].as_array().map(Vec::len), Some(1), "the last exam is there");
        service.stop();
    }
    let seconds = began.elapsed().as_secs_f64();
    let size = std::fs::metadata(folder.join(FILE)).map_or(0, |file| file.len());
    println!("{exams} exams in {seconds:.0} s, {} GB", short(size as f64 / 1e9));
}

/// The ids of some Observations.
async fn observations(address: std::net::SocketAddr) -> Vec<String> {
    let mut connection = Connection::open(address).await;
    assert_eq!(connection.send(&get(address, "/fhir/Observation?_count=50")).await, 200);
    let found: Value = serde_json::from_slice(connection.body()).expect("a searchset");
    let entries = found["entry"].as_array().expect("entries");
    entries.iter().filter_map(|entry| Some(entry["resource"]["id"].as_str()?.to_owned())).collect()
}

/// The middle one of some requests, one after the other, in seconds.
async fn latency(server: &Server, paths: &dyn Fn(usize) -> String, round: usize) -> f64 {
    let mut connection = Connection::open(server.address).await;
    let mut seconds = Vec::new();
    for number in 0..ASKED {
        let request = get(server.address, &paths(round * ASKED + number));
        let began = Instant::now();
        assert_eq!(connection.send(&request).await, 200, "{}", String::from_utf8_lossy(&request));
        seconds.push(began.elapsed().as_secs_f64());
        // A slow answer need not be asked for often.
        if seconds.iter().sum::<f64>() > 5.0 {
            break;
        }
    }
    median(&seconds)
}
