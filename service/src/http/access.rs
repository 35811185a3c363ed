//! Who asks, and whether they may.

use actix_web::HttpRequest;
use actix_web::http::header::AUTHORIZATION;
use sha2::{Digest as _, Sha256};

use super::error::ApiError;
use super::negotiate::header;
use crate::config::{Access, Right};
use crate::intake::hex;

/// The name under which a caller's idempotency keys and actions are kept: a part of the token's hash, or `anyone`.
pub(super) fn require(access: &Access, request: &HttpRequest, right: Right) -> Result<String, ApiError> {
    let tokens = match access {
        Access::Open => return Ok("anyone".to_owned()),
        Access::Tokens(tokens) => tokens,
    };
    let (scheme, token) =
        header(request, AUTHORIZATION).and_then(|text| text.split_once(' ')).ok_or(ApiError::Login)?;
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(ApiError::Login);
    }
    // Hashes are compared, not tokens: how long a comparison takes tells nothing about the token.
    let hash: [u8; 32] = Sha256::digest(token.trim().as_bytes()).into();
    let known = tokens.iter().find(|known| known.hash == hash).ok_or(ApiError::Login)?;
    if !known.rights.contains(&right) {
        return Err(ApiError::Right(right));
    }
    let (name, _) = hash.split_at(6);
    Ok(hex(name))
}
