//! Where exams are kept.

use std::net::IpAddr;
use std::path::PathBuf;
use std::time::Duration;

use secrecy::SecretString;
use url::Url;

use super::ConfigError;
use super::raw::Raw;
use super::secret;
use crate::store::Limits;

/// Where and how exams are kept.
#[derive(Debug, Clone)]
pub struct StoreSettings {
    /// Where.
    pub place: StorePlace,
    /// When it takes nothing new.
    pub limits: Limits,
    /// How long payloads, superseded versions and keyed answers are kept after delivery; none for good.
    pub keep_delivered: Option<Duration>,
}

/// Where exams are kept.
#[derive(Debug, Clone)]
pub enum StorePlace {
    /// A SQLite file of this process alone.
    Sqlite(PathBuf),
    /// A PostgreSQL server that several processes may share.
    Postgres(PostgresServer),
}

/// A PostgreSQL server with its database.
#[derive(Debug, Clone)]
pub struct PostgresServer {
    /// Its address. It holds no password.
    pub url: Url,
    /// The password; none when the server asks for none.
    pub password: Option<SecretString>,
    /// Whether the connection must be encrypted and the server's name verified, because the address says nothing else
    /// and leads off this machine.
    pub must_verify: bool,
}

impl PostgresServer {
    /// The address as it may be shown: without parameters.
    #[must_use]
    pub fn shown(&self) -> String {
        let mut url = self.url.clone();
        url.set_query(None);
        url.to_string()
    }
}

/// What an address of PostgreSQL may carry. Anything else would be ignored by the driver.
const PARAMETERS: [&str; 5] = ["host", "sslmode", "sslrootcert", "sslcert", "sslkey"];

pub(super) fn read(raw: &Raw) -> Result<StoreSettings, ConfigError> {
    let usual = Limits::default();
    let reserve = raw.number("store.reserve_mib")?.map(|mib| mib.saturating_mul(1 << 20));
    let limits = Limits {
        reserve: reserve.unwrap_or(usual.reserve),
        high_water: raw.number("store.high_water")?.unwrap_or(usual.high_water),
    };
    Ok(StoreSettings { place: place(raw)?, limits, keep_delivered: keep_delivered(raw)? })
}

/// Ten years. Who keeps for longer keeps for good.
pub const LONGEST_KEPT_DAYS: u64 = 3650;

fn keep_delivered(raw: &Raw) -> Result<Option<Duration>, ConfigError> {
    let key = "store.keep_delivered_days";
    let Some(days) = raw.number(key)? else { return Ok(None) };
    if !(1..=LONGEST_KEPT_DAYS).contains(&days) {
        let mend = format!("write 1 to {LONGEST_KEPT_DAYS}, or leave it out to keep everything for good");
        return Err(raw.error(key, format!("is {days}, which is no such number of days"), mend));
    }
    Ok(Some(Duration::from_secs(days * 86_400)))
}

fn place(raw: &Raw) -> Result<StorePlace, ConfigError> {
    let key = "store.url";
    let text = raw.text(key)?.unwrap_or_else(|| "sqlite:solewire.db".to_owned());
    if text.starts_with("postgres:") || text.starts_with("postgresql:") {
        return Ok(StorePlace::Postgres(postgres(raw, key, &text)?));
    }
    let path = text.strip_prefix("sqlite:").map(|path| path.strip_prefix("//").unwrap_or(path));
    match path {
        Some(path) if !path.is_empty() && !path.contains('?') && path != ":memory:" => {
            Ok(StorePlace::Sqlite(PathBuf::from(path)))
        }
        // The text is not shown: it may hold a password in an address that is misspelt.
        _ => Err(raw.error(
            key,
            "is not a store",
            "use sqlite:PATH, such as sqlite:/var/lib/solewire/solewire.db, or postgres://USER@HOST/DATABASE",
        )),
    }
}

fn postgres(raw: &Raw, key: &str, text: &str) -> Result<PostgresServer, ConfigError> {
    let write = "write it as postgres://USER@HOST/DATABASE";
    let url = Url::parse(text)
        .map_err(|error| raw.error(key, format!("is not an address of PostgreSQL ({error})"), write))?;
    if url.password().is_some() || url.query_pairs().any(|(name, _)| name == "password") {
        return Err(raw.error(
            key,
            "holds a password, which would be copied around with it",
            "take it out and name a file in `store.password_file`, or set SOLEWIRE_STORE__PASSWORD",
        ));
    }
    if url.path().trim_start_matches('/').is_empty() {
        return Err(raw.error(key, "names no database", write));
    }
    if let Some((name, _)) = url.query_pairs().find(|(name, _)| !PARAMETERS.contains(&name.as_ref())) {
        let mend = format!("leave it out; known are {}", PARAMETERS.join(", "));
        return Err(raw.error(key, format!("has the parameter \"{name}\", which is not known"), mend));
    }
    let has = |wanted: &str| url.query_pairs().any(|(name, _)| name == wanted);
    let must_verify = !has("sslmode") && !stays_here(&url);
    Ok(PostgresServer {
        password: secret::optional(raw, "store.password", "store.password_file")?,
        url,
        must_verify,
    })
}

/// Whether the address leads to this machine only: a socket in a folder, or the loopback.
fn stays_here(url: &Url) -> bool {
    if let Some((_, host)) = url.query_pairs().find(|(name, _)| name == "host") {
        return host.starts_with('/');
    }
    let Some(host) = url.host_str() else { return true };
    let address = host.trim_matches(['[', ']']).parse::<IpAddr>();
    host == "localhost"
        || host.to_ascii_lowercase().starts_with("%2f")
        || address.is_ok_and(|ip| ip.is_loopback())
}
