//! Keeping who was turned away, without letting those who try fill the store.

use std::sync::{Mutex, PoisonError};

use super::Caller;
use crate::audit::{AuditAction, AuditEvent, AuditOutcome};
use crate::store::Store;

/// How many are kept one by one in a minute. The others are counted, and the next one that is kept says how many.
const A_MINUTE: u32 = 60;
const MINUTE_MS: i64 = 60_000;

/// Keeps in the audit who was turned away.
#[derive(Debug)]
pub(crate) struct Denials {
    store: Store,
    counted: Mutex<Counted>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Counted {
    minute: i64,
    kept: u32,
    left_out: u64,
}

impl Counted {
    /// Whether one is kept now, and then how many were left out since the last one that was.
    fn count(&mut self, now: i64) -> Option<u64> {
        let minute = now.div_euclid(MINUTE_MS);
        if minute != self.minute {
            (self.minute, self.kept) = (minute, 0);
        }
        if self.kept >= A_MINUTE {
            self.left_out = self.left_out.saturating_add(1);
            return None;
        }
        self.kept += 1;
        Some(std::mem::take(&mut self.left_out))
    }
}

impl Denials {
    pub(crate) fn kept_in(store: Store) -> Denials {
        Denials { store, counted: Mutex::default() }
    }

    /// Keeps that somebody was turned away by this rule.
    pub(crate) async fn note(&self, caller: Option<&Caller>, rule: &str, now: i64) {
        let counted = self.counted.lock().unwrap_or_else(PoisonError::into_inner).count(now);
        let Some(left_out) = counted else { return };
        let detail = if left_out == 0 {
            rule.to_owned()
        } else {
            format!("{rule}; {left_out} more were turned away since the last event")
        };
        let event = AuditEvent {
            outcome: AuditOutcome::Minor,
            detail: Some(detail),
            ..AuditEvent::of(AuditAction::Deny, caller.map(|caller| caller.name.as_str()))
        };
        let clinic = caller.and_then(|caller| caller.clinic.as_ref());
        if let Err(error) = self.store.note(vec![event], clinic, now).await {
            tracing::warn!(%error, "denied access cannot be kept in the audit");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_is_counted_and_not_kept_one_by_one() {
        let mut counted = Counted::default();
        let kept = (0..1000).filter(|_| counted.count(5 * MINUTE_MS).is_some()).count();
        assert_eq!(kept, 60);
        assert_eq!(counted.count(6 * MINUTE_MS), Some(940));
        assert_eq!(counted.count(6 * MINUTE_MS), Some(0));
    }
}
