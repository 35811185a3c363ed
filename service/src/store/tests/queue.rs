//! Deliveries: in which order they are taken up, by whom, and what becomes of them.

use super::*;

on_each_store! {
    versions_of_an_exam_go_one_after_the_other,
    what_is_pressing_goes_first,
    a_lease_that_ran_out_is_taken_up_again_and_its_first_holder_has_no_say,
    a_clock_that_was_set_a_day_either_way_holds_nothing_up_and_repeats_nothing,
    an_older_version_is_not_replayed_over_a_newer_one,
    a_withdrawal_is_sent_only_when_something_may_have_arrived,
    what_crashes_twice_is_parked_and_what_was_delivered_is_replayed_with_a_reason_only,
    all_of_a_state_go_again_except_what_is_superseded,
    attempts_are_kept_for_the_last_ones_of_an_exam,
}

async fn versions_of_an_exam_go_one_after_the_other(store: Store) {
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    commit(&store, vec![change("k", 1, vec![])], 2).await;
    commit(&store, vec![change("other", 0, vec![])], 3).await;
    let first = store.claim(10, LONG, 8).await.unwrap();
    assert_eq!(
        first.iter().map(|claimed| claimed.payload.as_str()).collect::<Vec<_>>(),
        ["payload 1", "payload 1"]
    );
    assert!(store.claim(10, LONG, 8).await.unwrap().is_empty());
    settle(&store, &first[0], DeliveryState::Parked, 11).await;
    assert!(store.claim(12, LONG, 8).await.unwrap().is_empty(), "a parked version holds the later ones");
    assert_eq!(store.discard(first[0].id, &Reach::All, "c", "sent by hand", 13).await.unwrap(), Ok(()));
    assert_eq!(store.claim(14, LONG, 8).await.unwrap()[0].payload, "payload 2");
}

async fn what_is_pressing_goes_first(store: Store) {
    let with = |key: &str, priority| ExamChange { priority, ..change(key, 0, vec![]) };
    for (at, (key, priority)) in [
        ("usual", Priority::Usual),
        ("high", Priority::High),
        ("active", Priority::Active),
        ("late", Priority::Active),
    ]
    .into_iter()
    .enumerate()
    {
        let change = ExamChange { payload: Some(key.into()), ..with(key, priority) };
        commit(&store, vec![change], i64::try_from(at).unwrap()).await;
    }
    let mut order = Vec::new();
    while let [claimed] = store.claim(10, LONG, 1).await.unwrap().as_slice() {
        order.push(claimed.payload.clone());
    }
    assert_eq!(order, ["active", "late", "high", "usual"]);
}

async fn a_lease_that_ran_out_is_taken_up_again_and_its_first_holder_has_no_say(store: Store) {
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    let first = store.claim(1, Duration::ZERO, 1).await.unwrap().remove(0);
    let second = store.claim(1, LONG, 1).await.unwrap().remove(0);
    assert!(store.claim(1, LONG, 1).await.unwrap().is_empty());
    let parked = outcome(DeliveryState::Parked);
    assert!(!settled(&store, &first, parked, 2).await);
    store.note_crash(first.id, first.lease, 2).await.unwrap();
    assert_eq!(store.delivery(1, &Reach::All).await.unwrap().unwrap().state, DeliveryState::Sending);
    assert!(settled(&store, &second, outcome(DeliveryState::Delivered), 3).await);
    assert_eq!(store.delivery(1, &Reach::All).await.unwrap().unwrap().state, DeliveryState::Delivered);
}

async fn a_clock_that_was_set_a_day_either_way_holds_nothing_up_and_repeats_nothing(store: Store) {
    let day = 86_400_000;
    commit(&store, vec![change("k", 0, vec![])], day).await;
    assert!(store.claim(day - 1, LONG, 1).await.unwrap().is_empty());
    let claimed = store.claim(1, LONG, 1).await.unwrap().remove(0);
    for now in [1, day, 2 * day] {
        assert!(store.claim(now, LONG, 1).await.unwrap().is_empty(), "what is under way stays so at {now}");
    }
    settle(&store, &claimed, DeliveryState::UnknownOutcome, 2 * day).await;
    assert_eq!(store.claim(1, LONG, 1).await.unwrap().len(), 1);
}

async fn a_withdrawal_is_sent_only_when_something_may_have_arrived(store: Store) {
    use DeliveryState::{Delivered, Pending, Sending, UnknownOutcome, Withdrawn};
    let withdraw =
        |key: &str, seen| commit_one(&store, ExamChange { withdraws: true, ..change(key, seen, vec![]) });
    commit(&store, vec![change("waits", 0, vec![])], 1).await;
    withdraw("waits", 1).await;
    assert_eq!(states(&store).await, [Withdrawn, Withdrawn], "nothing of it was ever sent");
    assert!(store.claim(5, LONG, 9).await.unwrap().is_empty());

    commit(&store, vec![change("unknown", 0, vec![])], 1).await;
    let claimed = store.claim(5, LONG, 1).await.unwrap().remove(0);
    settle(&store, &claimed, UnknownOutcome, 5).await;
    withdraw("unknown", 1).await;
    assert_eq!(
        states(&store).await[2..],
        [Withdrawn, Pending],
        "the withdrawal holds whether it arrived or not"
    );

    commit(&store, vec![change("under-way", 0, vec![])], 1).await;
    let claimed = store.claim(5, LONG, 2).await.unwrap();
    assert_eq!(claimed.iter().map(|claimed| claimed.id).collect::<Vec<_>>(), [4, 5]);
    withdraw("under-way", 1).await;
    assert_eq!(states(&store).await[4..], [Sending, Pending]);
    settle(&store, &claimed[1], Pending, 5).await;
    assert_eq!(states(&store).await[4..], [Withdrawn, Pending], "it is not tried again");
    settle(&store, &claimed[0], Delivered, 5).await;
    let counts = store.outbox_counts(&Reach::All).await.unwrap();
    assert_eq!(counts.received, counts.states.iter().map(|(_, number)| number).sum::<i64>());
}

async fn what_crashes_twice_is_parked_and_what_was_delivered_is_replayed_with_a_reason_only(store: Store) {
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    for state in [DeliveryState::UnknownOutcome, DeliveryState::Parked] {
        let claimed = store.claim(1, LONG, 1).await.unwrap().remove(0);
        store.note_crash(1, claimed.lease, 1).await.unwrap();
        assert_eq!(store.delivery(1, &Reach::All).await.unwrap().unwrap().state, state);
    }
    assert_eq!(store.replay(1, &Reach::All, "c", None, 2).await.unwrap(), Ok(()));
    assert_eq!(
        store.replay(1, &Reach::All, "c", None, 2).await.unwrap(),
        Err(OperatorRefusal::State(DeliveryState::Pending))
    );
    let claimed = store.claim(2, LONG, 1).await.unwrap().remove(0);
    settle(&store, &claimed, DeliveryState::Delivered, 3).await;
    assert_eq!(
        store.replay(1, &Reach::All, "c", None, 4).await.unwrap(),
        Err(OperatorRefusal::ReasonMissing)
    );
    assert_eq!(store.replay(9, &Reach::All, "c", None, 4).await.unwrap(), Err(OperatorRefusal::Absent));
    assert_eq!(store.replay(1, &Reach::All, "c", Some("restored from backup"), 4).await.unwrap(), Ok(()));
    let counts = store.outbox_counts(&Reach::All).await.unwrap();
    assert_eq!((counts.states, counts.oldest_open), (vec![(DeliveryState::Pending, 1)], Some(1)));
    assert_eq!(counts.received, 1);
}

async fn an_older_version_is_not_replayed_over_a_newer_one(store: Store) {
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    commit(&store, vec![change("k", 1, vec![])], 2).await;
    for _ in 0..2 {
        let claimed = store.claim(3, LONG, 1).await.unwrap().remove(0);
        settle(&store, &claimed, DeliveryState::Delivered, 3).await;
    }
    assert_eq!(
        store.replay(1, &Reach::All, "c", Some("r"), 4).await.unwrap(),
        Err(OperatorRefusal::Superseded)
    );
    assert_eq!(store.replay(2, &Reach::All, "c", Some("r"), 4).await.unwrap(), Ok(()));
}

async fn all_of_a_state_go_again_except_what_is_superseded(store: Store) {
    for (key, versions) in [("a", 2), ("b", 1), ("c", 1)] {
        for seen in 0..versions {
            commit(&store, vec![change(key, seen, vec![])], 1).await;
        }
    }
    while let [claimed] = store.claim(3, LONG, 1).await.unwrap().as_slice() {
        let state = if claimed.id == 4 { DeliveryState::Parked } else { DeliveryState::Delivered };
        settle(&store, claimed, state, 3).await;
    }
    let preview = store.replay_preview(DeliveryState::Delivered, &Reach::All).await.unwrap();
    assert_eq!(preview, ReplayPreview { deliveries: 2, exams: 2, superseded: 1, purged: 0 });
    let all = |state, reason, seen| store.replay_all(state, &Reach::All, "c", reason, seen, 4);
    assert_eq!(all(DeliveryState::Delivered, None, 2).await.unwrap(), Err(OperatorRefusal::ReasonMissing));
    let pending = OperatorRefusal::State(DeliveryState::Pending);
    assert_eq!(all(DeliveryState::Pending, Some("r"), 0).await.unwrap(), Err(pending));
    for other in [0, 1, 3] {
        let refused = all(DeliveryState::Delivered, Some("restored from backup"), other).await.unwrap();
        assert_eq!(refused, Err(OperatorRefusal::OtherNumber));
    }
    assert_eq!(all(DeliveryState::Delivered, Some("restored from backup"), 2).await.unwrap(), Ok(2));
    assert_eq!(all(DeliveryState::Parked, None, 1).await.unwrap(), Ok(1));
    use DeliveryState::{Delivered, Pending};
    assert_eq!(states(&store).await, [Delivered, Pending, Pending, Pending]);
    assert_eq!(all(DeliveryState::Parked, None, 0).await.unwrap(), Ok(0), "nothing is left to repeat");
}

async fn attempts_are_kept_for_the_last_ones_of_an_exam(store: Store) {
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    commit(&store, vec![change("other", 0, vec![])], 1).await;
    let claimed = store.claim(2, LONG, 2).await.unwrap();
    settle(&store, &claimed[1], DeliveryState::Delivered, 3).await;
    let mut lease = claimed[0].lease;
    let tried = i64::from(u8::MAX);
    for now in 0..tried {
        let failed = DeliveryOutcome {
            verdict: "destination-fault",
            failure: Some("server-error"),
            remote_status: Some(503),
            ..outcome(DeliveryState::Pending)
        };
        let one = Settled { id: claimed[0].id, lease, outcome: failed };
        assert_eq!(store.settle(std::slice::from_ref(&one), now).await.unwrap(), [true]);
        assert_eq!(store.settle(&[one], now).await.unwrap(), [false], "not the caller's any more");
        lease = store.claim(now, LONG, 1).await.unwrap().remove(0).lease;
    }
    store.note_crash(claimed[0].id, lease, tried).await.unwrap();
    let kept = store.attempts(claimed[0].id).await.unwrap();
    assert_eq!(kept.len(), 100);
    assert_eq!((kept[0].ended, kept[0].verdict.as_str(), kept[0].took), (tried, "crash", None));
    assert_eq!((kept[1].ended, kept[1].remote_status, kept[1].took), (tried - 1, Some(503), Some(7)));
    assert_eq!(kept[99].ended, tried - 99);
    assert_eq!(store.attempts(claimed[1].id).await.unwrap().len(), 1, "each exam has its own");
}
