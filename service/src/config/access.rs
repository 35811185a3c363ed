//! Who may do what.

use std::path::PathBuf;

use super::raw::Raw;
use super::{ConfigError, Server, choice};

/// How callers are let in.
#[derive(Debug, Clone)]
pub enum Access {
    /// Everybody who reaches a listener may do everything. Only on loopback.
    Open,
    /// Bearer tokens, known by their hashes.
    Tokens(Vec<Token>),
}

/// What a token lets its holder do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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
}

/// A bearer token that is let in. The token itself is known to its holder only.
#[derive(Debug, Clone)]
pub struct Token {
    /// SHA-256 of the token.
    pub hash: [u8; 32],
    /// What it allows.
    pub rights: Vec<Right>,
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
            if tokens.is_empty() {
                let problem = "is \"tokens\" and no token is listed, so nobody could do anything";
                let mend = "list the SHA-256 of a token under `access.tokens` (printf %s TOKEN | sha256sum), or use \
                            \"open\" while every listener is on 127.0.0.1";
                return Err(raw.error(key, problem, mend));
            }
            Ok(Access::Tokens(tokens))
        }
    }
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
    let hash = words.next().and_then(hash).ok_or_else(|| {
        let mend =
            "write the 64 hexadecimal digits that `printf %s TOKEN | sha256sum` prints, never the token";
        raw.error(key, "holds something that is not a SHA-256", mend)
    })?;
    let mut rights = Vec::new();
    for word in words {
        let known = [Right::Submit, Right::Read, Right::Operate];
        match known.into_iter().find(|right| right.word() == word) {
            Some(right) => rights.push(right),
            None => {
                let problem = format!("grants \"{word}\", which is no right");
                return Err(raw.error(key, problem, "use submit, read or operate, separated by spaces"));
            }
        }
    }
    if rights.is_empty() {
        rights = vec![Right::Submit, Right::Read];
    }
    Ok(Token { hash, rights })
}

fn hash(word: &str) -> Option<[u8; 32]> {
    if word.len() != 64 || !word.is_ascii() {
        return None;
    }
    let mut bytes = [0_u8; 32];
    for (byte, at) in bytes.iter_mut().zip((0..64).step_by(2)) {
        *byte = u8::from_str_radix(word.get(at..at + 2)?, 16).ok()?;
    }
    Some(bytes)
}
