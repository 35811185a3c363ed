//! Making, listing and taking back the tokens of the store, from the command line.

use std::io::{self, Write};

use jiff::SignedDuration;
use sha2::{Digest as _, Sha256};

use crate::args::TokenAction;
use crate::clinic::{Clinic, is_plain_name};
use crate::clock::{Clock, instant};
use crate::config::{Right, StorePlace};
use crate::intake::hex;
use crate::store::{NewToken, Revoked, Store, StoreError, StoredToken};

/// What a token begins with, so that one that was left somewhere is told by its look.
const PREFIX: &str = "solewire_";
/// How long a name may be, in characters.
const LONGEST_NAME: usize = 100;

/// Why it was not done.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// An argument: which, what is wrong, what to change.
    #[error("{0}")]
    Argument(&'static str),
    /// No token is called so.
    #[error("no token is called {0}; see `solewire token list`")]
    Unknown(String),
    /// The system has no random numbers.
    #[error("the system gives no random numbers, so no token can be made")]
    Random,
    /// The output.
    #[error("the output cannot be written ({0})")]
    Output(#[from] io::Error),
}

/// Does what the command line asks for. What is printed goes to `out`, words about it to `notes`, so that a token can be
/// written straight into a file.
///
/// # Errors
/// Why it was not done.
pub async fn look_after(
    place: &StorePlace,
    action: &TokenAction,
    clock: &Clock,
    out: &mut impl Write,
    notes: &mut impl Write,
) -> Result<(), TokenError> {
    let store = Store::open_beside(place).await?;
    let done = done(&store, action, clock, out, notes).await;
    store.close().await;
    done
}

async fn done(
    store: &Store,
    action: &TokenAction,
    clock: &Clock,
    out: &mut impl Write,
    notes: &mut impl Write,
) -> Result<(), TokenError> {
    match action {
        TokenAction::Create { name, right, device, clinic, expires_in_days, .. } => {
            let days = expires_in_days.map(|days| SignedDuration::from_hours(24 * i64::from(days)));
            let expires = days.and_then(|days| clock.now().checked_add(days).ok());
            let (token, kept) = made(
                name,
                right,
                device.as_deref(),
                clinic.as_deref(),
                expires.map(|end| end.as_millisecond()),
            )?;
            store.keep_token(&kept, clock.now_ms()).await?;
            writeln!(out, "{token}")?;
            writeln!(notes, "made {}; the token is not shown again", kept.id)?;
        }
        TokenAction::List { .. } => {
            for token in store.tokens().await? {
                writeln!(out, "{}", line(&token, clock.now_ms()))?;
            }
        }
        TokenAction::Revoke { id, .. } => match store.revoke_token(id, clock.now_ms()).await? {
            Revoked::Now => writeln!(notes, "taken back: {id}")?,
            Revoked::Before => writeln!(notes, "had been taken back before: {id}")?,
            Revoked::Unknown => return Err(TokenError::Unknown(id.clone())),
        },
    }
    Ok(())
}

/// A new token of 256 random bits, and what is kept of it.
fn made(
    name: &str,
    rights: &[Right],
    device: Option<&str>,
    clinic: Option<&str>,
    expires: Option<i64>,
) -> Result<(String, NewToken), TokenError> {
    let name = name.trim();
    if name.is_empty() || name.chars().count() > LONGEST_NAME || name.chars().any(char::is_control) {
        return Err(TokenError::Argument("--name is empty or too long; use up to 100 characters"));
    }
    if device.is_some_and(|device| !is_plain_name(device)) {
        let text = "--device is no name; use 1 to 64 letters, digits, dots, hyphens and underscores";
        return Err(TokenError::Argument(text));
    }
    if clinic.is_some_and(|clinic| Clinic::named(clinic).is_none()) {
        let text = "--clinic is no name; use 1 to 64 letters, digits, dots, hyphens and underscores";
        return Err(TokenError::Argument(text));
    }
    let (mut secret, mut id) = ([0_u8; 32], [0_u8; 6]);
    let random = rustls::crypto::aws_lc_rs::default_provider().secure_random;
    random.fill(&mut secret).map_err(|_| TokenError::Random)?;
    random.fill(&mut id).map_err(|_| TokenError::Random)?;
    let token = format!("{PREFIX}{}", hex(&secret));
    let mut words: Vec<&str> = Vec::new();
    for right in rights {
        if !words.contains(&right.word()) {
            words.push(right.word());
        }
    }
    let kept = NewToken {
        id: hex(&id),
        name: name.to_owned(),
        hash: hex(&Sha256::digest(token.as_bytes())),
        rights: words.join(" "),
        clinic: clinic.map(str::to_owned),
        device: device.map(str::to_owned),
        expires,
    };
    Ok((token, kept))
}

/// One token for people to read: whether it holds stands first.
fn line(token: &StoredToken, now: i64) -> String {
    let state = match (token.revoked, token.expires) {
        (Some(at), _) => format!("revoked {}", instant(at)),
        (None, Some(end)) if end <= now => format!("ended {}", instant(end)),
        (None, Some(end)) => format!("until {}", instant(end)),
        (None, None) => "no end".to_owned(),
    };
    let mut line = format!("{}  {state}  {}  made {}", token.id, token.rights, instant(token.created));
    for (what, name) in [("clinic", &token.clinic), ("device", &token.device)] {
        if let Some(name) = name {
            line.push_str(&format!("  {what} {name}"));
        }
    }
    line.push_str("  ");
    line.push_str(&token.name);
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_new_each_time_and_only_its_hash_is_kept() {
        let (first, kept) = made("ward", &[Right::Read, Right::Read], None, Some("north"), None).unwrap();
        let (second, _) = made("ward", &[Right::Read], None, None, None).unwrap();
        assert_ne!(first, second);
        assert_eq!(first.len(), PREFIX.len() + 64);
        assert_eq!(kept.hash, hex(&Sha256::digest(first.as_bytes())));
        assert_eq!((kept.rights.as_str(), kept.clinic.as_deref()), ("read", Some("north")));
        assert!(!format!("{kept:?}").contains(&first[PREFIX.len()..]));
        for (name, device, clinic) in [
            ("", None, None),
            ("a\nb", None, None),
            ("ward", Some("a device"), None),
            ("ward", None, Some("")),
        ] {
            assert!(made(name, &[Right::Read], device, clinic, None).is_err());
        }
    }
}
