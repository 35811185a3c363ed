//! The public keys of the issuer (RFC 7517), and which of them can check which signature.

use std::collections::HashMap;
use std::path::PathBuf;
use std::time::Duration;

use jsonwebtoken::jwk::{AlgorithmParameters, EllipticCurve, Jwk, KeyAlgorithm, KeyOperations, PublicKeyUse};
use jsonwebtoken::{Algorithm, DecodingKey};
use reqwest::redirect::Policy;
use serde_json::Value;
use url::Url;

use crate::addresses::Reachable;
use crate::config::KeyPlace;

/// A set of a dozen keys is a tenth of it.
const LARGEST_SET: usize = 256 * 1024;
/// An RSA modulus of 2048 bits in base64url; shorter ones are not taken (RFC 7518 section 3.3).
const SHORTEST_MODULUS: usize = 342;

/// A key that signatures are checked with.
#[derive(Clone)]
pub(super) struct VerifyingKey {
    pub(super) decoding: DecodingKey,
    pub(super) algorithms: Vec<Algorithm>,
}

impl std::fmt::Debug for VerifyingKey {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("VerifyingKey").field("algorithms", &self.algorithms).finish_non_exhaustive()
    }
}

/// Keys by their ids.
pub(super) type KeySet = HashMap<String, VerifyingKey>;

/// Where the keys are read.
#[derive(Debug)]
pub enum KeySource {
    /// At an address.
    Url(Url, reqwest::Client),
    /// In a file.
    File(PathBuf),
}

impl KeySource {
    /// The source that the settings name. Nothing is asked for yet.
    ///
    /// # Errors
    /// When there can be no client, such as without certificate authorities.
    pub fn of(place: &KeyPlace) -> reqwest::Result<KeySource> {
        match place {
            KeyPlace::File(path) => Ok(KeySource::File(path.clone())),
            KeyPlace::Url(url) => {
                let client = reqwest::Client::builder()
                    .redirect(Policy::none())
                    .dns_resolver(Reachable::of([url]))
                    .connect_timeout(Duration::from_secs(3))
                    .timeout(Duration::from_secs(5));
                Ok(KeySource::Url(url.clone(), client.build()?))
            }
        }
    }

    /// How often the keys are read when nothing asks for it.
    pub(super) fn pace(&self) -> Duration {
        match self {
            KeySource::Url(..) => Duration::from_secs(300),
            KeySource::File(_) => Duration::from_secs(5),
        }
    }

    /// Reads the keys; an error is a word on why not.
    pub(super) async fn read(&self) -> Result<KeySet, &'static str> {
        let bytes = match self {
            KeySource::File(path) => tokio::fs::read(path).await.map_err(|_| "the file cannot be read")?,
            KeySource::Url(url, client) => fetched(client, url).await?,
        };
        let keys = parsed(&bytes).ok_or("there is no JSON Web Key Set")?;
        if keys.is_empty() { Err("no key of it can be used") } else { Ok(keys) }
    }
}

async fn fetched(client: &reqwest::Client, url: &Url) -> Result<Vec<u8>, &'static str> {
    let lost = |_: reqwest::Error| "there is no answer";
    let mut response = client.get(url.clone()).send().await.map_err(lost)?;
    if response.status() != reqwest::StatusCode::OK {
        return Err("the answer has another status than 200");
    }
    let mut bytes = Vec::new();
    while let Some(chunk) = response.chunk().await.map_err(lost)? {
        if bytes.len() + chunk.len() > LARGEST_SET {
            return Err("the answer is too large");
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// The keys of a set that can be used. One of a kind that is not known here does not spoil the others.
pub(super) fn parsed(bytes: &[u8]) -> Option<KeySet> {
    let mut set: Value = serde_json::from_slice(bytes).ok()?;
    let Value::Array(keys) = set.get_mut("keys")?.take() else { return None };
    let keys = keys.into_iter().filter_map(|key| serde_json::from_value::<Jwk>(key).ok());
    Some(keys.filter_map(|key| usable(&key)).collect())
}

/// A public key for signatures, with the algorithms that fit it. A key never says more than its kind allows, whatever
/// the header of a token says.
fn usable(key: &Jwk) -> Option<(String, VerifyingKey)> {
    let id = key.common.key_id.clone()?;
    let signs = key.common.public_key_use.as_ref().is_none_or(|purpose| *purpose == PublicKeyUse::Signature);
    let verifies = |operations: &Vec<KeyOperations>| operations.contains(&KeyOperations::Verify);
    if !signs || !key.common.key_operations.as_ref().is_none_or(verifies) {
        return None;
    }
    let fitting: &[(Algorithm, KeyAlgorithm)] = match &key.algorithm {
        AlgorithmParameters::EllipticCurve(curve) => match curve.curve {
            EllipticCurve::P256 => &[(Algorithm::ES256, KeyAlgorithm::ES256)],
            EllipticCurve::P384 => &[(Algorithm::ES384, KeyAlgorithm::ES384)],
            _ => return None,
        },
        AlgorithmParameters::RSA(rsa) if rsa.n.len() >= SHORTEST_MODULUS => {
            &[(Algorithm::RS256, KeyAlgorithm::RS256), (Algorithm::RS384, KeyAlgorithm::RS384)]
        }
        _ => return None,
    };
    let said = key.common.key_algorithm;
    let algorithms: Vec<Algorithm> = fitting
        .iter()
        .filter(|(_, name)| said.is_none_or(|said| said == *name))
        .map(|(algorithm, _)| *algorithm)
        .collect();
    let decoding = DecodingKey::from_jwk(key).ok()?;
    (!algorithms.is_empty()).then_some((id, VerifyingKey { decoding, algorithms }))
}
