//! Copying and checking a store that a service may have open.

use std::cmp::Ordering;
use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};

use sqlx::ConnectOptions as _;
use sqlx::migrate::Migrator;
use sqlx::sqlite::SqliteConnection;

use super::database::for_both;
use super::{DeliveryState, StoreError, postgres, sqlite};
use crate::config::StorePlace;

/// What a check found.
#[derive(Debug)]
pub struct Check {
    /// What is wrong, a line each; nothing when the store is sound.
    pub faults: Vec<String>,
    /// How many exams there are.
    pub exams: i64,
    /// How many deliveries were ever queued, counted with the exams.
    pub received: i64,
    /// How many there are in each state.
    pub states: Vec<(DeliveryState, i64)>,
}

/// Why there is no copy.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The database has its own way.
    #[error(
        "a PostgreSQL store is copied with its own tools, consistently and while it is in use: \
         pg_dump --format=custom --file=FILE DATABASE, and back with pg_restore --clean --if-exists"
    )]
    Postgres,
    /// Nothing is written over.
    #[error("{path} exists; name another file, or remove it first")]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The file cannot be written.
    #[error("{path} cannot be written ({reason}); name a file in a folder that exists, with enough space")]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: io::Error,
    },
    /// The copy does not stand up to the check of a store.
    #[error("the copy is not sound ({fault}); the store itself may be damaged: run `solewire store check`")]
    Unsound {
        /// What is wrong.
        fault: String,
    },
}

/// Copies a store into a new file, as it is at one moment, while a service may use it. The copy is checked and synced
/// before it gets its name.
///
/// # Errors
/// Why there is no copy; then there is no file of that name either.
pub async fn back_up(place: &StorePlace, to: &Path) -> Result<Check, BackupError> {
    let StorePlace::Sqlite(path) = place else { return Err(BackupError::Postgres) };
    if to.exists() {
        return Err(BackupError::Exists { path: to.to_owned() });
    }
    let mut store = open_to_read(path).await?;
    let mut partial = to.as_os_str().to_owned();
    partial.push(".partial");
    let partial = PathBuf::from(partial);
    let write = |reason| BackupError::Write { path: to.to_owned(), reason };
    // It holds what the store holds: its owner alone may read it. An empty file is what SQLite copies into.
    empty_private_file(&partial).map_err(write)?;
    let copied = copy(&mut store, &partial).await;
    let check = match copied {
        Ok(()) => check_sqlite(&partial).await.map_err(BackupError::from),
        Err(error) => Err(error.into()),
    };
    let finished = check.and_then(|check| match check.faults.first() {
        Some(fault) => Err(BackupError::Unsound { fault: fault.clone() }),
        None => {
            publish(&partial, to).map_err(write)?;
            Ok(check)
        }
    });
    if finished.is_err() {
        // What is left of it is of no use; that it cannot be removed changes nothing about the error.
        drop(std::fs::remove_file(&partial));
    }
    finished
}

/// Checks a store that a service may have open: its pages, what refers to what, and whether every exam that was queued
/// is accounted for.
///
/// # Errors
/// When it cannot be opened or read at all.
pub async fn check(place: &StorePlace) -> Result<Check, StoreError> {
    match place {
        StorePlace::Sqlite(path) => check_sqlite(path).await,
        StorePlace::Postgres(server) => {
            let mut connection = postgres::connect(server).await?;
            let other = other_schema(postgres::schema(&mut connection).await?, newest(&postgres::MIGRATIONS));
            if let Some(fault) = other {
                return Ok(Check { faults: vec![fault], exams: 0, received: 0, states: Vec::new() });
            }
            on_postgres::account(&mut connection).await
        }
    }
}

/// What is wrong with a store whose tables are not those of this program.
fn other_schema(held: Option<i64>, newest: i64) -> Option<String> {
    let held = held.unwrap_or(0);
    match held.cmp(&newest) {
        Ordering::Equal => None,
        Ordering::Less => Some(format!(
            "the tables are of schema {held} and this program writes {newest}; start `solewire serve` once to bring \
             them up to date"
        )),
        Ordering::Greater => Some(format!(
            "the tables are of schema {held} and this program knows schemas up to {newest}; use the newer program"
        )),
    }
}

/// The schema that a program with these migrations writes: the number of the last one.
pub(super) fn newest(migrations: &Migrator) -> i64 {
    migrations.iter().next_back().map_or(0, |migration| migration.version)
}

async fn check_sqlite(path: &Path) -> Result<Check, StoreError> {
    let mut connection = open_to_read(path).await?;
    let damaged = |error: sqlx::Error| sqlite::explain(path, &error);
    let mut faults = page_faults(&mut connection).await.map_err(damaged)?;
    let held = sqlite::schema(&mut connection).await.map_err(damaged)?;
    if let Some(fault) = other_schema(held, newest(&sqlite::MIGRATIONS)) {
        faults.push(fault);
        return Ok(Check { faults, exams: 0, received: 0, states: Vec::new() });
    }
    let mut check = on_sqlite::account(&mut connection).await?;
    faults.append(&mut check.faults);
    Ok(Check { faults, ..check })
}

/// What is wrong with the pages of a file and with what refers to what, whatever its schema.
async fn page_faults(connection: &mut SqliteConnection) -> sqlx::Result<Vec<String>> {
    let mut faults: Vec<String> =
        sqlx::query_scalar("PRAGMA integrity_check(20)").fetch_all(&mut *connection).await?;
    faults.retain(|line| line != "ok");
    let broken = sqlx::query("PRAGMA foreign_key_check").fetch_all(&mut *connection).await?;
    if !broken.is_empty() {
        faults.push(format!("{} rows refer to rows that are not there", broken.len()));
    }
    Ok(faults)
}

/// Keeps a copy of a store beside it, before its tables are brought up to date from the schema `held`. The copy is
/// checked and synced before it gets its name, which no other copy has.
///
/// # Errors
/// Why there is no copy.
pub(super) async fn copy_before_upgrade(
    store: &mut SqliteConnection,
    path: &Path,
    held: i64,
) -> Result<PathBuf, BackupError> {
    let named = |end: String| {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".schema-{held}{end}"));
        PathBuf::from(name)
    };
    let taken_before = (2..).map(|number: u32| named(format!("-{number}")));
    let free = std::iter::once(named(String::new())).chain(taken_before).find(|name| !name.exists());
    let to = free.unwrap_or_else(|| named("-last".to_owned()));
    let partial = named(".partial".to_owned());
    let write = |reason| BackupError::Write { path: to.clone(), reason };
    empty_private_file(&partial).map_err(write)?;
    let sound = async {
        copy(store, &partial).await?;
        let mut copied = open_to_read(&partial).await?;
        page_faults(&mut copied).await.map_err(|error| sqlite::explain(&partial, &error))
    };
    let finished = match sound.await {
        Err(error) => Err(BackupError::Store(error)),
        Ok(faults) => match faults.into_iter().next() {
            Some(fault) => Err(BackupError::Unsound { fault }),
            None => publish(&partial, &to).map_err(write),
        },
    };
    if finished.is_err() {
        // What is left of it is of no use; that it cannot be removed changes nothing about the error.
        drop(std::fs::remove_file(&partial));
    }
    finished.map(|()| to)
}

/// A connection that reads beside a service that writes.
pub(super) async fn open_to_read(path: &Path) -> Result<SqliteConnection, StoreError> {
    let options = sqlite::options(path).read_only(true);
    options.connect().await.map_err(|error| sqlite::explain(path, &error))
}

async fn copy(store: &mut SqliteConnection, to: &Path) -> Result<(), StoreError> {
    let Some(name) = to.to_str() else { return Err(StoreError::Row("the name of the copy is not text")) };
    sqlx::query("VACUUM INTO $1").bind(name).execute(&mut *store).await?;
    Ok(())
}

fn empty_private_file(path: &Path) -> io::Result<()> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    options.open(path).map(drop)
}

/// Syncs a finished copy, gives it its name, and syncs that.
fn publish(partial: &Path, to: &Path) -> io::Result<()> {
    File::open(partial)?.sync_all()?;
    // Unlike a rename, a link never takes the place of a file that has come meanwhile.
    std::fs::hard_link(partial, to)?;
    std::fs::remove_file(partial)?;
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder)?.sync_all()
}

for_both! {
    /// Counts what was queued and what became of it.
    pub(super) async fn account(connection: &mut Connection) -> Result<Check, StoreError> {
        let (exams, received): (i64, i64) =
            sqlx::query_as("SELECT count(*), CAST(coalesce(sum(queued), 0) AS BIGINT) FROM exams")
                .fetch_one(&mut *connection)
                .await?;
        let rows: Vec<(String, i64)> =
            sqlx::query_as("SELECT state, count(*) FROM outbox GROUP BY state ORDER BY state")
                .fetch_all(&mut *connection)
                .await?;
        let mut states = Vec::with_capacity(rows.len());
        for (word, number) in rows {
            states.push((DeliveryState::try_from(word)?, number));
        }
        let mut faults = Vec::new();
        let unaccounted: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM exams
             WHERE queued <> (SELECT count(*) FROM outbox WHERE outbox.exam = exams.key)",
        )
        .fetch_one(&mut *connection)
        .await?;
        if unaccounted > 0 {
            faults.push(format!("{unaccounted} exams were queued more or less often than there are deliveries of them"));
        }
        let versions: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM (SELECT 1 FROM resources GROUP BY type, id HAVING sum(current) <> 1) AS wrong",
        )
        .fetch_one(&mut *connection)
        .await?;
        if versions > 0 {
            faults.push(format!("{versions} resources have no current version, or several"));
        }
        Ok(Check { faults, exams, received, states })
    }
}
