//! Who may do what.

use std::num::NonZeroU32;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::issuer::{self, TrustedIssuer};
use super::raw::Raw;
use super::{ConfigError, Server, choice};
use crate::clinic::{Clinic, is_plain_name};

/// Requests of a caller in a minute, unless the settings say otherwise: what no clinic comes near.
const USUAL_REQUESTS: u32 = 6_000;

/// How callers are let in.
#[derive(Debug, Clone)]
pub enum Access {
    /// Everybody who reaches a listener may do everything. Only on loopback.
    Open,
    /// Callers who show who they are.
    Tokens(Callers),
}

/// Who is let in. Tokens that were made by `solewire token` are not among them: they stand in the store.
#[derive(Debug, Clone, Default)]
pub struct Callers {
    /// Bearer tokens, known by their hashes.
    pub tokens: Vec<Token>,
    /// Certificates, known by their fingerprints.
    pub certificates: Vec<Token>,
    /// Whoever else may say who a caller is.
    pub issuer: Option<Box<TrustedIssuer>>,
    /// How often each caller may ask in a minute; none for any number.
    pub requests_per_minute: Option<NonZeroU32>,
}

/// What a token lets its holder do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Right {
    /// Hand in exams, validate and assess.
    Submit,
    /// Read what is stored.
    Read,
    /// See, replay and discard deliveries.
    Operate,
}

impl Right {
    /// The word in the configuration.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Right::Submit => "submit",
            Right::Read => "read",
            Right::Operate => "operate",
        }
    }

    /// The right of a word.
    #[must_use]
    pub fn of(word: &str) -> Option<Right> {
        [Right::Submit, Right::Read, Right::Operate].into_iter().find(|right| right.word() == word)
    }
}

/// A SHA-256.
pub type Sha256Hash = [u8; 32];

/// A bearer token that is let in, which is known to its holder only; or a certificate.
#[derive(Debug, Clone)]
pub struct Token {
    /// SHA-256 of the token; of a certificate, its fingerprint.
    pub hash: Sha256Hash,
    /// What it allows.
    pub rights: Vec<Right>,
    /// The clinic of its holder.
    pub clinic: Option<Clinic>,
    /// The device that holds it.
    pub device: Option<String>,
}

#[derive(Clone, Copy)]
enum Mode {
    Open,
    Tokens,
}

pub(super) fn read(raw: &Raw, server: &Server) -> Result<Access, ConfigError> {
    let key = "access.mode";
    match choice(raw, key, Mode::Tokens, &[("tokens", Mode::Tokens), ("open", Mode::Open)])? {
        Mode::Open => {
            for (name, address) in
                [("server.listen", server.listen), ("server.operations_listen", server.operations_listen)]
            {
                if !address.ip().is_loopback() {
                    let problem = format!("is \"open\" while `{name}` is {address}, which others can reach");
                    return Err(raw.error(key, problem, "listen on 127.0.0.1 or use \"tokens\""));
                }
            }
            Ok(Access::Open)
        }
        Mode::Tokens => {
            let mut tokens = Vec::new();
            for line in raw.list("access.tokens")? {
                tokens.push(token(raw, "access.tokens", &line)?);
            }
            if let Some(path) = raw.text("access.tokens_file")? {
                for line in lines(raw, &PathBuf::from(path))? {
                    tokens.push(token(raw, "access.tokens_file", &line)?);
                }
            }
            let key = "access.certificates";
            let mut certificates = Vec::new();
            for line in raw.list(key)? {
                certificates.push(token(raw, key, &line)?);
            }
            if !certificates.is_empty() && !server.checks_certificates() {
                let problem = "lists certificates that no listener asks for";
                return Err(raw.error(key, problem, "set `server.client_ca_file`"));
            }
            Ok(Access::Tokens(Callers {
                tokens,
                certificates,
                issuer: issuer::read(raw)?.map(Box::new),
                requests_per_minute: requests(raw)?,
            }))
        }
    }
}

/// 0 is any number.
fn requests(raw: &Raw) -> Result<Option<NonZeroU32>, ConfigError> {
    let key = "access.requests_per_minute";
    let number = raw.number(key)?.unwrap_or_else(|| u64::from(USUAL_REQUESTS));
    let number = u32::try_from(number)
        .map_err(|_| raw.error(key, "is too large", "write 0 for any number of requests"))?;
    Ok(NonZeroU32::new(number))
}

fn lines(raw: &Raw, path: &PathBuf) -> Result<Vec<String>, ConfigError> {
    let text = std::fs::read_to_string(path).map_err(|error| {
        let problem = format!("names {}, which cannot be read ({error})", path.display());
        raw.error("access.tokens_file", problem, "name a readable file")
    })?;
    Ok(text
        .lines()
        .map(str::trim)
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .map(str::to_owned)
        .collect())
}

fn token(raw: &Raw, key: &str, line: &str) -> Result<Token, ConfigError> {
    let mut words = line.split_whitespace();
    // The word itself is kept out of the message: somebody may have listed a token in place of its hash.
    let hash = words.next().and_then(hash_of_hex).ok_or_else(|| {
        let mend = match key {
            "access.certificates" => "write the 64 hexadecimal digits of its SHA-256 fingerprint",
            _ => "write the 64 hexadecimal digits that `printf %s TOKEN | sha256sum` prints, never the token",
        };
        raw.error(key, "holds something that is not a SHA-256", mend)
    })?;
    let mut token = Token { hash, rights: Vec::new(), clinic: None, device: None };
    for word in words {
        match word.split_once('=') {
            Some(("clinic", name)) if token.clinic.is_none() => {
                token.clinic = Some(Clinic::named(name).ok_or_else(|| unnameable(raw, key, "clinic"))?);
            }
            Some(("device", name)) if token.device.is_none() => {
                let name = Some(name).filter(|name| is_plain_name(name));
                token.device = Some(name.ok_or_else(|| unnameable(raw, key, "device"))?.to_owned());
            }
            _ => match Right::of(word) {
                Some(right) => token.rights.push(right),
                None => {
                    let problem = format!("grants \"{word}\", which is no right");
                    let mend = "use submit, read or operate, clinic=NAME, device=NAME, separated by spaces";
                    return Err(raw.error(key, problem, mend));
                }
            },
        }
    }
    if token.rights.is_empty() {
        token.rights = vec![Right::Submit, Right::Read];
    }
    Ok(token)
}

fn unnameable(raw: &Raw, key: &str, what: &str) -> ConfigError {
    let mend = "use 1 to 64 letters, digits, dots, hyphens and underscores";
    raw.error(key, format!("names a {what} as none can be called"), mend)
}

/// The SHA-256 that 64 hexadecimal digits stand for.
#[must_use]
pub fn hash_of_hex(word: &str) -> Option<Sha256Hash> {
    if word.len() != 64 || !word.is_ascii() {
        return None;
    }
    let mut bytes = [0_u8; 32];
    for (byte, at) in bytes.iter_mut().zip((0..64).step_by(2)) {
        *byte = u8::from_str_radix(word.get(at..at + 2)?, 16).ok()?;
    }
    Some(bytes)
}
