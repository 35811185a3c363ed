//! Bearer tokens that were made here, known by their hashes.

use super::database::{reading, writing};
use super::{Store, StoreError};

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

impl Store {
    /// Keeps a new token.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn keep_token(&self, token: &NewToken, now: i64) -> Result<(), StoreError> {
        writing!(self, connection => sqlx::query(
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
        .execute(connection)
        .await?
        .rows_affected());
        Ok(())
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
        let changed = writing!(self, connection => sqlx::query(
            "UPDATE tokens SET revoked = $2 WHERE id = $1 AND revoked IS NULL",
        )
        .bind(id)
        .bind(now)
        .execute(connection)
        .await?
        .rows_affected());
        if changed > 0 {
            return Ok(Revoked::Now);
        }
        let known = self.tokens().await?.iter().any(|token| token.id == id);
        Ok(if known { Revoked::Before } else { Revoked::Unknown })
    }
}
