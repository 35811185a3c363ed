//! Bearer tokens that were made here, known by their hashes.

use super::audit::Chain as _;
use super::database::{reading, transaction};
use super::{Store, StoreError};
use crate::audit::{AuditAction, AuditEvent};

/// A token to be kept.
#[derive(Debug, Clone)]
pub struct NewToken {
    /// What it is called by, drawn at random; no part of the token.
    pub id: String,
    /// Who holds it, in the words of whoever made it.
    pub name: String,
    /// SHA-256 of the token, in hex.
    pub hash: String,
    /// What it allows: words separated by spaces.
    pub rights: String,
    /// The clinic of its holder.
    pub clinic: Option<String>,
    /// The device that holds it.
    pub device: Option<String>,
    /// Until when it holds, in milliseconds since 1970; none for good.
    pub expires: Option<i64>,
}

/// A kept token.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct StoredToken {
    /// What it is called by.
    pub id: String,
    /// Who holds it.
    pub name: String,
    /// SHA-256 of the token, in hex.
    pub hash: String,
    /// What it allows: words separated by spaces.
    pub rights: String,
    /// The clinic of its holder.
    pub clinic: Option<String>,
    /// The device that holds it.
    pub device: Option<String>,
    /// When it was made, in milliseconds since 1970.
    pub created: i64,
    /// Until when it holds; none for good.
    pub expires: Option<i64>,
    /// When it was taken back.
    pub revoked: Option<i64>,
}

/// What came of taking a token back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Revoked {
    /// It holds no longer.
    Now,
    /// It had been taken back before.
    Before,
    /// No token is called so.
    Unknown,
}

/// Tokens are made and taken back from the command line, by whoever may read the settings.
fn about(action: AuditAction, id: &str) -> AuditEvent {
    AuditEvent { token: Some(id.to_owned()), ..AuditEvent::of(action, Some("command line")) }
}

impl Store {
    /// Keeps a new token.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn keep_token(&self, token: &NewToken, now: i64) -> Result<(), StoreError> {
        transaction!(self, transaction => {
            sqlx::query(
                "INSERT INTO tokens (id, name, hash, rights, clinic, device, created, expires)
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
            )
            .bind(&token.id)
            .bind(&token.name)
            .bind(&token.hash)
            .bind(&token.rights)
            .bind(&token.clinic)
            .bind(&token.device)
            .bind(now)
            .bind(token.expires)
            .execute(&mut *transaction)
            .await?;
            let clinic = token.clinic.as_deref().unwrap_or_default();
            transaction.append(&[about(AuditAction::TokenMade, &token.id)], clinic, now).await?;
            transaction.commit().await?;
            Ok(())
        })
    }

    /// All tokens, the oldest first, with those that hold no longer.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn tokens(&self) -> Result<Vec<StoredToken>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(
                "SELECT id, name, hash, rights, clinic, device, created, expires, revoked FROM tokens
                 ORDER BY created, id",
            )
            .fetch_all(connection)
            .await?
        }))
    }

    /// Takes a token back.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn revoke_token(&self, id: &str, now: i64) -> Result<Revoked, StoreError> {
        let changed: Result<bool, StoreError> = transaction!(self, transaction => {
            let clinic: Option<Option<String>> = sqlx::query_scalar(
                "UPDATE tokens SET revoked = $2 WHERE id = $1 AND revoked IS NULL RETURNING clinic",
            )
            .bind(id)
            .bind(now)
            .fetch_optional(&mut *transaction)
            .await?;
            if let Some(clinic) = &clinic {
                let clinic = clinic.as_deref().unwrap_or_default();
                transaction.append(&[about(AuditAction::TokenRevoked, id)], clinic, now).await?;
            }
            transaction.commit().await?;
            Ok(clinic.is_some())
        });
        if changed? {
            return Ok(Revoked::Now);
        }
        let known = self.tokens().await?.iter().any(|token| token.id == id);
        Ok(if known { Revoked::Before } else { Revoked::Unknown })
    }
}
