//! Answers kept under the keys that callers gave (IETF draft-ietf-httpapi-idempotency-key-header).

use super::database::reading;
use super::{Store, StoreError};

/// An answer to be kept.
#[derive(Debug, Clone)]
pub struct KeyedAnswer {
    /// The caller's key.
    pub key: String,
    /// Whose key it is; two callers may use the same.
    pub caller: String,
    /// SHA-256 of the body, in hex.
    pub body_hash: String,
    /// The answer.
    pub answer: String,
}

/// What is known about a key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KeyUse {
    /// Never seen.
    Fresh,
    /// Seen with the same body; the answer of then.
    Answered(String),
    /// Seen with another body.
    OtherBody,
}

impl Store {
    /// What is known about a caller's key.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn key_use(&self, key: &str, caller: &str, body_hash: &str) -> Result<KeyUse, StoreError> {
        let row: Option<(String, String)> = reading!(self, connection => {
            sqlx::query_as("SELECT body_hash, answer FROM idempotency WHERE key = $1 AND caller = $2")
                .bind(key)
                .bind(caller)
                .fetch_optional(connection)
                .await?
        });
        Ok(match row {
            None => KeyUse::Fresh,
            Some((stored, answer)) if stored == body_hash => KeyUse::Answered(answer),
            Some(_) => KeyUse::OtherBody,
        })
    }
}
