//! SQLite: a file of this process alone, with write-ahead log and full synchronisation.
//!
//! One connection writes, a few read. The file is opened alone, migrated and checked.

use std::ffi::OsString;
use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteError, SqliteJournalMode, SqlitePoolOptions,
    SqliteSynchronous,
};
use sqlx::{ConnectOptions as _, SqlitePool};
use tokio::sync::watch;

use super::group::Group;
use super::{Lease, StoreError, maintenance};

pub(super) static MIGRATIONS: Migrator = sqlx::migrate!("./migrations/sqlite");

/// What is overwritten or deleted is overwritten with zeros in the file, so that what was purged is gone.
const SECURE_DELETE: (&str, &str) = ("secure_delete", "ON");
/// What SQLite sets aside while it works (pages to roll back to, rows to sort) stays in memory: in files it would stand
/// outside of the folder of the store, and slowly.
const TEMPORARY: (&str, &str) = ("temp_store", "MEMORY");

/// Pages that a transaction has changed and that do not fit are written out before their time, and some of them
/// several times: a group of submissions changes some thousand pages of 4 KiB. In KiB, as the minus sign says.
const WRITER_CACHE: (&str, &str) = ("cache_size", "-16384");
/// Pages in the write-ahead log before it is folded into the file. Each folding synchronises the disk twice more.
const CHECKPOINT: (&str, &str) = ("wal_autocheckpoint", "4096");

const READERS: u32 = 4;
const BUSY: Duration = Duration::from_secs(5);
const WAIT_FOR_CONNECTION: Duration = Duration::from_secs(10);

/// An open file.
#[derive(Debug, Clone)]
pub(super) struct Database {
    pub(super) writer: SqlitePool,
    pub(super) readers: SqlitePool,
    pub(super) group: Group,
    pub(super) path: PathBuf,
    /// Leases of this process are timed from here, on a clock that cannot be set.
    opened: Instant,
    /// The number of the last lease.
    leases: Arc<AtomicI64>,
    /// What the check of its pages has found so far.
    pages: watch::Receiver<Pages>,
    /// Held as long as the store is open, so that two processes never deliver from one outbox.
    /// None beside a process that has it.
    _lock: Option<Arc<File>>,
}

impl Database {
    fn over(
        writer: SqlitePool,
        readers: SqlitePool,
        path: &Path,
        pages: watch::Receiver<Pages>,
        lock: Option<File>,
    ) -> Database {
        Database {
            pages,
            group: Group::start(writer.clone()),
            writer,
            readers,
            path: path.to_owned(),
            opened: Instant::now(),
            leases: Arc::new(AtomicI64::new(0)),
            _lock: lock.map(Arc::new),
        }
    }

    /// What is wrong with the pages, once the check finds something; never while it does not.
    pub(super) async fn damage(&self) -> StoreError {
        let mut pages = self.pages.clone();
        match pages.wait_for(|pages| matches!(pages, Pages::Bad(_))).await.map(|pages| pages.clone()) {
            Ok(Pages::Bad(error)) => error,
            Ok(Pages::Unknown | Pages::Sound) | Err(_) => std::future::pending().await,
        }
    }

    /// The time that leases are compared with, in milliseconds. It starts anew with each process, which is why a
    /// process takes back what an earlier one left before it claims anything.
    pub(super) fn lease_clock(&self) -> i64 {
        i64::try_from(self.opened.elapsed().as_millis()).unwrap_or(i64::MAX)
    }

    /// A lease that no other one of this process has.
    pub(super) fn next_lease(&self) -> Lease {
        Lease::of(self.leases.fetch_add(1, Ordering::Relaxed))
    }
}

/// What is known about the pages of a file.
#[derive(Debug, Clone)]
enum Pages {
    Unknown,
    Sound,
    Bad(StoreError),
}

/// Opens the file at `path`, creating it if there is none. Its pages are checked first. Where that takes longer than
/// `first_look` it goes on beside, and [`Database::damage`] tells when it finds something.
pub(super) async fn open(path: &Path, first_look: Duration) -> Result<Database, StoreError> {
    let lock = lock(path)?;
    prepare_file(path).map_err(|error| open_error(path, error.to_string()))?;
    let options = options(path)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .pragma(SECURE_DELETE.0, SECURE_DELETE.1)
        .foreign_keys(true);
    let writer = SqlitePoolOptions::new()
        .max_connections(1)
        .test_before_acquire(false)
        .acquire_timeout(WAIT_FOR_CONNECTION)
        .connect_with(
            options.clone().pragma(WRITER_CACHE.0, WRITER_CACHE.1).pragma(CHECKPOINT.0, CHECKPOINT.1),
        )
        .await
        .map_err(|error| explain(path, &error))?;
    let mut pages = checked(&writer, options.clone(), path, first_look).await?;
    let held = schema(&mut *writer.acquire().await?).await.map_err(|error| explain(path, &error))?;
    // Tables are only changed in a file that is known to be sound.
    let first_look = if held == Some(maintenance::newest(&MIGRATIONS)) { first_look } else { Duration::MAX };
    let known = pages.wait_for(|pages| !matches!(pages, Pages::Unknown));
    match tokio::time::timeout(first_look, known).await.map(|known| known.map(|pages| pages.clone())) {
        Ok(Ok(Pages::Bad(error))) => return Err(error),
        Ok(Ok(Pages::Sound)) => {}
        Ok(Ok(Pages::Unknown) | Err(_)) => {
            return Err(open_error(path, "its check was broken off".to_owned()));
        }
        Err(_) => tracing::info!("the pages of the store are being checked meanwhile"),
    }
    keep_copy(&writer, path).await?;
    MIGRATIONS.run(&writer).await.map_err(|error| match error {
        sqlx::migrate::MigrateError::Execute(error) => explain(path, &error),
        other => StoreError::Damaged { path: path.to_owned(), reason: other.to_string() },
    })?;
    let readers = SqlitePoolOptions::new()
        .max_connections(READERS)
        // There is no line to a file that could have broken meanwhile.
        .test_before_acquire(false)
        .acquire_timeout(WAIT_FOR_CONNECTION)
        .connect_with(options.read_only(true))
        .await
        .map_err(|error| explain(path, &error))?;
    Ok(Database::over(writer, readers, path, pages, Some(lock)))
}

/// Starts the check of all pages, on a connection of its own.
async fn checked(
    writer: &SqlitePool,
    options: SqliteConnectOptions,
    path: &Path,
    first_look: Duration,
) -> Result<watch::Receiver<Pages>, StoreError> {
    // The log and its index are made by whoever may write.
    writer.acquire().await.map_err(|error| explain(path, &error))?;
    let mut connection = options.read_only(true).connect().await.map_err(|error| explain(path, &error))?;
    let (tell, pages) = watch::channel(Pages::Unknown);
    let path = path.to_owned();
    let began = Instant::now();
    tokio::spawn(async move {
        let found: sqlx::Result<String> =
            sqlx::query_scalar("PRAGMA quick_check(1)").fetch_one(&mut connection).await;
        tell.send_replace(match found {
            Ok(found) if found == "ok" => {
                if began.elapsed() >= first_look {
                    tracing::info!("the pages of the store are sound");
                }
                Pages::Sound
            }
            Ok(_) => {
                Pages::Bad(StoreError::Damaged { path, reason: "its pages contradict each other".into() })
            }
            Err(error) => Pages::Bad(explain(&path, &error)),
        });
    });
    Ok(pages)
}

/// Before the tables of an earlier schema are changed, a copy is kept. Those of a later one are left alone.
async fn keep_copy(writer: &SqlitePool, path: &Path) -> Result<(), StoreError> {
    let failed = |error: sqlx::Error| explain(path, &error);
    let mut connection = writer.acquire().await.map_err(failed)?;
    let newest = maintenance::newest(&MIGRATIONS);
    match schema(&mut connection).await.map_err(failed)? {
        Some(held) if held > newest => {
            Err(StoreError::Newer { place: path.display().to_string(), held, newest })
        }
        Some(held) if held < newest => {
            let copied = maintenance::copy_before_upgrade(&mut connection, path, held).await;
            let copy = copied
                .map_err(|error| StoreError::NoCopy { path: path.to_owned(), reason: error.to_string() })?;
            tracing::info!(from = held, to = newest, copy = %copy.display(), "bringing the store up to date");
            Ok(())
        }
        Some(_) | None => Ok(()),
    }
}

/// The schema of a file, as the number of its last migration; none when it has no tables yet.
pub(super) async fn schema(connection: &mut SqliteConnection) -> sqlx::Result<Option<i64>> {
    let tables: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = '_sqlx_migrations'",
    )
    .fetch_one(&mut *connection)
    .await?;
    if tables == 0 {
        return Ok(None);
    }
    sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations").fetch_one(connection).await
}

/// Opens the file that another process has open, as it is.
pub(super) async fn open_in_use(path: &Path) -> Result<Database, StoreError> {
    let options = options(path)
        .synchronous(SqliteSynchronous::Full)
        .pragma(SECURE_DELETE.0, SECURE_DELETE.1)
        .foreign_keys(true);
    let pool = SqlitePoolOptions::new()
        .max_connections(1)
        .acquire_timeout(WAIT_FOR_CONNECTION)
        .connect_with(options)
        .await
        .map_err(|error| explain(path, &error))?;
    let (_, pages) = watch::channel(Pages::Unknown);
    Ok(Database::over(pool.clone(), pool, path, pages, None))
}

/// How a file is opened, whoever opens it.
pub(super) fn options(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new().filename(path).busy_timeout(BUSY).pragma(TEMPORARY.0, TEMPORARY.1)
}

/// A lock on a file beside the store. The system lets go of it when the process ends, however it ends.
fn lock(path: &Path) -> Result<File, StoreError> {
    let mut name = OsString::from(path);
    name.push(".lock");
    let file = private(&PathBuf::from(name)).map_err(|error| open_error(path, error.to_string()))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::InUse { path: path.to_owned() }),
        Err(TryLockError::Error(error)) => Err(open_error(path, error.to_string())),
    }
}

/// Makes the file exist, readable by its owner only. SQLite gives its log files the mode of this one.
fn prepare_file(path: &Path) -> io::Result<()> {
    let file = private(path)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        file.set_permissions(std::fs::Permissions::from_mode(0o600))?;
    }
    drop(file);
    Ok(())
}

fn private(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    options.open(path)
}

fn open_error(path: &Path, reason: String) -> StoreError {
    StoreError::Open { path: path.to_owned(), reason }
}

pub(super) fn explain(path: &Path, error: &sqlx::Error) -> StoreError {
    match primary_code(error) {
        Some(11 | 26) => StoreError::Damaged { path: path.to_owned(), reason: error.to_string() },
        _ => open_error(path, error.to_string()),
    }
}

/// Whether a failure may pass by itself or by an operator's hand (result codes: sqlite.org/rescode.html).
pub(super) fn unavailable(error: &sqlx::Error) -> Option<&'static str> {
    match primary_code(error)? {
        5 | 6 => Some("it stayed locked"),
        8 => Some("it is read-only"),
        10 => Some("the disk failed"),
        11 | 26 => Some("its content is damaged"),
        13 => Some("the disk is full"),
        14 => Some("its file cannot be opened"),
        _ => None,
    }
}

/// The primary result code of SQLite: the low eight bits of the extended one.
fn primary_code(error: &sqlx::Error) -> Option<u32> {
    let error = error.as_database_error()?.try_downcast_ref::<SqliteError>()?;
    let code = sqlx::error::DatabaseError::code(error)?;
    code.parse::<u32>().ok().map(|extended| extended & 0xff)
}
