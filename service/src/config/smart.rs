//! The credentials of SMART Backend Services: who this service is there, and the key it signs with.

use jsonwebtoken::jwk::{Jwk, ThumbprintHash};
use jsonwebtoken::{Algorithm, EncodingKey};
use serde_json::{Value, json};
use url::Url;

use super::raw::Raw;
use super::record_system::{needed, plaintext};
use super::{ConfigError, http_url};

/// What conditional creates and updates, and looking for them, need (SMART scopes, version 2).
pub(super) const SCOPE: &str = "system/Observation.cus system/Condition.cus system/Procedure.cus \
                                system/RiskAssessment.cus system/ServiceRequest.cus system/Provenance.cus \
                                system/Patient.s";

/// Who this service is to the authorisation server of the record system.
#[derive(Debug)]
pub struct Smart {
    /// The id it was registered with.
    pub client_id: String,
    /// Where tokens are got; none when the record system names the place itself.
    pub token_url: Option<Url>,
    /// What is asked for.
    pub scope: String,
    /// What assertions are signed with.
    pub key: SigningKey,
}

/// A private key and its public half.
#[derive(Debug)]
pub struct SigningKey {
    /// ES384 or RS384.
    pub algorithm: Algorithm,
    /// Its id.
    pub id: String,
    /// For signing.
    pub encoding: EncodingKey,
    /// The public half as a JWK.
    pub public: Value,
}

pub(super) fn read(raw: &Raw, allow_plaintext: bool) -> Result<Smart, ConfigError> {
    let client_id =
        needed(raw, "record_system.client_id", "smart", "set the id that the service was registered with")?;
    let url_key = "record_system.token_url";
    let token_url = match raw.text(url_key)?.filter(|text| !text.is_empty()) {
        None => None,
        Some(text) => {
            let mend = "write the address of the token endpoint, such as https://records.example/token";
            let url = http_url(&text).map_err(|problem| raw.error(url_key, problem, mend))?;
            plaintext(raw, url_key, &url, allow_plaintext)?;
            Some(url)
        }
    };
    let scope = raw.text("record_system.scope")?.filter(|scope| !scope.is_empty());
    let path =
        needed(raw, "record_system.key_file", "smart", "name the file of the private key (PEM, PKCS #8)")?;
    let file_key = "record_system.key_file";
    let mend = "name a readable file with an unencrypted private key in PEM, PKCS #8: EC on P-384, or RSA of 2048 bits \
                or more";
    let pem = std::fs::read(&path).map_err(|error| {
        raw.error(file_key, format!("names {path}, which cannot be read ({error})"), mend)
    })?;
    let id = raw.text("record_system.key_id")?.filter(|id| !id.is_empty());
    let key = SigningKey::of(&pem, id).ok_or_else(|| {
        raw.error(file_key, format!("names {path}, which holds no key that can be used"), mend)
    })?;
    Ok(Smart { client_id, token_url, scope: scope.unwrap_or_else(|| SCOPE.to_owned()), key })
}

impl SigningKey {
    /// Reads a PEM, and signs once with it. Without an id the key is called by its thumbprint (RFC 7638).
    fn of(pem: &[u8], id: Option<String>) -> Option<SigningKey> {
        let (algorithm, encoding) = match EncodingKey::from_ec_pem(pem) {
            Ok(key) => (Algorithm::ES384, key),
            Err(_) => (Algorithm::RS384, EncodingKey::from_rsa_pem(pem).ok()?),
        };
        let jwk = Jwk::from_encoding_key(&encoding, algorithm).ok()?;
        let id = match id {
            Some(id) => id,
            None => jwk.thumbprint(ThumbprintHash::SHA256).ok()?,
        };
        jsonwebtoken::encode(&jsonwebtoken::Header::new(algorithm), &json!({}), &encoding).ok()?;
        let mut public = serde_json::to_value(&jwk).ok()?;
        let members = public.as_object_mut()?;
        members.insert("kid".to_owned(), json!(id));
        members.insert("use".to_owned(), json!("sig"));
        members.insert("key_ops".to_owned(), json!(["verify"]));
        Some(SigningKey { algorithm, id, encoding, public })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_p_384_key_signs_and_shows_its_public_half_only() {
        let pair = rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P384_SHA384).unwrap();
        let key = SigningKey::of(pair.serialize_pem().as_bytes(), None).unwrap();
        assert_eq!(key.algorithm, Algorithm::ES384);
        let names: Vec<&str> = key.public.as_object().unwrap().keys().map(String::as_str).collect();
        assert_eq!(key.public["crv"], "P-384", "{names:?}");
        assert!(!names.contains(&"d"), "{names:?}");
        assert_eq!(key.public["kid"], json!(key.id));
        let named = SigningKey::of(pair.serialize_pem().as_bytes(), Some("lane-1".into())).unwrap();
        assert_eq!(named.public["kid"], "lane-1");
    }

    #[test]
    fn other_curves_and_other_texts_are_refused() {
        let p256 = rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P256_SHA256).unwrap();
        assert!(SigningKey::of(p256.serialize_pem().as_bytes(), None).is_none());
        assert!(SigningKey::of(b"no key", None).is_none());
    }
}
