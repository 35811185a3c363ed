//! Opening the store: alone, with durable settings, migrated, checked.

use std::ffi::OsString;
use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};

use super::{Store, StoreError, primary_code};

const READERS: u32 = 4;
const BUSY: Duration = Duration::from_secs(5);
const WAIT_FOR_CONNECTION: Duration = Duration::from_secs(10);

impl Store {
    /// Opens the store at `path`, creating it if there is none.
    ///
    /// # Errors
    /// When another process has it, when the path cannot be used, or when what stands there is no sound store.
    pub async fn open(path: &Path) -> Result<Store, StoreError> {
        let lock = lock(path)?;
        prepare_file(path).map_err(|error| open_error(path, error.to_string()))?;
        let options = SqliteConnectOptions::new()
            .filename(path)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(BUSY);
        let writer = SqlitePoolOptions::new()
            .max_connections(1)
            .acquire_timeout(WAIT_FOR_CONNECTION)
            .connect_with(options.clone())
            .await
            .map_err(|error| explain(path, &error))?;
        let check: String = sqlx::query_scalar("PRAGMA quick_check(1)")
            .fetch_one(&writer)
            .await
            .map_err(|error| explain(path, &error))?;
        if check != "ok" {
            return Err(StoreError::Damaged {
                path: path.to_owned(),
                reason: "its pages contradict each other".into(),
            });
        }
        sqlx::migrate!("./migrations").run(&writer).await.map_err(|error| match error {
            sqlx::migrate::MigrateError::Execute(error) => explain(path, &error),
            other => StoreError::Damaged { path: path.to_owned(), reason: other.to_string() },
        })?;
        let readers = SqlitePoolOptions::new()
            .max_connections(READERS)
            .acquire_timeout(WAIT_FOR_CONNECTION)
            .connect_with(options.read_only(true))
            .await
            .map_err(|error| explain(path, &error))?;
        Ok(Store { writer, readers, _lock: Arc::new(lock) })
    }
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

fn explain(path: &Path, error: &sqlx::Error) -> StoreError {
    match primary_code(error) {
        Some(11 | 26) => StoreError::Damaged { path: path.to_owned(), reason: error.to_string() },
        _ => open_error(path, error.to_string()),
    }
}
