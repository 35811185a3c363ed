//! One suite for both databases: a statement is only right when it is right on both.

use std::time::Duration;

use serde_json::{Value, json};
use solewire_profiles::{ExamKey, SubmittedExam};

use super::*;
use crate::clinic::{Clinic, Reach};
use crate::config::PostgresServer;

/// Names the server that the tests of PostgreSQL use; `tests/postgres/start` prints it.
const SERVER: &str = "SOLEWIRE_TEST_POSTGRES";

/// Runs each test on a fresh store of either kind.
macro_rules! on_each_store {
    ($($test:ident),* $(,)?) => {
        mod sqlite {
            $(#[tokio::test]
            async fn $test() {
                let folder = tempfile::tempdir().unwrap();
                super::$test(super::Store::open(&folder.path().join("solewire.db")).await.unwrap()).await;
            })*
        }
        mod postgres {
            $(#[tokio::test]
            async fn $test() {
                if let Some(place) = super::postgres_place(stringify!($test)).await {
                    super::$test(super::Store::open_at(&place).await.unwrap()).await;
                }
            })*
        }
    };
}

mod callers;
mod commits;
mod exams;
mod opening;
mod purging;
mod queue;
mod reading;

/// A fresh database on the server; none when there is no server, which is said by name.
async fn postgres_place(test: &str) -> Option<StorePlace> {
    use std::io::Write as _;
    let Ok(server) = std::env::var(SERVER) else {
        // Not through a macro, whose output is kept from who looks at a test that passes.
        let line = format!("left out: {test} on PostgreSQL, because {SERVER} is not set\n");
        std::io::stderr().write_all(line.as_bytes()).unwrap();
        return None;
    };
    let mut url = url::Url::parse(&server).unwrap();
    let name = format!("store_{}", uuid::Uuid::new_v4().simple());
    let mut connection = <sqlx::PgConnection as sqlx::Connection>::connect(&server).await.unwrap();
    let create = format!("CREATE DATABASE {name}");
    sqlx::query(sqlx::AssertSqlSafe(create)).execute(&mut connection).await.unwrap();
    url.set_path(&name);
    Some(StorePlace::Postgres(PostgresServer { url, password: None, must_verify: false }))
}

fn write(resource_type: &str, id: &str, version: i64, body: Value) -> ResourceWrite {
    ResourceWrite {
        resource_type: resource_type.into(),
        id: id.into(),
        version,
        derived: false,
        text: body.to_string(),
        body,
    }
}

fn change(key: &str, seen_version: i64, writes: Vec<ResourceWrite>) -> ExamChange {
    ExamChange {
        key: ExamKey(key.into()),
        seen_version,
        subject: "s|1".into(),
        subject_before: None,
        encounter: Some(format!("e|{key}")),
        panel_identifier: None,
        writes,
        payload: Some(format!("payload {}", seen_version + 1)),
        priority: Priority::Usual,
        withdraws: false,
    }
}

fn submitted(key: &str, panel: Option<&str>) -> SubmittedExam {
    SubmittedExam {
        key: ExamKey(key.into()),
        subject: "s|1".into(),
        encounter: Some("e|1".into()),
        panel_identifier: panel.map(str::to_owned),
        resources: Vec::new(),
    }
}

async fn commit(store: &Store, exams: Vec<ExamChange>, at: i64) -> Committed {
    store.commit(Commit { exams, at, ..Commit::default() }).await.unwrap()
}

async fn commit_one(store: &Store, exam: ExamChange) {
    assert_eq!(commit(store, vec![exam], 2).await, Committed::Done);
}

async fn settle(store: &Store, claimed: &Claimed, state: DeliveryState, now: i64) {
    assert!(settled(store, claimed, outcome(state), now).await);
}

async fn settled(store: &Store, claimed: &Claimed, outcome: DeliveryOutcome, now: i64) -> bool {
    let one = Settled { id: claimed.id, lease: claimed.lease, outcome };
    store.settle(&[one], now).await.unwrap() == [true]
}

fn outcome(state: DeliveryState) -> DeliveryOutcome {
    DeliveryOutcome {
        state,
        due: 0,
        charged: true,
        failure: None,
        remote_status: None,
        detail: None,
        placed: None,
        verify_after: None,
        verdict: "delivered",
        took: Duration::from_millis(7),
    }
}

/// Longer than any test.
const LONG: Duration = Duration::from_secs(3600);

/// The states of all deliveries, in order.
async fn states(store: &Store) -> Vec<DeliveryState> {
    store.deliveries(None, &Reach::All, 0, 100).await.unwrap().iter().map(|delivery| delivery.state).collect()
}
