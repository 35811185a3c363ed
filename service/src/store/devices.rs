//! How much each device sent, and which exams without a panel have gone quiet.

use solewire_profiles::ExamKey;

use super::database::reading;
use super::{Store, StoreError};

/// New or changed results of one device in one commit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceResults {
    /// Its id in the settings.
    pub device: String,
    /// The day (UTC), counted from 1970.
    pub day: i64,
    /// How many.
    pub results: i64,
    /// How many that day may have.
    pub most: i64,
}

impl Store {
    /// How many results were taken of a device on a day.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn device_results(&self, device: &str, day: i64) -> Result<i64, StoreError> {
        reading!(self, connection => {
            let sql = "SELECT results FROM device_days WHERE device = $1 AND day = $2";
            let found: Option<i64> =
                sqlx::query_scalar(sql).bind(device).bind(day).fetch_optional(&mut *connection).await?;
            Ok(found.unwrap_or_default())
        })
    }

    /// Exams without a panel that are open and did not change since an instant (milliseconds since 1970), the longest
    /// quiet first, each with its version.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn quiet_exams(&self, since: i64, most: i64) -> Result<Vec<(ExamKey, i64)>, StoreError> {
        reading!(self, connection => {
            let rows: Vec<(String, i64)> = sqlx::query_as(
                "SELECT key, version FROM exams
                 WHERE panel_identifier IS NULL AND closed IS NULL AND updated <= $1
                 ORDER BY updated, key LIMIT $2",
            )
            .bind(since)
            .bind(most)
            .fetch_all(&mut *connection)
            .await?;
            Ok(rows.into_iter().map(|(key, version)| (ExamKey(key), version)).collect())
        })
    }
}
