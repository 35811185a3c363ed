//! PostgreSQL: several processes may share one store.
//!
//! Writers of the same person, exam or key wait for each other by advisory locks that end with the transaction; all
//! others go side by side. Deliveries are claimed with `SKIP LOCKED`, so that no process waits for another one's claim,
//! and held by leases that each process keeps up while it lives.

use std::str::FromStr as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use secrecy::ExposeSecret as _;
use sha2::{Digest as _, Sha256};
use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnectOptions, PgDatabaseError, PgPoolOptions, PgSslMode};
use sqlx::{ConnectOptions as _, PgConnection, PgPool};

use tokio::task::JoinHandle;

use super::notes::Notes;
use super::{Lease, StoreError, maintenance};
use crate::config::PostgresServer;

pub(super) static MIGRATIONS: Migrator = sqlx::migrate!("./migrations/postgres");

const CONNECTIONS: u32 = 16;
const WAIT_FOR_CONNECTION: Duration = Duration::from_secs(10);

/// What a process has under way is free so long after its last sign of life, in milliseconds.
pub(super) const HELD_MS: i64 = 6_000;
/// How often it gives one.
const SIGN_OF_LIFE: Duration = Duration::from_secs(2);
/// How many leases one process can tell apart.
const LEASES: i64 = 1 << 24;

/// The clock that leases are compared with, in milliseconds: that of the server, the same for all processes.
macro_rules! clock {
    () => {
        "CAST(extract(epoch FROM clock_timestamp()) * 1000 AS BIGINT)"
    };
}
pub(super) use clock;

/// An open database.
#[derive(Debug, Clone)]
pub(super) struct Database {
    pub(super) pool: PgPool,
    pub(super) holder: Arc<Holder>,
    pub(super) notes: Notes,
}

/// This process as one that holds leases.
#[derive(Debug)]
pub(super) struct Holder {
    /// The first of its leases. Drawn at random, so that no other process has the same.
    first: i64,
    drawn: AtomicI64,
    keeps_up: JoinHandle<()>,
}

impl Holder {
    fn start(pool: PgPool) -> Holder {
        let (random, _) = uuid::Uuid::new_v4().as_u64_pair();
        let first = random.cast_signed() / LEASES * LEASES;
        Holder { first, drawn: AtomicI64::new(0), keeps_up: tokio::spawn(keep_up(pool, first)) }
    }

    /// A lease that no other one has.
    pub(super) fn next_lease(&self) -> Lease {
        Lease::of(self.first.saturating_add(self.drawn.fetch_add(1, Ordering::Relaxed).rem_euclid(LEASES)))
    }
}

impl Drop for Holder {
    fn drop(&mut self) {
        self.keeps_up.abort();
    }
}

/// Moves the end of this process's leases on, as long as it lives.
async fn keep_up(pool: PgPool, first: i64) {
    let mut signs = tokio::time::interval(SIGN_OF_LIFE);
    loop {
        signs.tick().await;
        let kept = sqlx::query(concat!(
            "UPDATE outbox SET lease_until = least(lease_end, $3 + ",
            clock!(),
            ") WHERE state = 'sending' AND lease >= $1 AND lease < $2"
        ))
        .bind(first)
        .bind(first.saturating_add(LEASES))
        .bind(HELD_MS)
        .execute(&pool)
        .await;
        match kept {
            Ok(_) => {}
            Err(sqlx::Error::PoolClosed) => return,
            // Another process takes over what is under way here; sending it twice does no harm.
            Err(error) => tracing::warn!(error = %StoreError::from(error), "leases cannot be kept up"),
        }
    }
}

/// Connects, and brings the tables up to date.
pub(super) async fn open(server: &PostgresServer) -> Result<Database, StoreError> {
    // Alone and first: a pool would try again and again, and in the end only tell that it waited.
    let mut first = connect(server).await?;
    let newest = maintenance::newest(&MIGRATIONS);
    let held = schema(&mut first).await;
    let held =
        held.map_err(|error| StoreError::Connect { place: server.shown(), reason: error.to_string() })?;
    match held {
        Some(held) if held > newest => {
            return Err(StoreError::Newer { place: server.shown(), held, newest });
        }
        // Its copy is the business of its own tools; each migration is one transaction.
        Some(held) if held < newest => {
            tracing::info!(from = held, to = newest, "bringing the store up to date");
        }
        Some(_) | None => {}
    }
    // The migrator holds a lock of its own, so that processes that start together do not migrate twice.
    MIGRATIONS
        .run(&mut first)
        .await
        .map_err(|error| StoreError::Connect { place: server.shown(), reason: error.to_string() })?;
    let pool = PgPoolOptions::new()
        .max_connections(CONNECTIONS)
        .acquire_timeout(WAIT_FOR_CONNECTION)
        .connect_lazy_with(options(server)?);
    Ok(Database { holder: Arc::new(Holder::start(pool.clone())), notes: Notes::start(pool.clone()), pool })
}

/// The schema of a database, as the number of its last migration; none when it has no tables yet.
pub(super) async fn schema(connection: &mut PgConnection) -> sqlx::Result<Option<i64>> {
    let there: bool = sqlx::query_scalar("SELECT to_regclass('_sqlx_migrations') IS NOT NULL")
        .fetch_one(&mut *connection)
        .await?;
    if !there {
        return Ok(None);
    }
    sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations").fetch_one(connection).await
}

/// One connection, to tables that are left as they are.
pub(super) async fn connect(server: &PostgresServer) -> Result<PgConnection, StoreError> {
    let connected = options(server)?.connect().await;
    connected.map_err(|error| StoreError::Connect { place: server.shown(), reason: error.to_string() })
}

fn options(server: &PostgresServer) -> Result<PgConnectOptions, StoreError> {
    let mut options = PgConnectOptions::from_str(server.url.as_str())
        // The error would repeat the address.
        .map_err(|_| StoreError::Connect {
            place: server.shown(),
            reason: "the address cannot be read".to_owned(),
        })?
        .application_name("solewire")
        // A statement of this program takes milliseconds. One that hangs must not hold its locks for good.
        .options([
            ("statement_timeout", "60s"),
            ("lock_timeout", "20s"),
            ("idle_in_transaction_session_timeout", "60s"),
        ]);
    if let Some(password) = &server.password {
        options = options.password(password.expose_secret());
    }
    if server.must_verify {
        options = options.ssl_mode(PgSslMode::VerifyFull);
    }
    Ok(options)
}

/// Whether a failure may pass by itself or by an operator's hand (SQLSTATE: PostgreSQL documentation, appendix A).
pub(super) fn unavailable(error: &sqlx::Error) -> Option<&'static str> {
    let code = code(error)?;
    match code {
        "25006" => Some("it is read-only"),
        "53100" => Some("the disk is full"),
        "57014" | "55P03" => Some("it stayed locked"),
        "58030" => Some("the disk failed"),
        "XX001" | "XX002" => Some("its content is damaged"),
        _ if code.starts_with("53") => Some("its server is short of memory or connections"),
        _ if code.starts_with("08") || code.starts_with("57P") => Some("the connection to it failed"),
        _ => None,
    }
}

/// Whether two transactions stood in each other's way and this one gave in.
pub(super) fn gave_in(error: &sqlx::Error) -> bool {
    matches!(code(error), Some("40001" | "40P01"))
}

fn code(error: &sqlx::Error) -> Option<&str> {
    Some(error.as_database_error()?.try_downcast_ref::<PgDatabaseError>()?.code())
}

/// Waits until no other transaction holds a lock of one of these names, and holds them until this one ends. They are
/// taken in the same order by everybody, so that two can never wait for each other.
pub(super) async fn wait_for(connection: &mut PgConnection, names: &[String]) -> sqlx::Result<()> {
    let mut numbers: Vec<i64> = names.iter().map(|name| lock_number(name)).collect();
    numbers.sort_unstable();
    numbers.dedup();
    sqlx::query("SELECT pg_advisory_xact_lock(number) FROM unnest($1) AS number")
        .bind(numbers)
        .execute(connection)
        .await?;
    Ok(())
}

/// Two names with one number would only make their holders wait for each other for no need.
fn lock_number(name: &str) -> i64 {
    let digest = Sha256::digest(name.as_bytes());
    digest.iter().take(8).fold(0_i64, |number, byte| (number << 8) | i64::from(*byte))
}
