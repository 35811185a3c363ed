//! Who asks, and whether they may.

use std::sync::Arc;
use std::time::{Duration, Instant};

use actix_web::HttpRequest;
use actix_web::http::header::{AUTHORIZATION, COOKIE};
use sha2::{Digest as _, Sha256};

use super::error::ApiError;
use super::negotiate::header;
use super::sessions::{Proof, Sessions};
use crate::access::{Caller, Denials, Issuer, Known, Limits, NotTaken, PeerCertificate, Types};
use crate::clock::Clock;
use crate::config::{Access, Callers, Right, Sha256Hash, Token};
use crate::intake::hex;
use crate::store::Store;

/// The cookie of a signed-in page.
pub(super) const COOKIE_NAME: &str = "solewire_session";
/// A header that pages put on what they send. No other site can make a browser put it there without asking first.
const PAGE_HEADER: &str = "X-Solewire-Page";
const ALL_RIGHTS: [Right; 3] = [Right::Submit, Right::Read, Right::Operate];

/// Lets callers in: programs by their token or their certificate, pages by the session that a token opened.
#[derive(Debug)]
pub struct Gate {
    access: Access,
    stored: Known,
    issuer: Option<Arc<Issuer>>,
    limits: Option<Limits>,
    denials: Option<Denials>,
    clock: Clock,
    sessions: Sessions,
}

/// What a request needs of its caller.
#[derive(Debug, Clone, Copy)]
pub(super) enum Need<'t> {
    /// To be known; the rights are looked at later, entry by entry.
    Known,
    /// A right, in full.
    Right(Right),
    /// Reading resources of one type.
    Reading(&'t str),
}

impl Need<'_> {
    fn met_by(self, caller: &Caller) -> Result<(), ApiError> {
        match self {
            Need::Known => Ok(()),
            Need::Right(right) if caller.may(right) => Ok(()),
            Need::Right(right) => Err(ApiError::Right(right)),
            Need::Reading(resource_type) if caller.may_read(resource_type) => Ok(()),
            Need::Reading(_) => Err(ApiError::Right(Right::Read)),
        }
    }
}

impl Gate {
    /// A gate over the sessions of a store that knows the callers of the settings alone. `idle` is how long a session may
    /// go unused.
    #[must_use]
    pub fn new(access: Access, clock: Clock, idle: Duration, store: Store) -> Gate {
        let limits = match &access {
            Access::Open => None,
            Access::Tokens(callers) => callers.requests_per_minute.map(Limits::of),
        };
        Gate {
            access,
            stored: Known::none(),
            issuer: None,
            limits,
            denials: None,
            clock,
            sessions: Sessions::new(idle, store),
        }
    }

    /// The same gate, which also knows the tokens of the store and those that an issuer signs.
    #[must_use]
    pub(crate) fn knowing(self, stored: Known, issuer: Option<Arc<Issuer>>) -> Gate {
        Gate { stored, issuer, ..self }
    }

    /// The same gate, which keeps in the audit whom it turned away.
    #[must_use]
    pub(crate) fn noting(self, store: Store) -> Gate {
        Gate { denials: Some(Denials::kept_in(store)), ..self }
    }

    /// Keeps that somebody was turned away. Turned away they are in any case.
    async fn note(&self, caller: Option<&Caller>, error: &ApiError) {
        let denied =
            matches!(error, ApiError::Login | ApiError::BadToken | ApiError::Right(_) | ApiError::OtherSite);
        if let Some(denials) = self.denials.as_ref().filter(|_| denied) {
            denials.note(caller, &error.to_string(), self.clock.now_ms()).await;
        }
    }

    /// Whether callers need a token at all.
    pub(super) fn is_open(&self) -> bool {
        matches!(self.access, Access::Open)
    }

    /// Signs a page in; gives the id of the session and whose it is.
    pub(super) async fn sign_in(&self, token: &str) -> Result<(String, Caller), ApiError> {
        let callers = match &self.access {
            Access::Open => return Err(ApiError::NotFound("No token is needed here.")),
            Access::Tokens(callers) => callers,
        };
        let (caller, proof) = match self.bearer(callers, token).await {
            Ok(known) => known,
            Err(error) => {
                self.note(None, &error).await;
                return Err(error);
            }
        };
        Ok((self.sessions.open(&proof, self.clock.now_ms()).await?, caller))
    }

    /// Ends the session of a request, if it has one.
    pub(super) async fn sign_out(&self, request: &HttpRequest) -> Result<(), ApiError> {
        from_a_page(request)?;
        if let Some(id) = session_id(request) {
            self.sessions.end(id).await?;
        }
        Ok(())
    }

    /// Who asks.
    pub(super) async fn caller(&self, request: &HttpRequest) -> Result<Caller, ApiError> {
        let callers = match &self.access {
            Access::Open => {
                // Without a token to know programs by, what another site makes a browser send is told by the browser.
                not_made_by_another_site(request)?;
                let rights = ALL_RIGHTS.to_vec();
                let name = "anyone".to_owned();
                return Ok(Caller { name, rights, types: Types::All, clinic: None, device: None });
            }
            Access::Tokens(callers) => callers,
        };
        if let Some(text) = header(request, AUTHORIZATION) {
            let (scheme, token) = text.split_once(' ').ok_or(ApiError::BadToken)?;
            if !scheme.eq_ignore_ascii_case("bearer") {
                return Err(ApiError::BadToken);
            }
            return Ok(self.bearer(callers, token).await?.0);
        }
        if let Some(id) = session_id(request) {
            if !request.method().is_safe() {
                from_a_page(request)?;
            }
            let proof = self.sessions.proof(id, self.clock.now_ms()).await?.ok_or(ApiError::Login)?;
            return self.proven(callers, proof);
        }
        let certificate = request.conn_data::<PeerCertificate>().ok_or(ApiError::Login)?;
        let known = listed(&callers.certificates, &certificate.fingerprint).ok_or(ApiError::Login)?;
        // A browser shows its certificate to whatever another site makes it send.
        not_made_by_another_site(request)?;
        Ok(known)
    }

    /// Whose token it is. Hashes are compared, not tokens: how long a comparison takes tells nothing about the token.
    async fn bearer(&self, callers: &Callers, token: &str) -> Result<(Caller, Proof), ApiError> {
        let token = token.trim();
        if let Some(issuer) = self.issuer.as_ref().filter(|_| token.split('.').count() == 3) {
            let (caller, expires) = issuer.caller(token).await.map_err(|reason| match reason {
                NotTaken::Bad => ApiError::BadToken,
                NotTaken::NoKeys => ApiError::Issuer,
            })?;
            let until = expires.saturating_mul(1000);
            return Ok((caller.clone(), Proof::Signed { caller, until }));
        }
        let hash = Sha256::digest(token.as_bytes()).into();
        Ok((self.holder(callers, &hash).ok_or(ApiError::BadToken)?, Proof::Token(hash)))
    }

    /// Whose session it is: a token that was taken back, or has ended, ends the sessions that it opened.
    fn proven(&self, callers: &Callers, proof: Proof) -> Result<Caller, ApiError> {
        match proof {
            Proof::Token(hash) => self.holder(callers, &hash),
            Proof::Signed { caller, until } => Some(caller).filter(|_| self.clock.now_ms() < until),
        }
        .ok_or(ApiError::Login)
    }

    fn holder(&self, callers: &Callers, hash: &Sha256Hash) -> Option<Caller> {
        listed(&callers.tokens, hash).or_else(|| self.stored.caller(hash, self.clock.now_ms()))
    }

    /// The one place where a request is let through or turned away.
    async fn decide(&self, request: &HttpRequest, need: Need<'_>) -> Result<Caller, ApiError> {
        let caller = match self.caller(request).await {
            Ok(caller) => caller,
            Err(error) => {
                self.note(None, &error).await;
                return Err(error);
            }
        };
        if let Some(limits) = &self.limits {
            let taken = limits.take(&caller.owner_of_keys(), Instant::now());
            taken.map_err(|seconds| ApiError::TooMany { seconds })?;
        }
        if let Err(error) = need.met_by(&caller) {
            self.note(Some(&caller), &error).await;
            return Err(error);
        }
        Ok(caller)
    }
}

/// Who asks, when they may.
pub(super) async fn require(gate: &Gate, request: &HttpRequest, right: Right) -> Result<Caller, ApiError> {
    gate.decide(request, Need::Right(right)).await
}

/// Who asks, whatever they may do.
pub(super) async fn require_known(gate: &Gate, request: &HttpRequest) -> Result<Caller, ApiError> {
    gate.decide(request, Need::Known).await
}

/// Who asks, when they may read resources of this type.
pub(super) async fn require_reading(
    gate: &Gate,
    request: &HttpRequest,
    resource_type: &str,
) -> Result<Caller, ApiError> {
    gate.decide(request, Need::Reading(resource_type)).await
}

/// The caller of the settings with this hash, called by a part of it.
fn listed(known: &[Token], hash: &Sha256Hash) -> Option<Caller> {
    let known = known.iter().find(|known| known.hash == *hash)?;
    let (name, _) = hash.split_at(6);
    Some(Caller {
        name: hex(name),
        rights: known.rights.clone(),
        types: Types::All,
        clinic: known.clinic.clone(),
        device: known.device.clone(),
    })
}

/// What a page sends carries our header and comes from our own origin.
pub(super) fn from_a_page(request: &HttpRequest) -> Result<(), ApiError> {
    if header(request, PAGE_HEADER).is_none() || sent_by_another_site(request) {
        return Err(ApiError::OtherSite);
    }
    Ok(())
}

fn not_made_by_another_site(request: &HttpRequest) -> Result<(), ApiError> {
    if !request.method().is_safe() && sent_by_another_site(request) {
        return Err(ApiError::OtherSite);
    }
    Ok(())
}

/// What the browser says about who made it send the request (W3C Fetch Metadata). Programs say nothing.
fn sent_by_another_site(request: &HttpRequest) -> bool {
    header(request, "Sec-Fetch-Site").is_some_and(|site| !matches!(site, "same-origin" | "none"))
}

fn session_id(request: &HttpRequest) -> Option<&str> {
    let cookies = request.headers().get_all(COOKIE).filter_map(|value| value.to_str().ok());
    let mut pairs = cookies.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE_NAME).map(|(_, id)| id)
}
