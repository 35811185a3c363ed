//! Targets 3 and 5: the intake under load, and its memory.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::time::Duration;

use crate::driver::{Load, Pace, Requests, Until, load, post};
use crate::exams::Exams;
use crate::figures::{Figures, median, percentile};
use crate::server::Server;
use crate::table::{Row, Table, Target, short};

const ROUNDS: usize = 5;
const SPAN: Duration = Duration::from_secs(8);
const WARM_UP: Duration = Duration::from_secs(2);
/// Both feet, 12 resources, 23 KB.
const EXAM: &str = "complete-normal";
const MINUTES: usize = 10;

pub(crate) fn exams(address: SocketAddr, exam: &str, run: &str) -> Requests {
    let exams = Exams::like(exam, run);
    Arc::new(move |number| post(address, &exams.body(number)))
}

pub(crate) async fn measure(table: &mut Table) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let store = "sqlite:solewire.db";
    let mut idle = Vec::new();
    for _ in 0..ROUNDS {
        let fresh = tempfile::tempdir().expect("a temporary folder");
        let service = Server::service(fresh.path(), store, None).await;
        tokio::time::sleep(Duration::from_secs(1)).await;
        idle.push(service.resident());
    }
    table.put(&Row {
        id: "5a",
        what: "resident memory, idle with an empty store, MiB".to_owned(),
        target: Target::AtMost(40.0),
        figures: Figures::of(idle),
        behind: String::new(),
    });

    let service = Server::service(folder.path(), store, None).await;
    let baseline = Server::baseline(folder.path()).await;
    let next = AtomicUsize::new(0);
    let (to_service, to_baseline) =
        (exams(service.address, EXAM, "INTAKE"), exams(baseline.address, EXAM, "INTAKE"));
    let to = async |server: &Server, requests: &Requests, pace, span| -> Load {
        load(server.address, pace, Until::Elapsed(span), &next, requests).await
    };
    to(&service, &to_service, Pace::Closed, WARM_UP).await;
    to(&baseline, &to_baseline, Pace::Closed, WARM_UP).await;
    let mut peaks = Vec::new();
    let mut resident = Vec::new();
    for _ in 0..ROUNDS {
        let ours = to(&service, &to_service, Pace::Closed, SPAN).await.throughput;
        resident.push(service.resident());
        let theirs = to(&baseline, &to_baseline, Pace::Closed, SPAN).await.throughput;
        peaks.push((ours, theirs));
    }
    let ours = median(&peaks.iter().map(|peak| peak.0).collect::<Vec<_>>());
    let theirs = median(&peaks.iter().map(|peak| peak.1).collect::<Vec<_>>());
    table.put(&Row {
        id: "3a",
        what: "peak of exams taken in, 32 connections / of a server that only parses and inserts".to_owned(),
        target: Target::AtLeast(0.6),
        figures: Figures::of(peaks.iter().map(|(ours, theirs)| ours / theirs).collect()),
        behind: format!("{} / {} a second", short(ours), short(theirs)),
    });
    table.put(&Row {
        id: "5b",
        what: "resident memory under that load, MiB".to_owned(),
        target: Target::AtMost(150.0),
        figures: Figures::of(resident),
        behind: String::new(),
    });
    let rate = 0.7 * ours;
    let mut latencies = Vec::new();
    for _ in 0..ROUNDS {
        let open = to(&service, &to_service, Pace::Open(rate), SPAN).await.latencies;
        latencies.push((percentile(&open, 99.0), percentile(&open, 50.0)));
    }
    let p99 = median(&latencies.iter().map(|latency| latency.0).collect::<Vec<_>>()) * 1e3;
    let p50 = median(&latencies.iter().map(|latency| latency.1).collect::<Vec<_>>()) * 1e3;
    table.put(&Row {
        id: "3b",
        what: "p99 / p50 at 70 % of that peak, evenly sent".to_owned(),
        target: Target::AtMost(5.0),
        figures: Figures::of(latencies.iter().map(|(p99, p50)| p99 / p50).collect()),
        behind: format!("{} / {} ms at {} a second", short(p99), short(p50), short(rate)),
    });
}

/// The long form of 5: at 70 % of the peak for ten minutes.
pub(crate) async fn memory(table: &mut Table) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let service = Server::service(folder.path(), "sqlite:solewire.db", None).await;
    let next = AtomicUsize::new(0);
    let requests = exams(service.address, EXAM, "MEMORY");
    let minute = Until::Elapsed(Duration::from_secs(60));
    let peak = load(service.address, Pace::Closed, Until::Elapsed(SPAN), &next, &requests).await.throughput;
    let mut resident = Vec::new();
    for _ in 0..MINUTES {
        load(service.address, Pace::Open(0.7 * peak), minute, &next, &requests).await;
        resident.push(service.resident());
    }
    let each: Vec<String> = resident.iter().map(|size| short(*size)).collect();
    table.put(&Row {
        id: "5c",
        what: "resident memory at the end of each of ten minutes at 70 % of the peak, MiB".to_owned(),
        target: Target::AtMost(150.0),
        figures: Figures::of(resident),
        behind: format!("in turn {}; {} exams in all", each.join(", "), next.into_inner()),
    });
}
