//! Where exams are forwarded to, how, and as whom.

use url::{Host, Url};

use super::raw::Raw;
use super::secret::{self, Secret};
use super::smart::{self, Smart};
use super::tls_files::TlsFiles;
use super::{ConfigError, choice, http_url};

/// Where exams are forwarded to.
#[derive(Debug)]
pub struct RecordSystem {
    /// Its FHIR base, without a slash at the end.
    pub base_url: Url,
    /// Whether an exam goes in one piece.
    pub write: Write,
    /// How many entries it takes in one transaction; none when it takes any number.
    pub max_entries: Option<usize>,
    /// Whether deliveries are looked for afterwards.
    pub verify: bool,
    /// As whom.
    pub auth: Auth,
    /// The certificates of both sides.
    pub tls: TlsFiles,
    /// Whether credentials and exams may go unencrypted to another machine.
    pub allow_plaintext: bool,
}

/// How an exam is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Write {
    /// All of it or nothing.
    Transaction,
    /// Resource by resource, each after what it refers to.
    Create,
}

/// As whom a record system is addressed.
#[derive(Debug)]
pub enum Auth {
    /// As nobody.
    None,
    /// User and password (RFC 7617).
    Basic {
        /// User name.
        user: String,
        /// Password.
        password: Secret,
    },
    /// A fixed bearer token (RFC 6750).
    Bearer {
        /// The token.
        token: Secret,
    },
    /// Tokens that are got with a signed assertion.
    Smart(Box<Smart>),
}

impl RecordSystem {
    /// The public key as a JWK set, for the authorisation server of the record system; without keys where none is used.
    #[must_use]
    pub fn public_keys(&self) -> serde_json::Value {
        match &self.auth {
            Auth::Smart(smart) => serde_json::json!({ "keys": [smart.key.public] }),
            Auth::None | Auth::Basic { .. } | Auth::Bearer { .. } => serde_json::json!({ "keys": [] }),
        }
    }
}

#[derive(Clone, Copy)]
enum AuthKind {
    None,
    Basic,
    Bearer,
    Smart,
}

pub(super) fn read(raw: &Raw, guidelines: usize) -> Result<Option<RecordSystem>, ConfigError> {
    let key = "record_system.write";
    let words = [("transaction", Some(Write::Transaction)), ("create", Some(Write::Create)), ("none", None)];
    let write = choice(raw, key, Some(Write::Transaction), &words)?;
    let base_key = "record_system.base_url";
    let base_url = match raw.text(base_key)?.filter(|text| !text.is_empty()) {
        None if write.is_some() && raw.value(key).is_some() => {
            let problem = "is set while `record_system.base_url` is not";
            return Err(raw.error(key, problem, "set the base address of the record system or use \"none\""));
        }
        None => return Ok(None),
        Some(text) => http_url(text.trim_end_matches('/')).map_err(|problem| {
            raw.error(base_key, problem, "write the FHIR base, such as https://records.example/fhir")
        })?,
    };
    let allow_plaintext = raw.yes_or_no("record_system.allow_plaintext", false)?;
    plaintext(raw, base_key, &base_url, allow_plaintext)?;
    let auth = auth(raw, allow_plaintext)?;
    let tls = TlsFiles::named(raw)?;
    let verify = raw.yes_or_no("record_system.verify", true)?;
    let max_entries = max_entries(raw, write, guidelines)?;
    let target = |write| RecordSystem { base_url, write, max_entries, verify, auth, tls, allow_plaintext };
    Ok(write.map(target))
}

/// Whether credentials may be sent there: encrypted, or without leaving this machine, or because somebody said so.
#[must_use]
pub fn may_carry_credentials(url: &Url, allow_plaintext: bool) -> bool {
    let here = match url.host() {
        Some(Host::Ipv4(address)) => address.is_loopback(),
        Some(Host::Ipv6(address)) => address.is_loopback(),
        Some(Host::Domain(name)) => name.eq_ignore_ascii_case("localhost"),
        None => false,
    };
    url.scheme() == "https" || (url.scheme() == "http" && (here || allow_plaintext))
}

pub(super) fn plaintext(raw: &Raw, key: &str, url: &Url, allowed: bool) -> Result<(), ConfigError> {
    if may_carry_credentials(url, allowed) {
        return Ok(());
    }
    let problem = "is a plain http address of another machine, so exams would cross the network readable";
    Err(raw.error(
        key,
        problem,
        "use https, or set `record_system.allow_plaintext` where the network is protected",
    ))
}

/// The panel, and with it in one piece all that is derived: for each guideline an assessment, two requests at the most,
/// and a Provenance.
const fn last_piece(guidelines: usize) -> usize {
    1 + guidelines + 2 + 1
}

/// The results of the largest exam that the profiles know: each site, artery and zone of both feet in a resource of its
/// own, every other test of each foot, every test of the person. A test counts them.
pub(super) const MOST_RESULTS: usize = 157;

fn max_entries(raw: &Raw, write: Option<Write>, guidelines: usize) -> Result<Option<usize>, ConfigError> {
    let key = "record_system.max_entries";
    let Some(most) = raw.number(key)? else { return Ok(None) };
    let most = usize::try_from(most).unwrap_or(usize::MAX);
    let least = last_piece(guidelines);
    if write == Some(Write::Transaction) && most < least {
        let problem = format!(
            "is {most}; a panel and what is derived from it are up to {least} entries, which have to arrive together"
        );
        return Err(raw.error(
            key,
            problem,
            "raise the limit of the record system, or set `record_system.write` to \"create\"",
        ));
    }
    if most < least + MOST_RESULTS {
        tracing::info!(
            max_entries = most,
            "larger exams go in several transactions, the panel and the assessment last"
        );
    }
    Ok(Some(most))
}

fn auth(raw: &Raw, allow_plaintext: bool) -> Result<Auth, ConfigError> {
    let words = [
        ("none", AuthKind::None),
        ("basic", AuthKind::Basic),
        ("bearer", AuthKind::Bearer),
        ("smart", AuthKind::Smart),
    ];
    match choice(raw, "record_system.auth", AuthKind::None, &words)? {
        AuthKind::None => Ok(Auth::None),
        AuthKind::Basic => {
            let user = needed(raw, "record_system.user", "basic", "set the user name")?;
            let password =
                secret::needed(raw, "record_system.password", "record_system.password_file", "basic")?;
            Ok(Auth::Basic { user, password })
        }
        AuthKind::Bearer => Ok(Auth::Bearer {
            token: secret::needed(raw, "record_system.token", "record_system.token_file", "bearer")?,
        }),
        AuthKind::Smart => Ok(Auth::Smart(Box::new(smart::read(raw, allow_plaintext)?))),
    }
}

/// A text that a way to authenticate cannot do without.
pub(super) fn needed(raw: &Raw, key: &str, method: &str, mend: &str) -> Result<String, ConfigError> {
    raw.text(key)?.filter(|text| !text.is_empty()).ok_or_else(|| {
        raw.error("record_system.auth", format!("is \"{method}\" and `{key}` is not set"), mend)
    })
}
