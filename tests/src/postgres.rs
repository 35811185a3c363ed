//! Databases on a PostgreSQL server that somebody else started, as `tests/run` does.

use std::sync::atomic::{AtomicU32, Ordering};

use sqlx::{Connection as _, PgConnection};

/// Names the server; `tests/postgres/start` prints it.
pub const SERVER: &str = "SOLEWIRE_TEST_POSTGRES";
/// `postgres` when services are to be started on PostgreSQL rather than on SQLite.
pub const STORE: &str = "SOLEWIRE_TEST_STORE";

/// The address of a fresh database; none when there is no server, which is said by the name of what is left out.
///
/// # Panics
/// When the server does not make one.
pub async fn fresh_database(left_out: &str) -> Option<String> {
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    let Ok(server) = std::env::var(SERVER) else {
        crate::left_out(&format!("{left_out} on PostgreSQL, because {SERVER} is not set"));
        return None;
    };
    let mut url = url::Url::parse(&server).expect("the address of a server");
    let name = format!("e2e_{}_{}", std::process::id(), NUMBER.fetch_add(1, Ordering::Relaxed));
    let mut connection = PgConnection::connect(&server).await.expect("the server answers");
    // Another run may have had this process id.
    for statement in [format!("DROP DATABASE IF EXISTS {name}"), format!("CREATE DATABASE {name}")] {
        let made = sqlx::query(sqlx::AssertSqlSafe(statement)).execute(&mut connection).await;
        made.expect("a database is made");
    }
    url.set_path(&name);
    Some(url.to_string())
}

/// The address of a fresh store of the kind that this run is for: a file in the folder of the service, as a rule.
///
/// # Panics
/// When the run is for PostgreSQL and there is no server.
pub async fn store_of_this_run() -> String {
    if std::env::var(STORE).is_ok_and(|store| store == "postgres") {
        return fresh_database("this run").await.expect("a server for a run on PostgreSQL");
    }
    "sqlite:solewire.db".to_owned()
}
