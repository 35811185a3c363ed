//! Who is signed in at a page. Kept in memory: after a restart everybody signs in again.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use crate::access::Caller;
use crate::config::Sha256Hash;

/// How long a session lasts however busy it is: a long working day (common practice, no source).
const LONGEST: Duration = Duration::from_secs(12 * 60 * 60);
/// More than any clinic has people; what keeps memory bounded.
const MOST: usize = 10_000;

/// What opened a session. It is looked at again with each request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Proof {
    /// The hash of a token.
    Token(Sha256Hash),
    /// A signed token, which holds until an instant in milliseconds since 1970.
    Signed { caller: Caller, until: i64 },
}

#[derive(Debug)]
struct Session {
    proof: Proof,
    opened: i64,
    used: i64,
}

/// The open sessions. Instants are milliseconds since 1970.
#[derive(Debug)]
pub(super) struct Sessions {
    idle: Duration,
    /// By the hash of the id, so that a dump of memory holds nothing to sign in with.
    open: Mutex<HashMap<[u8; 32], Session>>,
}

impl Sessions {
    pub(super) fn new(idle: Duration) -> Sessions {
        Sessions { idle, open: Mutex::new(HashMap::new()) }
    }

    /// Opens a session; gives the id that the browser keeps.
    pub(super) fn open(&self, proof: Proof, now: i64) -> String {
        let id = format!("{}{}", Uuid::new_v4().simple(), Uuid::new_v4().simple());
        let mut open = self.locked();
        open.retain(|_, session| self.holds(session, now));
        if open.len() >= MOST
            && let Some(oldest) = open.iter().min_by_key(|(_, session)| session.used).map(|(id, _)| *id)
        {
            open.remove(&oldest);
        }
        open.insert(hash(&id), Session { proof, opened: now, used: now });
        id
    }

    /// What opened a session. Asking keeps it open.
    pub(super) fn proof(&self, id: &str, now: i64) -> Option<Proof> {
        let mut open = self.locked();
        let session = open.get_mut(&hash(id)).filter(|session| self.holds(session, now))?;
        session.used = now;
        Some(session.proof.clone())
    }

    pub(super) fn end(&self, id: &str) {
        self.locked().remove(&hash(id));
    }

    fn holds(&self, session: &Session, now: i64) -> bool {
        let within =
            |since: i64, limit: Duration| i128::from(now) - i128::from(since) <= limit.as_millis() as i128;
        within(session.used, self.idle) && within(session.opened, LONGEST)
    }

    /// A session is whole at every moment, so a panic elsewhere leaves nothing half done here.
    fn locked(&self) -> MutexGuard<'_, HashMap<[u8; 32], Session>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn hash(id: &str) -> [u8; 32] {
    Sha256::digest(id).into()
}
