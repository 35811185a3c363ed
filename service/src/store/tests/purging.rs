//! What is purged after its delivery, and what is kept.

use super::*;

on_each_store! {
    what_was_delivered_is_purged_and_nothing_else,
    what_was_purged_is_not_replayed_and_tells_a_later_version_what_it_needs,
    what_is_still_to_be_looked_for_is_purged_later,
}

/// What is purged, when that is everything that ended before `ended`.
fn ended_before(ended: i64) -> Expiry {
    Expiry { ended, unverified: ended }
}

/// Takes up what is next and says what became of it.
async fn deliver(store: &Store, id: i64, state: DeliveryState, now: i64) {
    let claimed = store.claim(now, LONG, 1).await.unwrap();
    assert_eq!(claimed.iter().map(|claimed| claimed.id).collect::<Vec<_>>(), [id]);
    let placed = state.is_taken().then(|| "[[\"Observation/1\",\"1\"]]".to_owned());
    assert!(settled(store, &claimed[0], DeliveryOutcome { placed, ..outcome(state) }, now).await);
}

async fn purge_all(store: &Store, expiry: Expiry) -> Purgeable {
    let mut purged = Purgeable::default();
    for key in store.purgeable_exams(expiry, "", 100).await.unwrap() {
        let outline = |payload: &str| Some(format!("outline of {payload}"));
        let of_one = store.purge_exam(&key, expiry, outline, None, 1000).await.unwrap();
        purged.exams += of_one.exams;
        purged.payloads += of_one.payloads;
        purged.versions += of_one.versions;
    }
    purged.answers = store.purge_answers(expiry, None, 1000).await.unwrap();
    purged
}

async fn what_was_delivered_is_purged_and_nothing_else(store: Store) {
    use DeliveryState::{Delivered, Discarded, Parked, Pending, Withdrawn};
    let pulse =
        |id: &str, version| vec![write("Observation", id, version, json!({"resourceType": "Observation"}))];
    // "a" is over; of "b" something waits; "c" is parked; "d" was given up; "e" was withdrawn before it was sent; "f" is
    // newer.
    commit(&store, vec![change("a", 0, pulse("a", 1))], 1).await;
    deliver(&store, 1, Delivered, 10).await;
    commit(&store, vec![change("a", 1, pulse("a", 2))], 11).await;
    deliver(&store, 2, Delivered, 20).await;
    commit(&store, vec![change("b", 0, pulse("b", 1))], 21).await;
    deliver(&store, 3, Delivered, 22).await;
    commit(&store, vec![change("c", 0, pulse("c", 1))], 23).await;
    deliver(&store, 4, Parked, 24).await;
    commit(&store, vec![change("d", 0, pulse("d", 1))], 25).await;
    assert_eq!(store.discard(5, &Reach::All, "c", "r", 26).await.unwrap(), Ok(()));
    commit(&store, vec![change("e", 0, pulse("e", 1))], 27).await;
    commit(&store, vec![ExamChange { withdraws: true, ..change("e", 1, pulse("e", 2)) }], 28).await;
    commit(&store, vec![change("f", 0, pulse("f", 1))], 100).await;
    deliver(&store, 8, Delivered, 101).await;
    commit(&store, vec![change("b", 1, pulse("b", 2))], 102).await;
    for (key, at) in [("old", 30), ("new", 103)] {
        let keyed =
            KeyedAnswer { key: key.into(), caller: "c".into(), body_hash: "h".into(), answer: "a".into() };
        let noted = Commit { idempotency: Some(keyed), at, ..Commit::default() };
        assert_eq!(store.commit(noted).await.unwrap(), Committed::Done);
    }

    let before = store.outbox_counts(&Reach::All).await.unwrap();
    let expected = Purgeable { exams: 2, payloads: 4, versions: 1, answers: 1 };
    assert_eq!(store.purgeable(ended_before(100)).await.unwrap(), expected);
    assert_eq!(purge_all(&store, ended_before(100)).await, expected);
    assert!(store.purgeable(ended_before(100)).await.unwrap().is_nothing());
    assert!(purge_all(&store, ended_before(100)).await.is_nothing(), "a second time nothing is left");

    let after = store.outbox_counts(&Reach::All).await.unwrap();
    assert_eq!(
        (&after.states, after.received),
        (&before.states, before.received),
        "the numbers still add up"
    );
    let deliveries = store.deliveries(None, &Reach::All, 0, 100).await.unwrap();
    let kept: Vec<_> =
        deliveries.iter().map(|delivery| (delivery.state, delivery.purged.is_some())).collect();
    let wanted =
        [(Delivered, true), (Delivered, true), (Delivered, false), (Parked, false), (Discarded, false)];
    assert_eq!(kept[..5], wanted);
    assert_eq!(kept[5..], [(Withdrawn, true), (Withdrawn, true), (Delivered, false), (Pending, false)]);
    for delivery in &deliveries {
        assert_eq!(delivery.payload.is_empty(), delivery.purged.is_some(), "{delivery:?}");
    }
    let bodies = |versions: Vec<Version>| versions.iter().map(Version::is_purged).collect::<Vec<_>>();
    assert_eq!(
        bodies(store.history("Observation", "a", &Reach::All, i64::MAX, 99).await.unwrap().1),
        [false, true]
    );
    assert_eq!(
        bodies(store.history("Observation", "b", &Reach::All, i64::MAX, 99).await.unwrap().1),
        [false, false]
    );
    assert_eq!(store.key_use("old", "c", "h").await.unwrap(), KeyUse::Fresh);
    assert_eq!(store.key_use("new", "c", "h").await.unwrap(), KeyUse::Answered("a".into()));
    let search = AuditSearch { count: 100, ..AuditSearch::default() };
    let (events, _) = store.audited(&search, &Reach::All).await.unwrap();
    let purges = events.iter().filter(|event| event.body.contains("\"purge\"")).count();
    assert_eq!(purges, 3, "two exams and the answers");
}

async fn what_was_purged_is_not_replayed_and_tells_a_later_version_what_it_needs(store: Store) {
    commit(&store, vec![change("a", 0, vec![])], 1).await;
    deliver(&store, 1, DeliveryState::Delivered, 2).await;
    commit(&store, vec![change("b", 0, vec![])], 50).await;
    deliver(&store, 2, DeliveryState::Delivered, 51).await;
    assert_eq!(purge_all(&store, ended_before(10)).await.payloads, 1);
    let refused = store.replay(1, &Reach::All, "c", Some("r"), 60).await.unwrap();
    assert_eq!(refused, Err(OperatorRefusal::Purged));
    let preview = store.replay_preview(DeliveryState::Delivered, &Reach::All).await.unwrap();
    assert_eq!(preview, ReplayPreview { deliveries: 1, exams: 1, superseded: 0, purged: 1 });
    let all = store.replay_all(DeliveryState::Delivered, &Reach::All, "c", Some("r"), 1, 61).await.unwrap();
    assert_eq!(all, Ok(1));
    assert_eq!(states(&store).await, [DeliveryState::Delivered, DeliveryState::Pending]);
    assert!(store.taken(&Reach::All, 0, 10).await.unwrap().is_empty(), "there is nothing to compare with");
    commit(&store, vec![change("a", 1, vec![])], 70).await;
    let claimed = store.claim(71, LONG, 9).await.unwrap();
    let later = claimed.iter().find(|claimed| claimed.id == 3).unwrap();
    let previous = store.previous(later).await.unwrap().unwrap();
    assert_eq!(previous.outline.as_deref(), Some("outline of payload 1"));
    assert_eq!((previous.payload.as_str(), previous.placed.contains("Observation/1")), ("", true));
}

async fn what_is_still_to_be_looked_for_is_purged_later(store: Store) {
    commit(&store, vec![change("a", 0, vec![])], 1).await;
    let claimed = store.claim(2, LONG, 1).await.unwrap();
    let looked_for = DeliveryOutcome { verify_after: Some(5), ..outcome(DeliveryState::Delivered) };
    assert!(settled(&store, &claimed[0], looked_for, 2).await);
    let expiry = |unverified| Expiry { ended: 100, unverified };
    assert!(store.purgeable(expiry(1)).await.unwrap().is_nothing());
    assert_eq!(store.purgeable(expiry(3)).await.unwrap().payloads, 1, "nobody looks for it any more");
    let taken = store.claim_unverified(6, 7, 1).await.unwrap();
    store.looked(taken[0].id, Looked::Found, 8).await.unwrap();
    assert_eq!(purge_all(&store, expiry(1)).await.payloads, 1, "it was found");
}
