//! Target 7: how fast a queue is delivered, beside a bare client, and by two processes beside one.

use std::process::Command;
use std::sync::atomic::AtomicUsize;
use std::time::{Duration, Instant};

use serde_json::json;
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::{binaries, postgres};

use crate::driver::{Pace, Until, load};
use crate::figures::{Figures, median};
use crate::intake;
use crate::server::Server;
use crate::table::{Row, Table, Target, short};

const ROUNDS: usize = 5;
const EXAMS: usize = 2_000;
const EXAM: &str = "active-problem-alone";
const LIMIT: Duration = Duration::from_secs(600);

pub(crate) async fn measure(table: &mut Table) {
    let mut ratios = Vec::new();
    for _ in 0..ROUNDS {
        let drain = binaries::solewire().with_file_name("drain");
        let done = Command::new(drain).arg(EXAMS.to_string()).output().expect("the drain runs");
        let text = String::from_utf8_lossy(&done.stdout);
        let ratio = text.split("the service reaches ").nth(1).and_then(|rest| rest.split(' ').next());
        ratios.push(ratio.and_then(|ratio| ratio.parse().ok()).unwrap_or_else(|| panic!("no ratio: {text}")));
    }
    table.put(&Row {
        id: "7a",
        what: "exams delivered a second / by a bare client that posts the same".to_owned(),
        target: Target::AtLeast(0.8),
        figures: Figures::of(ratios),
        behind: format!("{EXAMS} exams each, `tests/long/drain`"),
    });
    let mut rounds = Vec::new();
    for round in 0..ROUNDS {
        let Some(one) = drained_by(1, round).await else { return };
        rounds.push((one, drained_by(2, round).await.expect("the server is still there")));
    }
    let one = median(&rounds.iter().map(|round| round.0).collect::<Vec<_>>());
    let two = median(&rounds.iter().map(|round| round.1).collect::<Vec<_>>());
    table.put(&Row {
        id: "7b",
        what: "exams delivered a second by two processes on one PostgreSQL / by one".to_owned(),
        target: Target::AtLeast(0.9),
        figures: Figures::of(rounds.iter().map(|(one, two)| two / one).collect()),
        behind: format!("{} / {} a second", short(two), short(one)),
    });
}

/// Queues exams, starts so many processes and gives what they deliver a second. None without a server.
async fn drained_by(processes: usize, round: usize) -> Option<f64> {
    let store = postgres::fresh_database("delivery by two processes").await?;
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut records = LoopbackRecordSystem::start(&[]).expect("a record system");
    let run = format!("DRAIN-{processes}-{round}");
    for number in 0..EXAMS {
        let person =
            json!({ "system": "https://harbourlane.example/person", "value": format!("HL-{run}-{number}") });
        records.seed(&json!({ "resourceType": "Patient", "identifier": [person] })).expect("a person");
    }
    records.go_down();
    let filling = Server::service(folder.path(), &store, Some(records.base_url())).await;
    let requests = intake::exams(filling.address, EXAM, &run);
    load(filling.address, Pace::Closed, Until::Sent(EXAMS), &AtomicUsize::new(0), &requests).await;
    filling.stop();
    records.come_back().expect("the record system comes back");
    let before = records.write_count();
    let mut running = Vec::new();
    for _ in 0..processes {
        running.push(Server::service(folder.path(), &store, Some(records.base_url())).await);
    }
    let (already, began) = (records.write_count(), Instant::now());
    // Looking holds the record system up, so it is done seldom.
    while records.write_count() - before < EXAMS {
        assert!(began.elapsed() < LIMIT, "not drained; see the log");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    Some((EXAMS + before - already) as f64 / began.elapsed().as_secs_f64())
}
