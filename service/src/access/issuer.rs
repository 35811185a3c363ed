//! Signed tokens of a configured issuer (RFC 7519, RFC 9068): who is let in by them, and with which keys they are checked.

use std::sync::{Arc, PoisonError, RwLock};
use std::time::{Duration, Instant};

use jsonwebtoken::{Header, Validation};
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use tokio::sync::Mutex;

use super::keys::{KeySet, KeySource, VerifyingKey};
use super::{Caller, scopes};
use crate::clinic::{Clinic, is_plain_name};
use crate::config::TrustedIssuer;
use crate::intake::hex;

/// No token is longer; signatures of longer ones are not looked at.
const LONGEST_TOKEN: usize = 16 * 1024;
/// So often in a row tokens with unknown keys may have the keys read again; one comes back after each interval.
const REFRESHES: u32 = 4;
const REFRESH_COMES_BACK: Duration = Duration::from_secs(15);

/// Why a token was not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotTaken {
    /// It does not hold, whatever is wrong with it.
    Bad,
    /// No key of the issuer is known yet, so nothing can be said about it.
    NoKeys,
}

/// An issuer that is trusted, with its keys as last read.
#[derive(Debug)]
pub struct Issuer {
    settings: TrustedIssuer,
    source: KeySource,
    keys: RwLock<Option<Arc<KeySet>>>,
    refreshes: Mutex<Refreshes>,
}

#[derive(Debug)]
struct Refreshes {
    left: u32,
    /// Since when one more is on its way back.
    since: Instant,
    began: Option<Instant>,
}

impl Issuer {
    /// An issuer whose keys were not read yet.
    #[must_use]
    pub fn new(settings: TrustedIssuer, source: KeySource) -> Issuer {
        let refreshes = Refreshes { left: REFRESHES, since: Instant::now(), began: None };
        Issuer { settings, source, keys: RwLock::default(), refreshes: Mutex::new(refreshes) }
    }

    /// Reads the keys. When they cannot be read, those known before go on holding.
    pub async fn read_keys(&self) {
        match self.source.read().await {
            Ok(keys) => *self.keys.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(keys)),
            Err(reason) => tracing::warn!(reason, "the keys of the issuer cannot be read"),
        }
    }

    /// Reads the keys again and again, so that one that was taken back ends.
    pub async fn keep_up(&self) {
        loop {
            tokio::time::sleep(self.source.pace()).await;
            self.read_keys().await;
        }
    }

    /// Who holds a token, and until when it holds (seconds since 1970).
    ///
    /// # Errors
    /// Why it was not taken.
    pub async fn caller(&self, token: &str) -> Result<(Caller, i64), NotTaken> {
        if token.len() > LONGEST_TOKEN {
            return Err(NotTaken::Bad);
        }
        let header = jsonwebtoken::decode_header(token).map_err(|_| NotTaken::Bad)?;
        if !self.settings.algorithms.contains(&header.alg) || !is_access_token(&header) {
            return Err(NotTaken::Bad);
        }
        let id = header.kid.as_deref().ok_or(NotTaken::Bad)?;
        let key = self.key(id).await?;
        if !key.algorithms.contains(&header.alg) {
            return Err(NotTaken::Bad);
        }
        let mut validation = Validation::new(header.alg);
        validation.set_issuer(&[&self.settings.issuer]);
        validation.set_audience(&[&self.settings.audience]);
        validation.set_required_spec_claims(&["iss", "aud", "exp"]);
        validation.validate_nbf = true;
        validation.leeway = self.settings.leeway.as_secs();
        let decoded = jsonwebtoken::decode::<Value>(token, &key.decoding, &validation);
        let claims = decoded.map_err(|_| NotTaken::Bad)?.claims;
        self.read(&claims).ok_or(NotTaken::Bad)
    }

    fn read(&self, claims: &Value) -> Option<(Caller, i64)> {
        let text = |name: &str| claims.get(name).and_then(Value::as_str).filter(|text| !text.is_empty());
        let who = text("client_id").or_else(|| text("sub"))?;
        let expires = claims.get("exp")?;
        #[allow(clippy::cast_possible_truncation, reason = "a date may have a fraction, which is cut off")]
        let expires = expires.as_i64().or_else(|| expires.as_f64().map(|seconds| seconds as i64))?;
        let (rights, types) = scopes::rights(text("scope").unwrap_or_default());
        // Where the site says that tokens name a clinic, one that names none is not taken for one that sees all.
        let clinic = match &self.settings.clinic_claim {
            None => None,
            Some(name) => Some(Clinic::named(text(name)?)?),
        };
        let device = match self.settings.device_claim.as_deref().and_then(|name| claims.get(name)) {
            None => None,
            Some(device) => Some(device.as_str().filter(|name| is_plain_name(name))?.to_owned()),
        };
        let hash = Sha256::digest(format!("{}\n{who}", self.settings.issuer));
        let (name, _) = hash.split_at(6);
        let name = format!("jwt-{}", hex(name));
        Some((Caller { name, rights, types, clinic, device }, expires))
    }

    async fn key(&self, id: &str) -> Result<VerifyingKey, NotTaken> {
        if let Some(key) = self.known()?.get(id) {
            return Ok(key.clone());
        }
        self.read_again().await;
        self.known()?.get(id).cloned().ok_or(NotTaken::Bad)
    }

    fn known(&self) -> Result<Arc<KeySet>, NotTaken> {
        let keys = self.keys.read().unwrap_or_else(PoisonError::into_inner);
        keys.clone().ok_or(NotTaken::NoKeys)
    }

    /// Reads the keys for a token whose key is not known. Those who wait for it need not have them read once more, and
    /// tokens with made-up keys soon have nothing read at all.
    async fn read_again(&self) {
        let asked = Instant::now();
        let mut refreshes = self.refreshes.lock().await;
        if refreshes.began.is_some_and(|began| began >= asked) || !refreshes.take(Instant::now()) {
            return;
        }
        refreshes.began = Some(Instant::now());
        self.read_keys().await;
    }
}

impl Refreshes {
    fn take(&mut self, now: Instant) -> bool {
        while self.left < REFRESHES && now.saturating_duration_since(self.since) >= REFRESH_COMES_BACK {
            self.left += 1;
            self.since += REFRESH_COMES_BACK;
        }
        if self.left == 0 {
            return false;
        }
        if self.left == REFRESHES {
            self.since = now;
        }
        self.left -= 1;
        true
    }
}

/// A token of another type, such as one that tells of a logout, is no key to this service.
fn is_access_token(header: &Header) -> bool {
    header.typ.as_deref().is_none_or(|kind| {
        let kind = kind.to_ascii_lowercase();
        matches!(kind.strip_prefix("application/").unwrap_or(&kind), "jwt" | "at+jwt")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn made_up_keys_soon_have_nothing_read() {
        let start = Instant::now();
        let mut refreshes = Refreshes { left: REFRESHES, since: start, began: None };
        let taken = (0..100).filter(|_| refreshes.take(start)).count();
        assert_eq!(taken, 4);
        assert!(!refreshes.take(start + Duration::from_secs(14)));
        assert!(refreshes.take(start + Duration::from_secs(15)));
        assert!(!refreshes.take(start + Duration::from_secs(29)));
        let later = start + Duration::from_secs(3600);
        assert_eq!((0..100).filter(|_| refreshes.take(later)).count(), 4);
    }
}
