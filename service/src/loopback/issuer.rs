//! An authorisation server beside the record system, for backend services (HL7 SMART App Launch 2.2): it gives short-lived
//! tokens for assertions that it really checks.

use std::collections::HashSet;

use jiff::Timestamp;
use jsonwebtoken::jwk::JwkSet;
use jsonwebtoken::{Algorithm, DecodingKey, Validation};
use serde_json::{Value, json};

use super::script::Answer;

const ASSERTION_TYPE: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
/// An assertion may hold for so many seconds.
const LONGEST_ASSERTION: i64 = 300;

/// Who may get tokens, and which ones hold.
#[derive(Debug, Default)]
pub(super) struct Issuer {
    client_id: String,
    keys: Option<JwkSet>,
    lifetime: u64,
    requests: usize,
    seen: HashSet<String>,
    valid: HashSet<String>,
}

impl Issuer {
    /// Gives tokens that hold for so many seconds to one client, known by its keys.
    pub(super) fn of(client_id: &str, keys: JwkSet, lifetime: u64) -> Issuer {
        Issuer { client_id: client_id.to_owned(), keys: Some(keys), lifetime, ..Issuer::default() }
    }

    /// How often somebody asked.
    pub(super) fn requests(&self) -> usize {
        self.requests
    }

    /// Whether the header `Authorization` carries a token that holds.
    pub(super) fn admits(&self, authorization: Option<&str>) -> bool {
        let token = authorization.and_then(|value| value.strip_prefix("Bearer "));
        token.is_some_and(|token| self.valid.contains(token))
    }

    /// Takes every token back.
    pub(super) fn expire(&mut self) {
        self.valid.clear();
    }

    /// Answers a request for a token.
    pub(super) fn answer(&mut self, form: &[u8], endpoint: &str) -> Answer {
        self.requests += 1;
        match self.check(form, endpoint) {
            Ok(scope) => {
                let token = format!("token-{}", self.requests);
                self.valid.insert(token.clone());
                Answer::status(200).header("cache-control", "no-store").json(&json!({
                    "access_token": token, "token_type": "bearer", "expires_in": self.lifetime, "scope": scope
                }))
            }
            Err(reason) => Answer::status(400).json(&json!({ "error": reason })),
        }
    }

    fn check(&mut self, form: &[u8], endpoint: &str) -> Result<String, &'static str> {
        let fields: Vec<(String, String)> = url::form_urlencoded::parse(form)
            .map(|(name, value)| (name.into_owned(), value.into_owned()))
            .collect();
        let field = |wanted: &str| {
            let mut found = fields.iter().filter(|(name, _)| name == wanted).map(|(_, value)| value.as_str());
            match (found.next(), found.next()) {
                (Some(value), None) => Ok(value),
                _ => Err("invalid_request"),
            }
        };
        if field("grant_type")? != "client_credentials" {
            return Err("unsupported_grant_type");
        }
        if field("client_assertion_type")? != ASSERTION_TYPE {
            return Err("invalid_request");
        }
        let scope = field("scope")?.to_owned();
        if !scope.split(' ').all(|scope| scope.starts_with("system/")) {
            return Err("invalid_scope");
        }
        self.check_assertion(field("client_assertion")?, endpoint).ok_or("invalid_client")?;
        Ok(scope)
    }

    fn check_assertion(&mut self, assertion: &str, endpoint: &str) -> Option<()> {
        let header = jsonwebtoken::decode_header(assertion).ok()?;
        let algorithm =
            Some(header.alg).filter(|name| matches!(name, Algorithm::ES384 | Algorithm::RS384))?;
        let key = self.keys.as_ref()?.find(header.kid.as_deref()?)?;
        let mut validation = Validation::new(algorithm);
        validation.set_audience(&[endpoint]);
        validation.set_issuer(&[&self.client_id]);
        validation.set_required_spec_claims(&["iss", "sub", "aud", "exp"]);
        validation.leeway = 0;
        let key = DecodingKey::from_jwk(key).ok()?;
        let claims: Value = jsonwebtoken::decode(assertion, &key, &validation).ok()?.claims;
        let expires = claims.get("exp")?.as_i64()?;
        let own_subject = claims.get("sub")?.as_str()? == self.client_id;
        let in_time = expires - Timestamp::now().as_second() <= LONGEST_ASSERTION;
        let new = self.seen.insert(claims.get("jti")?.as_str()?.to_owned());
        (own_subject && in_time && new).then_some(())
    }
}
