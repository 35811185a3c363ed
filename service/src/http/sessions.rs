//! Who is signed in at a page. Kept in the store, so that a session outlives a restart and every process that shares the
//! store knows it. What a session allows is asked of the token that opened it each time: it ends with the token.

use std::time::Duration;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use crate::access::Caller;
use crate::config::Sha256Hash;
use crate::intake::hex;
use crate::store::{PageSession, Store, StoreError};

/// How long a session lasts however busy it is: a long working day (common practice, no source).
const LONGEST: Duration = Duration::from_secs(12 * 60 * 60);
/// More than any clinic has people; what keeps the store bounded.
const MOST: u32 = 10_000;
/// Use is noted again after this part of the idle time, so that not every request writes. A session may end so much
/// early.
const NOTED_PARTS: u32 = 60;

/// What opened a session. It is looked at again with each request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Proof {
    /// The hash of a token.
    Token(Sha256Hash),
    /// A signed token, which holds until an instant in milliseconds since 1970.
    Signed { caller: Caller, until: i64 },
}

/// The open sessions. Instants are milliseconds since 1970.
#[derive(Debug)]
pub(super) struct Sessions {
    idle: Duration,
    store: Store,
}

impl Sessions {
    pub(super) fn new(idle: Duration, store: Store) -> Sessions {
        Sessions { idle, store }
    }

    /// Opens a session; gives the id that the browser keeps.
    pub(super) async fn open(&self, proof: &Proof, now: i64) -> Result<String, StoreError> {
        let id = format!("{}{}", Uuid::new_v4().simple(), Uuid::new_v4().simple());
        let ended = (before(now, self.idle), before(now, LONGEST));
        let credential = serde_json::to_string(proof);
        let credential = credential.map_err(|_| StoreError::Row("a session cannot be written"))?;
        let session = PageSession { credential, opened: now, used: now };
        self.store.open_page_session(&hash(&id), &session, ended, MOST).await?;
        Ok(id)
    }

    /// What opened a session. Asking keeps it open.
    pub(super) async fn proof(&self, id: &str, now: i64) -> Result<Option<Proof>, StoreError> {
        let id = hash(id);
        let Some(session) = self.store.page_session(&id).await? else { return Ok(None) };
        if session.used < before(now, self.idle) || session.opened < before(now, LONGEST) {
            return Ok(None);
        }
        if session.used <= before(now, self.idle / NOTED_PARTS) {
            self.store.use_page_session(&id, now).await?;
        }
        // What another version wrote and this one cannot read has everybody sign in again.
        Ok(serde_json::from_str(&session.credential).ok())
    }

    pub(super) async fn end(&self, id: &str) -> Result<(), StoreError> {
        self.store.end_page_session(&hash(id)).await
    }
}

fn before(now: i64, by: Duration) -> i64 {
    now.saturating_sub(i64::try_from(by.as_millis()).unwrap_or(i64::MAX))
}

/// What is kept of an id, so that the store holds nothing to sign in with.
fn hash(id: &str) -> String {
    let hash: [u8; 32] = Sha256::digest(id).into();
    hex(&hash)
}
