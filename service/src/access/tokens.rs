//! The tokens of the store, as they are known at this moment.
//!
//! Every process looks at them once a second, so a token that is made or taken back anywhere is so everywhere within
//! seconds, and a flood of wrong tokens asks the store nothing.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::task::JoinHandle;

use super::{Caller, Types};
use crate::clinic::Clinic;
use crate::config::{Right, Sha256Hash, hash_of_hex};
use crate::store::{Store, StoreError, StoredToken};

const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// A token that holds until it ends.
#[derive(Debug, Clone)]
pub(crate) struct KnownToken {
    pub(crate) caller: Caller,
    expires: Option<i64>,
}

/// The tokens that were not taken back, by their hashes.
pub(crate) type KnownTokens = Arc<HashMap<Sha256Hash, KnownToken>>;

/// Looks up tokens.
#[derive(Debug, Clone)]
pub(crate) struct Known(watch::Receiver<KnownTokens>);

impl Known {
    /// Without any token.
    pub(crate) fn none() -> Known {
        Known(watch::channel(KnownTokens::default()).1)
    }

    /// Whose token it is, when it holds at `now` (milliseconds since 1970).
    pub(crate) fn caller(&self, hash: &Sha256Hash, now: i64) -> Option<Caller> {
        let known = self.0.borrow();
        let token = known.get(hash)?;
        token.expires.is_none_or(|expires| now < expires).then(|| token.caller.clone())
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.borrow().is_empty()
    }
}

/// The tokens of the store now.
pub(crate) async fn known_now(store: &Store) -> Result<KnownTokens, StoreError> {
    let tokens = store.tokens().await?;
    Ok(Arc::new(tokens.into_iter().filter_map(known).collect()))
}

/// Follows the tokens of the store. When it cannot be read, what is known goes on holding: without the store nothing can
/// be done with a token either.
pub(crate) fn follow(store: Store, first: KnownTokens) -> (Known, JoinHandle<()>) {
    let (sender, receiver) = watch::channel(first);
    let task = tokio::spawn(async move {
        let mut failed = false;
        loop {
            tokio::time::sleep(LOOK_AGAIN).await;
            match known_now(&store).await {
                Ok(known) => {
                    failed = false;
                    sender.send_replace(known);
                }
                Err(error) => {
                    if !failed {
                        tracing::warn!(%error, "tokens cannot be looked at; those known before go on holding");
                    }
                    failed = true;
                }
            }
        }
    });
    (Known(receiver), task)
}

/// A row that cannot be understood whole lets nobody in: a right or a clinic that is not known here is no smaller one.
fn known(token: StoredToken) -> Option<(Sha256Hash, KnownToken)> {
    if token.revoked.is_some() {
        return None;
    }
    let hash = hash_of_hex(&token.hash)?;
    let rights: Option<Vec<Right>> = token.rights.split_whitespace().map(Right::of).collect();
    let clinic = match token.clinic {
        Some(name) => Some(Clinic::named(&name)?),
        None => None,
    };
    let caller = Caller { name: token.id, rights: rights?, types: Types::All, clinic, device: token.device };
    Some((hash, KnownToken { caller, expires: token.expires }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stored(rights: &str, clinic: Option<&str>) -> StoredToken {
        StoredToken {
            id: "t".into(),
            name: "ward".into(),
            hash: "ab".repeat(32),
            rights: rights.into(),
            clinic: clinic.map(str::to_owned),
            device: None,
            created: 0,
            expires: Some(10),
            revoked: None,
        }
    }

    #[test]
    fn a_row_that_is_not_understood_lets_nobody_in() {
        assert!(known(stored("submit read", Some("north"))).is_some());
        assert!(known(stored("submit everything", None)).is_none());
        assert!(known(stored("read", Some("no clinic"))).is_none());
        assert!(known(StoredToken { hash: "zz".repeat(32), ..stored("read", None) }).is_none());
        assert!(known(StoredToken { revoked: Some(1), ..stored("read", None) }).is_none());
    }

    #[test]
    fn a_token_ends_at_its_instant() {
        let (hash, token) = known(stored("read", None)).unwrap();
        let (_sender, receiver) = watch::channel(Arc::new(HashMap::from([(hash, token)])));
        let known = Known(receiver);
        assert!(known.caller(&hash, 9).is_some());
        assert!(known.caller(&hash, 10).is_none());
        assert!(known.caller(&[0; 32], 9).is_none());
    }
}
