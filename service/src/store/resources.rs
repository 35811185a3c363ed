//! Reading resources back.

use sqlx::Row as _;
use sqlx::sqlite::SqliteRow;

use super::{Store, StoreError, TokenMatch};

/// One version of a resource.
#[derive(Debug, Clone)]
pub struct Version {
    /// Its type.
    pub resource_type: String,
    /// Its id.
    pub id: String,
    /// Its number, from 1.
    pub version: i64,
    /// When it was stored, in milliseconds since 1970.
    pub updated: i64,
    /// Whether it was derived here.
    pub derived: bool,
    /// Its body as stored.
    pub text: String,
}

impl Version {
    pub(super) const COLUMNS: &'static str = "type, id, version, updated, derived, body";

    pub(super) fn from_row(row: &SqliteRow) -> Result<Version, StoreError> {
        Ok(Version {
            resource_type: row.try_get("type")?,
            id: row.try_get("id")?,
            version: row.try_get("version")?,
            updated: row.try_get("updated")?,
            derived: row.try_get("derived")?,
            text: row.try_get("body")?,
        })
    }
}

impl Store {
    /// The current version of a resource.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn read(&self, resource_type: &str, id: &str) -> Result<Option<Version>, StoreError> {
        let row = sqlx::query(
            "SELECT type, id, version, updated, derived, body FROM resources
             WHERE type = ? AND id = ? AND current = 1",
        )
        .bind(resource_type)
        .bind(id)
        .fetch_optional(&self.readers)
        .await?;
        row.as_ref().map(Version::from_row).transpose()
    }

    /// Every version of a resource, the newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn history(&self, resource_type: &str, id: &str) -> Result<Vec<Version>, StoreError> {
        let rows = sqlx::query(
            "SELECT type, id, version, updated, derived, body FROM resources
             WHERE type = ? AND id = ? ORDER BY version DESC",
        )
        .bind(resource_type)
        .bind(id)
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(Version::from_row).collect()
    }

    /// The current resources of a type with an identifier; two at most, which is enough to tell one from several.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn with_identifier(
        &self,
        resource_type: &str,
        identifier: &TokenMatch,
    ) -> Result<Vec<Version>, StoreError> {
        let rows = sqlx::query(
            "SELECT DISTINCT type, id, version, updated, derived, body
             FROM resources JOIN search_values ON resource = row
             WHERE name = 'identifier' AND type = ? AND value = ? AND system = ? LIMIT 2",
        )
        .bind(resource_type)
        .bind(identifier.value.as_deref().unwrap_or_default())
        .bind(identifier.system.as_deref().unwrap_or_default())
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(Version::from_row).collect()
    }
}
