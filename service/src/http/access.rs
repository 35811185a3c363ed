//! Who asks, and whether they may.

use std::time::Duration;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{AUTHORIZATION, COOKIE};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage as _, HttpRequest, web};
use sha2::{Digest as _, Sha256};

use super::error::ApiError;
use super::negotiate::header;
use super::sessions::{Holder, Sessions};
use super::{State, pages};
use crate::clock::Clock;
use crate::config::{Access, Right, Token};
use crate::intake::hex;
use crate::store::{Store, StoreError};

/// The cookie of a signed-in page.
pub(super) const COOKIE_NAME: &str = "solewire_session";
/// A header that pages put on what they send. No other site can make a browser put it there without asking first.
const PAGE_HEADER: &str = "X-Solewire-Page";
const ALL_RIGHTS: [Right; 3] = [Right::Submit, Right::Read, Right::Operate];

/// Lets callers in: programs by their token, pages by the session that a token opened.
#[derive(Debug)]
pub struct Gate {
    access: Access,
    clock: Clock,
    sessions: Sessions,
}

impl Gate {
    /// A gate over the sessions of a store. `idle` is how long a session may go unused.
    #[must_use]
    pub fn new(access: Access, clock: Clock, idle: Duration, store: Store) -> Gate {
        Gate { access, clock, sessions: Sessions::new(idle, store) }
    }

    /// Whether callers need a token at all.
    pub(super) fn is_open(&self) -> bool {
        matches!(self.access, Access::Open)
    }

    /// Signs a page in; gives the id of the session and whose it is.
    pub(super) async fn sign_in(&self, token: &str) -> Result<(String, Holder), ApiError> {
        let holder = match &self.access {
            Access::Open => return Err(ApiError::NotFound("No token is needed here.")),
            Access::Tokens(tokens) => holder(tokens, token)?,
        };
        let id = self.sessions.open(hex(&hash(token)), self.clock.now_ms()).await?;
        Ok((id, holder))
    }

    /// Ends the session of a request, if it has one.
    pub(super) async fn sign_out(&self, request: &HttpRequest) -> Result<(), ApiError> {
        from_a_page(request)?;
        if let Some(id) = session_id(request) {
            self.sessions.end(id).await?;
        }
        Ok(())
    }

    /// Whose session a cookie belongs to, if it holds and its token does.
    async fn signed_in(&self, cookie: &str) -> Result<Option<Holder>, StoreError> {
        let Access::Tokens(tokens) = &self.access else { return Ok(None) };
        let credential = self.sessions.credential(cookie, self.clock.now_ms()).await?;
        Ok(credential.and_then(|credential| {
            tokens.iter().find(|known| hex(&known.hash) == credential).map(Holder::of)
        }))
    }

    /// Who asks.
    pub(super) fn holder(&self, request: &HttpRequest) -> Result<Holder, ApiError> {
        let tokens = match &self.access {
            Access::Open => {
                // Without a token to know programs by, what another site makes a browser send is told by the browser.
                if !request.method().is_safe() && sent_by_another_site(request) {
                    return Err(ApiError::OtherSite);
                }
                return Ok(Holder { caller: "anyone".to_owned(), rights: ALL_RIGHTS.to_vec() });
            }
            Access::Tokens(tokens) => tokens,
        };
        if let Some(text) = header(request, AUTHORIZATION) {
            let (scheme, token) = text.split_once(' ').ok_or(ApiError::Login)?;
            if !scheme.eq_ignore_ascii_case("bearer") {
                return Err(ApiError::Login);
            }
            return holder(tokens, token);
        }
        session_id(request).ok_or(ApiError::Login)?;
        if !request.method().is_safe() {
            from_a_page(request)?;
        }
        let extensions = request.extensions();
        let SignedIn(found) = extensions.get::<SignedIn>().ok_or(ApiError::Login)?;
        found.clone()?.ok_or(ApiError::Login)
    }
}

/// What the store says about the session of a request.
struct SignedIn(Result<Option<Holder>, StoreError>);

/// Middleware: looks the session of a request up, so that handlers need not wait for it. A session is told by its cookie,
/// which a token of the request's own goes before. The files of the pages are for everybody and keep no session open.
pub(crate) async fn recognise(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let state = request.app_data::<web::Data<State>>().cloned();
    let cookie = session_id(request.request()).map(str::to_owned);
    if let (Some(state), Some(cookie)) = (state, cookie)
        && !request.headers().contains_key(AUTHORIZATION)
        && !pages::is_file(request.path())
    {
        let found = state.access.signed_in(&cookie).await;
        request.extensions_mut().insert(SignedIn(found));
    }
    next.call(request).await
}

fn hash(token: &str) -> [u8; 32] {
    Sha256::digest(token.trim().as_bytes()).into()
}

/// The name under which a caller's idempotency keys and actions are kept: a part of the token's hash, or `anyone`.
pub(super) fn require(gate: &Gate, request: &HttpRequest, right: Right) -> Result<String, ApiError> {
    let holder = gate.holder(request)?;
    if !holder.rights.contains(&right) {
        return Err(ApiError::Right(right));
    }
    Ok(holder.caller)
}

fn holder(tokens: &[Token], token: &str) -> Result<Holder, ApiError> {
    // Hashes are compared, not tokens: how long a comparison takes tells nothing about the token.
    let hash = hash(token);
    tokens.iter().find(|known| known.hash == hash).map(Holder::of).ok_or(ApiError::Login)
}

impl Holder {
    fn of(token: &Token) -> Holder {
        let (name, _) = token.hash.split_at(6);
        Holder { caller: hex(name), rights: token.rights.clone() }
    }
}

/// What a page sends carries our header and comes from our own origin.
pub(super) fn from_a_page(request: &HttpRequest) -> Result<(), ApiError> {
    if header(request, PAGE_HEADER).is_none() || sent_by_another_site(request) {
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
