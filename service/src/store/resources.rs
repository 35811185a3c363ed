//! Reading resources back.

use super::database::{reading, snapshot};
use super::{Store, StoreError, TokenMatch, column};
use crate::clinic::{Clinic, Reach};

/// One version of a resource.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Version {
    /// Its type.
    #[sqlx(rename = "type")]
    pub resource_type: String,
    /// Its id.
    pub id: String,
    /// Its number, from 1.
    pub version: i64,
    /// When it was stored, in milliseconds since 1970.
    pub updated: i64,
    /// Whether it was derived here.
    pub derived: bool,
    /// Its body as stored; empty once it was superseded and purged.
    #[sqlx(rename = "body")]
    pub text: String,
}

impl Version {
    /// Whether it was superseded and then purged.
    #[must_use]
    pub fn is_purged(&self) -> bool {
        self.text.is_empty()
    }

    pub(super) const COLUMNS: &'static str = "type, id, version, updated, derived = 1 AS derived, body";
}

impl Store {
    /// The current version of a resource, if it is within reach.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn read(
        &self,
        resource_type: &str,
        id: &str,
        reach: &Reach,
    ) -> Result<Option<Version>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(
                "SELECT type, id, version, updated, derived = 1 AS derived, body FROM resources
                 WHERE type = $1 AND id = $2 AND current = 1 AND ($3 IS NULL OR clinic = $3)",
            )
            .bind(resource_type)
            .bind(id)
            .bind(reach.only())
            .fetch_optional(connection)
            .await?
        }))
    }

    /// One version of a resource, current or not, if it is within reach.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn version(
        &self,
        resource_type: &str,
        id: &str,
        version: i64,
        reach: &Reach,
    ) -> Result<Option<Version>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(
                "SELECT type, id, version, updated, derived = 1 AS derived, body FROM resources
                 WHERE type = $1 AND id = $2 AND version = $4 AND ($3 IS NULL OR clinic = $3)",
            )
            .bind(resource_type)
            .bind(id)
            .bind(reach.only())
            .bind(version)
            .fetch_optional(connection)
            .await?
        }))
    }

    /// Up to `limit` versions of a resource, the newest of those before version `before` first; none when it is out of
    /// reach. Before them the number of all its versions.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn history(
        &self,
        resource_type: &str,
        id: &str,
        reach: &Reach,
        before: i64,
        limit: u32,
    ) -> Result<(u64, Vec<Version>), StoreError> {
        snapshot!(self, connection => {
            let total: i64 = sqlx::query_scalar(
                "SELECT count(*) FROM resources WHERE type = $1 AND id = $2 AND ($3 IS NULL OR clinic = $3)",
            )
            .bind(resource_type)
            .bind(id)
            .bind(reach.only())
            .fetch_one(&mut *connection)
            .await?;
            let page = sqlx::query_as(
                "SELECT type, id, version, updated, derived = 1 AS derived, body FROM resources
                 WHERE type = $1 AND id = $2 AND ($3 IS NULL OR clinic = $3) AND version < $4
                 ORDER BY version DESC LIMIT $5",
            )
            .bind(resource_type)
            .bind(id)
            .bind(reach.only())
            .bind(before)
            .bind(i64::from(limit))
            .fetch_all(&mut *connection)
            .await?;
            Ok((u64::try_from(total).unwrap_or(0), page))
        })
    }

    /// The current resources of a type with an identifier, of one clinic or of none; two at most, which is enough to tell
    /// one from several.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn with_identifier(
        &self,
        resource_type: &str,
        identifier: &TokenMatch,
        clinic: Option<&Clinic>,
    ) -> Result<Vec<Version>, StoreError> {
        Ok(reading!(self, connection => {
            sqlx::query_as(
                "SELECT DISTINCT type, id, version, updated, derived = 1 AS derived, body
                 FROM resources JOIN search_values ON resource = row
                 WHERE name = 'identifier' AND type = $1 AND value = $2 AND system = $3 AND clinic = $4 LIMIT 2",
            )
            .bind(resource_type)
            .bind(identifier.value.as_deref().unwrap_or_default())
            .bind(identifier.system.as_deref().unwrap_or_default())
            .bind(column(clinic))
            .fetch_all(connection)
            .await?
        }))
    }
}
