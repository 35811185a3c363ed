//! Who is signed in at a page. In the store, so that a session outlives a restart and is known to every process that
//! shares the store.

use super::database::{reading, transaction, writing};
use super::{Store, StoreError};

/// A session of a signed-in page. Instants are milliseconds since 1970.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct PageSession {
    /// What opened it, as `http/sessions.rs` writes it: it holds no secret.
    pub credential: String,
    /// When it was opened.
    pub opened: i64,
    /// When it was last used.
    pub used: i64,
}

impl Store {
    /// Keeps a new session under the hash of its cookie. What was last used before `stale` or opened before `oldest` is
    /// removed with it, and so are the least used beyond `most`.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn open_page_session(
        &self,
        id: &str,
        session: &PageSession,
        (stale, oldest): (i64, i64),
        most: u32,
    ) -> Result<(), StoreError> {
        transaction!(self, transaction => {
            sqlx::query(
                "DELETE FROM page_sessions WHERE used < $1 OR opened < $2 OR id IN (
                    SELECT id FROM page_sessions ORDER BY used DESC, id LIMIT $3 OFFSET $4)",
            )
            .bind(stale)
            .bind(oldest)
            .bind(i64::from(most))
            .bind(i64::from(most).saturating_sub(1))
            .execute(&mut *transaction)
            .await?;
            sqlx::query("INSERT INTO page_sessions (id, credential, opened, used) VALUES ($1, $2, $3, $4)")
                .bind(id)
                .bind(&session.credential)
                .bind(session.opened)
                .bind(session.used)
                .execute(&mut *transaction)
                .await?;
            transaction.commit().await?;
            Ok(())
        })
    }

    /// The session under the hash of a cookie.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn page_session(&self, id: &str) -> Result<Option<PageSession>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as("SELECT credential, opened, used FROM page_sessions WHERE id = $1")
                .bind(id)
                .fetch_optional(connection)
                .await?
        }))
    }

    /// Notes that a session was used.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn use_page_session(&self, id: &str, now: i64) -> Result<(), StoreError> {
        writing!(self, connection => sqlx::query("UPDATE page_sessions SET used = $2 WHERE id = $1")
            .bind(id)
            .bind(now)
            .execute(connection)
            .await?
            .rows_affected());
        Ok(())
    }

    /// Ends a session.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn end_page_session(&self, id: &str) -> Result<(), StoreError> {
        writing!(self, connection => sqlx::query("DELETE FROM page_sessions WHERE id = $1")
            .bind(id)
            .execute(connection)
            .await?
            .rows_affected());
        Ok(())
    }
}
