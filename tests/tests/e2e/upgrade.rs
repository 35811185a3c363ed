//! A store of the schema before this one, opened by the service of today; and one of a schema after it.

use std::path::Path;
use std::time::Duration;

use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::binaries;
use solewire_tests::corpus::case;
use solewire_tests::postgres;
use solewire_tests::process::{self, Ran};
use solewire_tests::service::{Service, Setup};
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions as _, Connection as _, PgConnection, SqliteConnection};

use super::{LIMIT, assert_once, person, submit};

/// `tests/upgrade/README.md` tells what they hold and how they were made.
const SQLITE: &str = include_str!("../../upgrade/sqlite-0010.sql");
const SQLITE_SCHEMA: i64 = 10;
const POSTGRES: &str = include_str!("../../upgrade/postgres-0009.sql");
/// What stands there in the place of a migration of the future.
const FUTURE: &str = "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
     VALUES (9000, 'of the future', true, '', 0)";

async fn open(file: &Path) -> SqliteConnection {
    let options = SqliteConnectOptions::new().filename(file).create_if_missing(true);
    options.connect().await.unwrap()
}

async fn restored(file: &Path) {
    let mut connection = open(file).await;
    sqlx::raw_sql(SQLITE).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
}

fn solewire(arguments: &[&str], folder: &Path) -> Ran {
    process::run(&binaries::solewire(), arguments, folder, Duration::from_secs(60))
}

/// Record system and service over a store of the earlier schema: everything goes on where it stopped.
async fn goes_on(store: String) -> Service {
    let cases = ["category-2", "preliminary-panel", "category-3"].map(case);
    let persons: Vec<_> = cases.iter().map(|case| person(&case.json())).collect();
    let records = LoopbackRecordSystem::start(&persons).unwrap();
    let setup = Setup { store: Some(store), ..Setup::with(records.base_url()) };
    let service = Service::start(setup).await;
    let kept = service.client.get(&service.url("RiskAssessment")).await.expect(200);
    assert_eq!(kept.resources().len(), 2, "{}", kept.text);
    let panel = "Observation?identifier=https://harbourlane.example/exam%7CHL-EXAM-2026-0004";
    let panel = service.client.get(&service.url(panel)).await.expect(200).resources().remove(0);
    let history = format!("Observation/{}/_history", panel["id"].as_str().unwrap());
    let history = service.client.get(&service.url(&history)).await.expect(200).resources();
    let statuses: Vec<_> = history.iter().map(|version| version["status"].as_str().unwrap()).collect();
    assert_eq!(statuses, ["amended", "final"]);
    // What was asked for before is still listed: the recalls of two persons, and the exam of one of them settles nothing.
    for (list, expected) in [("recalls", 2), ("referrals", 0), ("incomplete", 1)] {
        let listed =
            service.client.get(&service.url(&format!("../pages/worklists/{list}"))).await.expect(200);
        assert_eq!(listed.json()["total"], expected, "{list}");
    }
    // Two deliveries of one exam and one of the other were open.
    service.delivered(3, LIMIT).await;
    assert_once(&records, "RiskAssessment", 2);
    submit(&service, &cases[2]).await;
    service.delivered(4, LIMIT).await;
    assert_once(&records, "RiskAssessment", 3);
    let checked = solewire(&["store", "check"], &service.folder());
    assert!(checked.code == Some(0) && checked.out.contains("3 exams; 4 received ="), "{checked:?}");
    assert_eq!(solewire(&["audit", "check"], &service.folder()).code, Some(0));
    service
}

#[tokio::test]
async fn a_sqlite_store_of_the_schema_before_goes_on_and_a_copy_of_it_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("solewire.db");
    restored(&file).await;
    let service = goes_on(format!("sqlite:{}", file.display())).await;
    let copy = folder.path().join(format!("solewire.db.schema-{SQLITE_SCHEMA}"));
    {
        use std::os::unix::fs::PermissionsExt as _;
        assert_eq!(std::fs::metadata(&copy).unwrap().permissions().mode() & 0o777, 0o600);
    }
    drop(service);
    // What an older program would find after the copy was put back.
    let mut connection = open(&copy).await;
    let (schema, deliveries): (i64, i64) =
        sqlx::query_as("SELECT (SELECT max(version) FROM _sqlx_migrations), (SELECT count(*) FROM outbox)")
            .fetch_one(&mut connection)
            .await
            .unwrap();
    assert_eq!((schema, deliveries), (SQLITE_SCHEMA, 3));
    connection.close().await.unwrap();
    // Put back and upgraded again: the first copy is not written over.
    for end in ["", "-wal", "-shm"] {
        let path = folder.path().join(format!("solewire.db{end}"));
        assert!(std::fs::remove_file(&path).is_ok() || !path.exists());
    }
    std::fs::copy(&copy, &file).unwrap();
    drop(goes_on(format!("sqlite:{}", file.display())).await);
    assert!(folder.path().join(format!("solewire.db.schema-{SQLITE_SCHEMA}-2")).exists());
    let names = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name());
    assert!(!names.into_iter().any(|name| name.to_string_lossy().contains("partial")));
}

#[tokio::test]
async fn a_postgresql_store_of_the_schema_before_goes_on() {
    let Some(url) = postgres::fresh_database("an upgrade").await else { return };
    let mut connection = PgConnection::connect(&url).await.unwrap();
    sqlx::raw_sql(POSTGRES).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    goes_on(url).await;
}

#[tokio::test]
async fn a_store_is_not_brought_up_to_date_when_no_copy_of_it_can_be_kept() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("solewire.db");
    restored(&file).await;
    // A folder in the way of the copy while it is written.
    std::fs::create_dir(folder.path().join(format!("solewire.db.schema-{SQLITE_SCHEMA}.partial"))).unwrap();
    std::fs::write(folder.path().join("solewire.toml"), "[access]\nmode = \"open\"\n").unwrap();
    let refused = solewire(&["serve"], folder.path());
    assert!(refused.code == Some(2) && refused.err.contains("no copy of it can be made"), "{refused:?}");
    let mut connection = open(&file).await;
    let schema: i64 = sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations")
        .fetch_one(&mut connection)
        .await
        .unwrap();
    assert_eq!(schema, SQLITE_SCHEMA);
}

#[tokio::test]
async fn a_store_of_a_newer_schema_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("solewire.db");
    restored(&file).await;
    let mut connection = open(&file).await;
    sqlx::query(FUTURE).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    std::fs::write(folder.path().join("solewire.toml"), "[access]\nmode = \"open\"\n").unwrap();
    let refused = solewire(&["serve"], folder.path());
    assert_eq!(refused.code, Some(2), "{refused:?}");
    assert!(
        refused.err.contains("is of schema 9000") && refused.err.contains("Upgrade and rollback"),
        "{refused:?}"
    );
    let checked = solewire(&["store", "check"], folder.path());
    assert!(checked.code == Some(1) && checked.out.contains("use the newer program"), "{checked:?}");
    let mut connection = open(&file).await;
    let schemas: i64 =
        sqlx::query_scalar("SELECT count(*) FROM _sqlx_migrations").fetch_one(&mut connection).await.unwrap();
    assert_eq!(schemas, SQLITE_SCHEMA + 1);
}

#[tokio::test]
async fn a_postgresql_store_of_a_newer_schema_is_refused() {
    let Some(url) = postgres::fresh_database("a newer schema").await else { return };
    let mut connection = PgConnection::connect(&url).await.unwrap();
    sqlx::raw_sql(POSTGRES).execute(&mut connection).await.unwrap();
    // The dump leaves the connection without one.
    sqlx::raw_sql("SET search_path TO public").execute(&mut connection).await.unwrap();
    sqlx::query(FUTURE).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    let folder = tempfile::tempdir().unwrap();
    let settings = format!("[access]\nmode = \"open\"\n[store]\nurl = \"{url}\"\n");
    std::fs::write(folder.path().join("solewire.toml"), settings).unwrap();
    let refused = solewire(&["serve"], folder.path());
    assert!(refused.code == Some(2) && refused.err.contains("is of schema 9000"), "{refused:?}");
}
