//! Which of two versions of a resource is the newer one. Messages arrive in any order, so the time of arrival decides
//! only where nothing else does; what clocks of devices say never does.

use serde_json::Value;
use solewire_profiles::SubmittedExam;
use solewire_profiles::issue::Issue;
use solewire_profiles::submit::SUBMIT_LATE_ORIGINAL;

use super::answer::{Done, EntryAnswer, Placed};
use super::plan::{same_content, stored_as};
use crate::store::StoredExam;

/// Takes out of a submission what is older than what is stored, and answers it with the stored version. With an old
/// panel everything is old that the exam has already: it is a message of then.
pub(super) fn leave_late(
    stored: &StoredExam,
    exam: &mut SubmittedExam,
    entries: &mut [EntryAnswer],
    root: &str,
) {
    let old_panel = exam.panel_identifier.is_some()
        && exam.resources.first().is_some_and(|panel| {
            stored_as(Some(stored), &panel.resource_type, &panel.id.to_string())
                .is_some_and(|old| is_older(&panel.body, &old.body))
        });
    exam.resources.retain(|new| {
        let Some(old) = stored_as(Some(stored), &new.resource_type, &new.id.to_string()) else { return true };
        if same_content(&old.body, &new.body) || !(old_panel || is_older(&new.body, &old.body)) {
            return true;
        }
        if let Some(entry) = entries.get_mut(new.entry.unwrap_or(0)) {
            entry.done = Done::Unchanged;
            entry.resource = Some(Placed {
                resource_type: old.resource_type.clone(),
                id: old.id.clone(),
                version: old.version,
                updated: old.updated,
            });
            let pointer = new.entry.map(|number| format!("/entry/{number}/resource")).unwrap_or_default();
            let message = "This is older than the stored version, which corrects or withdraws it and stands.";
            entry.note(&[Issue::new(&SUBMIT_LATE_ORIGINAL, pointer, message)], root);
        }
        false
    });
}

/// Whether one version comes before another: by the number that the sender gave both, else by how far their statuses
/// have come.
fn is_older(new: &Value, old: &Value) -> bool {
    match (sent_version(new), sent_version(old)) {
        (Some(new), Some(old)) if new != old => new < old,
        _ => standing(new) < standing(old),
    }
}

/// The sender's own count of versions.
fn sent_version(body: &Value) -> Option<u64> {
    body.pointer("/meta/versionId")?.as_str()?.parse().ok()
}

/// How far a status has come (HL7 FHIR R4, observation-status). A correction can take back a withdrawal, so these two
/// stand beside each other.
fn standing(body: &Value) -> u8 {
    match body.get("status").and_then(Value::as_str) {
        Some("amended" | "corrected" | "entered-in-error") => 2,
        Some("registered" | "preliminary") => 0,
        _ => 1,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;

    /// What stands after versions arrived in some order.
    fn standing_after(arrived: &[Value]) -> Value {
        let mut stands = arrived[0].clone();
        for new in &arrived[1..] {
            if !is_older(new, &stands) {
                stands = new.clone();
            }
        }
        stands
    }

    fn history(statuses: &[&str], numbered: bool) -> Vec<Value> {
        let version = |number: usize, status: &str| {
            let mut body = json!({ "status": status, "valueInteger": number });
            if numbered {
                body["meta"] = json!({ "versionId": (number + 1).to_string() });
            }
            body
        };
        statuses.iter().enumerate().map(|(number, status)| version(number, status)).collect()
    }

    /// The statuses of a result from first to last: the original, then what was said of it afterwards.
    fn statuses(afterwards: usize) -> impl Strategy<Value = Vec<&'static str>> {
        let original = prop_oneof![Just(vec!["final"]), Just(vec!["preliminary", "final"])];
        let change = prop::sample::select(vec!["amended", "corrected", "entered-in-error"]);
        (original, prop::collection::vec(change, 0..=afterwards))
            .prop_map(|(original, changes)| original.into_iter().chain(changes).collect())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1000))]

        #[test]
        fn f25_whatever_the_order_the_last_version_stands_when_the_sender_numbers_them(
            (in_order, arrived) in statuses(4).prop_flat_map(|statuses| {
                let all = history(&statuses, true);
                (Just(all.clone()), Just(all).prop_shuffle())
            }),
        ) {
            prop_assert_eq!(Some(&standing_after(&arrived)), in_order.last());
        }

        #[test]
        fn f25_one_correction_or_withdrawal_stands_whenever_the_original_comes(
            (in_order, arrived) in statuses(1).prop_flat_map(|statuses| {
                let all = history(&statuses, false);
                (Just(all.clone()), Just(all).prop_shuffle())
            }),
        ) {
            prop_assert_eq!(Some(&standing_after(&arrived)), in_order.last());
        }
    }
}
