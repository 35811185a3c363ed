//! All settings: read once, typed, checked at start. A mistake is one message that says what to change.

mod access;
mod assessment;
mod devices;
mod issuer;
mod listener_tls;
mod pages;
mod raw;
mod record_system;
mod secret;
mod settings;
mod smart;
mod store;
mod tls_files;

use std::fmt::Display;
use std::net::{SocketAddr, ToSocketAddrs as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use solewire_profiles::GroupBy;
use url::Url;

use crate::addresses::names_nobody;

pub use access::{Access, Callers, Right, Sha256Hash, Token, hash_of_hex};
pub use assessment::Assessment;
pub use devices::{Device, Devices};
pub use issuer::{KeyPlace, TrustedIssuer};
pub use listener_tls::ListenerTls;
pub use pages::{Pages, Unsent};
use raw::Raw;
pub use record_system::{Auth, RecordSystem, Write, may_carry_credentials};
pub use secret::Secret;
pub use settings::{SETTINGS, Setting};
pub use smart::{SigningKey, Smart};
pub use store::{LONGEST_KEPT_DAYS, PostgresServer, StorePlace, StoreSettings};
pub use tls_files::{TlsFileError, TlsFiles, TlsMaterial};

/// A setting that cannot be used. Its text is one line: where, which key, what is wrong, what to change.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {problem}; {mend}")]
pub struct ConfigError {
    place: String,
    problem: String,
    mend: String,
}

impl ConfigError {
    fn new(
        origin: &dyn Display,
        key: &str,
        problem: impl Into<String>,
        mend: impl Into<String>,
    ) -> ConfigError {
        let place = if key.is_empty() { origin.to_string() } else { format!("{origin}: `{key}`") };
        ConfigError { place, problem: problem.into(), mend: mend.into() }
    }
}

/// Everything the service is told.
#[derive(Debug)]
pub struct Config {
    /// The listeners.
    pub server: Server,
    /// Where exams are kept.
    pub store: StoreSettings,
    /// Where exams are forwarded to; none when they are only kept.
    pub record_system: Option<RecordSystem>,
    /// How exams are assessed.
    pub assessment: Assessment,
    /// How results without a panel are put together.
    pub group_by: GroupBy,
    /// How long an exam without a panel may go without a new result before it is closed; none to leave it open.
    pub quiet: Option<Duration>,
    /// The devices that are known.
    pub devices: Devices,
    /// The folder with the site's own definitions; none for those that ship alone.
    pub profiles_dir: Option<PathBuf>,
    /// Who may do what.
    pub access: Access,
    /// The browser pages.
    pub pages: Pages,
    /// What is logged and how.
    pub log: Log,
    /// Where traces go; none when none are made.
    pub collector: Option<Url>,
}

/// The listeners.
#[derive(Debug, Clone)]
pub struct Server {
    /// FHIR interface.
    pub listen: SocketAddr,
    /// For operators.
    pub operations_listen: SocketAddr,
    /// Address that callers use, when a proxy stands in front.
    pub public_url: Option<Url>,
    /// How the FHIR interface speaks TLS; none for plain HTTP.
    pub tls: Option<ListenerTls>,
    /// The same for operators.
    pub operations_tls: Option<ListenerTls>,
    /// How long the body of a request may take to come in.
    pub body_limit: Duration,
}

impl Server {
    /// Whether a listener asks callers for a certificate.
    fn checks_certificates(&self) -> bool {
        [&self.tls, &self.operations_tls].into_iter().flatten().any(|tls| tls.client_ca.is_some())
    }
}

/// What is logged and how.
#[derive(Debug, Clone)]
pub struct Log {
    /// Directives of `tracing-subscriber`.
    pub filter: String,
    /// Shape of a line.
    pub format: LogFormat,
}

/// Shape of a log line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

impl Config {
    /// Reads a file and the environment.
    ///
    /// # Errors
    /// The first setting that cannot be used, or the file that cannot be read.
    pub fn load(file: &Path) -> Result<Config, ConfigError> {
        let text = std::fs::read_to_string(file).map_err(|error| {
            let problem = format!("the configuration file cannot be read ({error})");
            let mend = "name a readable file with --config FILE; an empty file holds the defaults, with tokens \
                        still to be listed under [access]";
            ConfigError::new(&file.display(), "", problem, mend)
        })?;
        Config::parse(&text, file, environment())
    }

    /// Reads settings from TOML text, called `file` in messages, and from variables that go before it.
    ///
    /// # Errors
    /// The first setting that cannot be used.
    pub fn parse(
        text: &str,
        file: &Path,
        environment: impl IntoIterator<Item = (String, String)>,
    ) -> Result<Config, ConfigError> {
        let raw = Raw::read(text, file, environment)?;
        let server = Server {
            listen: address(&raw, "server.listen", "127.0.0.1:8080")?,
            operations_listen: address(&raw, "server.operations_listen", "127.0.0.1:8081")?,
            public_url: public_url(&raw)?,
            tls: listener_tls::read(&raw, "")?,
            operations_tls: listener_tls::read(&raw, "operations_")?,
            body_limit: body_limit(&raw)?,
        };
        if server.listen == server.operations_listen && server.listen.port() != 0 {
            let problem = format!("is {} like `server.listen`", server.operations_listen);
            return Err(raw.error(
                "server.operations_listen",
                problem,
                "give the two listeners different ports",
            ));
        }
        let assessment = assessment::read(&raw)?;
        Ok(Config {
            store: store::read(&raw)?,
            record_system: record_system::read(&raw, assessment.guidelines.len())?,
            assessment,
            group_by: choice(
                &raw,
                "exam.group_by",
                GroupBy::Encounter,
                &[("encounter", GroupBy::Encounter), ("subject-and-day", GroupBy::SubjectAndDay)],
            )?,
            quiet: quiet(&raw)?,
            devices: devices::read(&raw)?,
            profiles_dir: profiles_dir(&raw)?,
            access: access::read(&raw, &server)?,
            pages: pages::read(&raw)?,
            log: Log {
                filter: raw.text("log.filter")?.unwrap_or_else(|| crate::telemetry::USUAL_FILTER.to_owned()),
                format: choice(
                    &raw,
                    "log.format",
                    LogFormat::Text,
                    &[("text", LogFormat::Text), ("json", LogFormat::Json)],
                )?,
            },
            collector: collector(&raw)?,
            server,
        })
    }
}

/// The variables of this process that are text.
fn environment() -> Vec<(String, String)> {
    std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
        .collect()
}

/// Longer than any proxy waits.
const LONGEST_BODY_SECONDS: u64 = 600;
const USUAL_BODY_SECONDS: u64 = 30;

fn body_limit(raw: &Raw) -> Result<Duration, ConfigError> {
    let key = "server.body_seconds";
    let seconds = raw.number(key)?.unwrap_or(USUAL_BODY_SECONDS);
    if !(1..=LONGEST_BODY_SECONDS).contains(&seconds) {
        let mend = format!("write 1 to {LONGEST_BODY_SECONDS}");
        return Err(raw.error(key, format!("is {seconds}, which is no such time"), mend));
    }
    Ok(Duration::from_secs(seconds))
}

/// A week: who waits longer for a result waits for another exam.
const LONGEST_QUIET_MINUTES: u64 = 7 * 24 * 60;

fn quiet(raw: &Raw) -> Result<Option<Duration>, ConfigError> {
    let key = "exam.quiet_minutes";
    let Some(minutes) = raw.number(key)? else { return Ok(None) };
    if !(1..=LONGEST_QUIET_MINUTES).contains(&minutes) {
        let mend =
            format!("write 1 to {LONGEST_QUIET_MINUTES}, or leave it out to wait for the panel for good");
        return Err(raw.error(key, format!("is {minutes}, which is no quiet period"), mend));
    }
    Ok(Some(Duration::from_secs(minutes * 60)))
}

/// The folder is read at start; here it only must be named.
fn profiles_dir(raw: &Raw) -> Result<Option<PathBuf>, ConfigError> {
    match raw.text("profiles.dir")? {
        Some(text) if text.is_empty() => {
            Err(raw.error("profiles.dir", "is empty", "name the folder, or remove the key"))
        }
        text => Ok(text.map(PathBuf::from)),
    }
}

/// One of a few words.
fn choice<T: Clone>(raw: &Raw, key: &str, default: T, words: &[(&str, T)]) -> Result<T, ConfigError> {
    let Some(text) = raw.text(key)? else { return Ok(default) };
    match words.iter().find(|(word, _)| *word == text) {
        Some((_, value)) => Ok(value.clone()),
        None => {
            let allowed: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            Err(raw.error(key, format!("cannot be \"{text}\""), format!("use {}", one_of(&allowed))))
        }
    }
}

fn one_of(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
    quoted.join(" or ")
}

fn address(raw: &Raw, key: &str, default: &str) -> Result<SocketAddr, ConfigError> {
    let text = raw.text(key)?.unwrap_or_else(|| default.to_owned());
    text.to_socket_addrs().ok().and_then(|mut found| found.next()).ok_or_else(|| {
        raw.error(
            key,
            format!("\"{text}\" is not an address with a port"),
            "write it as HOST:PORT, such as 127.0.0.1:8080",
        )
    })
}

fn public_url(raw: &Raw) -> Result<Option<Url>, ConfigError> {
    let key = "server.public_url";
    let Some(text) = raw.text(key)?.filter(|text| !text.is_empty()) else { return Ok(None) };
    http_url(&text).map(Some).map_err(|problem| raw.error(key, problem, "write it as https://host.example"))
}

fn collector(raw: &Raw) -> Result<Option<Url>, ConfigError> {
    let key = "telemetry.otlp_url";
    let Some(text) = raw.text(key)?.filter(|text| !text.is_empty()) else { return Ok(None) };
    let mend = "write the whole address, such as http://127.0.0.1:4318/v1/traces";
    http_url(&text).map(Some).map_err(|problem| raw.error(key, problem, mend))
}

/// An http or https address without credentials, query or fragment.
fn http_url(text: &str) -> Result<Url, String> {
    let url = Url::parse(text).map_err(|error| format!("is not an address ({error})"))?;
    if !matches!(url.scheme(), "http" | "https") || !url.has_host() {
        return Err("is not an http or https address".to_owned());
    }
    if !url.username().is_empty() || url.password().is_some() {
        return Err("holds credentials, which would end up in logs".to_owned());
    }
    if names_nobody(&url) {
        return Err(
            "names an address that no service is asked at (link-local, unspecified or multicast)".to_owned()
        );
    }
    if url.query().is_some() || url.fragment().is_some() {
        return Err("holds a query or a fragment".to_owned());
    }
    Ok(url)
}

#[cfg(test)]
mod tests;
