//! The issuer whose signed tokens are taken.

use std::path::PathBuf;
use std::time::Duration;

use jsonwebtoken::Algorithm;
use url::Url;

use super::raw::Raw;
use super::record_system::may_carry_credentials;
use super::{ConfigError, http_url};

const ISSUER: &str = "access.issuer";
const AUDIENCE: &str = "access.audience";
const URL: &str = "access.jwks_url";
const FILE: &str = "access.jwks_file";
const ALGORITHMS: &str = "access.algorithms";
const LEEWAY: &str = "access.leeway_seconds";
/// The algorithms that can be allowed. There is none without a key pair.
const KNOWN: [(&str, Algorithm); 4] = [
    ("ES256", Algorithm::ES256),
    ("ES384", Algorithm::ES384),
    ("RS256", Algorithm::RS256),
    ("RS384", Algorithm::RS384),
];
const USUAL_LEEWAY: u64 = 30;
const LONGEST_LEEWAY: u64 = 120;

/// An issuer that is trusted to say who a caller is.
#[derive(Debug, Clone)]
pub struct TrustedIssuer {
    /// What `iss` must be.
    pub issuer: String,
    /// What `aud` must name.
    pub audience: String,
    /// Where its public keys are.
    pub keys: KeyPlace,
    /// The signatures that are taken.
    pub algorithms: Vec<Algorithm>,
    /// How far its clock may differ.
    pub leeway: Duration,
    /// The claim that names the clinic of a caller; none when tokens of this issuer see every clinic.
    pub clinic_claim: Option<String>,
    /// The claim that names the device that a caller is.
    pub device_claim: Option<String>,
}

/// Where public keys are.
#[derive(Debug, Clone)]
pub enum KeyPlace {
    /// At an address.
    Url(Url),
    /// In a file.
    File(PathBuf),
}

/// The issuer that the settings name, if they name one.
pub(super) fn read(raw: &Raw) -> Result<Option<TrustedIssuer>, ConfigError> {
    let text = |key: &str| Ok::<_, ConfigError>(raw.text(key)?.filter(|text| !text.is_empty()));
    let Some(issuer) = text(ISSUER)? else {
        let others = [AUDIENCE, URL, FILE, "access.clinic_claim", "access.device_claim"];
        for key in others {
            if text(key)?.is_some() {
                return Err(raw.error(key, "is set without an issuer", format!("set `{ISSUER}`")));
            }
        }
        return Ok(None);
    };
    let audience = text(AUDIENCE)?.ok_or_else(|| {
        let problem = "is missing, so that a token for another service would be taken here";
        raw.error(AUDIENCE, problem, "set it to what tokens for this service name in aud")
    })?;
    let keys = match (text(URL)?, text(FILE)?) {
        (Some(url), None) => KeyPlace::Url(key_url(raw, &url)?),
        (None, Some(path)) => KeyPlace::File(PathBuf::from(path)),
        (Some(_), Some(_)) => {
            return Err(raw.error(URL, format!("and `{FILE}` are both set"), "keep one of them"));
        }
        (None, None) => {
            return Err(raw.error(URL, "is missing", format!("set it, or set `{FILE}`")));
        }
    };
    let leeway = raw.number(LEEWAY)?.unwrap_or(USUAL_LEEWAY);
    if leeway > LONGEST_LEEWAY {
        let problem = format!("is more than {LONGEST_LEEWAY}");
        return Err(raw.error(LEEWAY, problem, "have the clocks set by a time service instead"));
    }
    Ok(Some(TrustedIssuer {
        issuer,
        audience,
        keys,
        algorithms: algorithms(raw)?,
        leeway: Duration::from_secs(leeway),
        clinic_claim: text("access.clinic_claim")?,
        device_claim: text("access.device_claim")?,
    }))
}

/// Whoever could change the keys on their way could sign tokens.
fn key_url(raw: &Raw, text: &str) -> Result<Url, ConfigError> {
    let mend = "write the https address of the keys, such as https://login.example/jwks.json";
    let url = http_url(text).map_err(|problem| raw.error(URL, problem, mend))?;
    if may_carry_credentials(&url, false) {
        return Ok(url);
    }
    Err(raw.error(URL, "is plain http to another machine", mend))
}

fn algorithms(raw: &Raw) -> Result<Vec<Algorithm>, ConfigError> {
    let names = raw.list(ALGORITHMS)?;
    if names.is_empty() {
        return Ok(KNOWN.iter().map(|(_, algorithm)| *algorithm).collect());
    }
    let mut algorithms = Vec::new();
    for name in names {
        let known = KNOWN.iter().find(|(known, _)| *known == name);
        let (_, algorithm) = known.ok_or_else(|| {
            raw.error(ALGORITHMS, format!("cannot hold \"{name}\""), "use ES256, ES384, RS256 or RS384")
        })?;
        algorithms.push(*algorithm);
    }
    Ok(algorithms)
}
