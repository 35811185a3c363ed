//! What is written at once, and what was overtaken meanwhile.

use super::*;
use crate::audit::{AuditAction, AuditEvent};

on_each_store! {
    a_commit_that_was_overtaken_writes_nothing,
    results_of_a_device_are_counted_by_day_and_never_over_its_quota,
    conditional_creates_and_keys_hold_inside_the_transaction,
    an_earlier_exam_that_changed_meanwhile_is_noticed,
    two_exams_of_a_person_never_both_miss_each_other,
    what_is_short_refuses_new_exams_and_nothing_else,
}

/// Waits until so many commits wait, beside the one that the task has in hand.
async fn gathered(group: &group::Group, number: usize) {
    let gathered = async {
        while group.waiting() < number {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(Duration::from_secs(60), gathered).await.unwrap();
}

#[tokio::test]
async fn many_at_once_change_one_exam_one_after_the_other() {
    let Some(place) = postgres_place("commits side by side").await else { return };
    let store = Store::open_at(&place).await.unwrap();
    let mut under_way = tokio::task::JoinSet::new();
    for number in 0..40 {
        let store = store.clone();
        // In either order, so that a lock taken out of order would show.
        let keys = if number % 2 == 0 { ["k", "l"] } else { ["l", "k"] };
        let exams = keys.map(|key| change(key, 0, vec![])).to_vec();
        under_way.spawn(async move { commit(&store, exams, 1).await });
    }
    let mut done = 0;
    while let Some(ended) = under_way.join_next().await {
        done += usize::from(ended.unwrap() == Committed::Done);
    }
    assert_eq!(done, 1);
}

#[tokio::test]
async fn reads_that_are_audited_together_share_a_synchronisation() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("solewire.db")).await.unwrap();
    let Database::Sqlite(database) = store.database.clone() else { panic!("opened as a file") };
    let before = database.group.syncs();
    let held = database.writer.acquire().await.unwrap();
    let mut under_way = tokio::task::JoinSet::new();
    for number in 0..32 {
        let store = store.clone();
        let read = AuditEvent {
            about: vec![format!("Observation/{number}")],
            ..AuditEvent::of(AuditAction::Read, Some("ward"))
        };
        under_way.spawn(async move { store.note(vec![read], None, 1).await });
    }
    gathered(&database.group, 31).await;
    drop(held);
    while let Some(ended) = under_way.join_next().await {
        ended.unwrap().unwrap();
    }
    assert_eq!(database.group.syncs() - before, 1);
    let (rows, total) =
        store.audited(&AuditSearch { count: 50, ..AuditSearch::default() }, &Reach::All).await.unwrap();
    assert_eq!((rows.len(), total), (32, 32), "each has a row of its own");
}

#[tokio::test]
async fn reads_that_are_audited_together_share_a_transaction_of_postgresql_and_fail_alone() {
    let Some(place) = postgres_place("notes_together").await else { return };
    let store = Store::open_at(&place).await.unwrap();
    let Database::Postgres(database) = store.database.clone() else { panic!("opened as a server") };
    let read = |store: &Store, about: String| {
        let store = store.clone();
        async move {
            let event = AuditEvent { about: vec![about], ..AuditEvent::of(AuditAction::Read, Some("ward")) };
            store.note(vec![event], None, 1).await
        }
    };
    // Somebody holds the end of the chain; the first waits for it, and the others gather.
    let mut held = database.pool.begin().await.unwrap();
    sqlx::query("UPDATE audit_head SET seq = seq").execute(&mut *held).await.unwrap();
    let mut under_way = tokio::task::JoinSet::new();
    under_way.spawn(read(&store, "Observation/first".to_owned()));
    let blocked = "SELECT EXISTS (SELECT 1 FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock')";
    until(async || sqlx::query_scalar(blocked).fetch_one(&database.pool).await.unwrap()).await;
    for number in 1..32 {
        under_way.spawn(read(&store, format!("Observation/{number}")));
    }
    until(async || database.notes.waiting() == 31).await;
    held.rollback().await.unwrap();
    while let Some(ended) = under_way.join_next().await {
        ended.unwrap().unwrap();
    }
    // Each transaction leaves its number in the rows that it wrote.
    let counts: (i64, i64) = sqlx::query_as("SELECT count(*), count(DISTINCT CAST(xmin AS TEXT)) FROM audit")
        .fetch_one(&database.pool)
        .await
        .unwrap();
    assert_eq!(counts, (32, 2));

    // One that cannot be written fails by itself, and the others are written all the same.
    for statement in [
        "CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'no'; END $$",
        "CREATE TRIGGER refuse BEFORE INSERT ON audit FOR EACH ROW WHEN (new.body LIKE '%broken%') EXECUTE FUNCTION refuse()",
    ] {
        sqlx::query(statement).execute(&database.pool).await.unwrap();
    }
    let mut held = database.pool.begin().await.unwrap();
    sqlx::query("UPDATE audit_head SET seq = seq").execute(&mut *held).await.unwrap();
    under_way.spawn(read(&store, "Observation/before".to_owned()));
    until(async || sqlx::query_scalar(blocked).fetch_one(&database.pool).await.unwrap()).await;
    let (broken, sound) =
        (read(&store, "Observation/broken".to_owned()), read(&store, "Observation/sound".to_owned()));
    let (broken, sound) = (tokio::spawn(broken), tokio::spawn(sound));
    until(async || database.notes.waiting() == 2).await;
    held.rollback().await.unwrap();
    assert!(broken.await.unwrap().is_err());
    sound.await.unwrap().unwrap();
    let total: i64 =
        sqlx::query_scalar("SELECT count(*) FROM audit").fetch_one(&database.pool).await.unwrap();
    assert_eq!(total, 34);
    assert!(check_chain(&place).await.unwrap().fault.is_none());
}

async fn until(holds: impl AsyncFn() -> bool) {
    let deadline = std::time::Instant::now() + Duration::from_secs(60);
    while !holds().await {
        assert!(std::time::Instant::now() < deadline, "it does not come to that");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

#[tokio::test]
async fn commits_that_come_together_share_a_synchronisation_and_fail_alone() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("solewire.db")).await.unwrap();
    let Database::Sqlite(database) = store.database.clone() else { panic!("opened as a file") };
    commit(&store, vec![change("taken", 0, vec![])], 1).await;
    let before = database.group.syncs();
    // While somebody else writes, commits gather.
    let held = database.writer.acquire().await.unwrap();
    let mut under_way = tokio::task::JoinSet::new();
    for number in 0..32 {
        let store = store.clone();
        let key = if number == 7 { "taken".to_owned() } else { format!("exam {number}") };
        under_way.spawn(async move { (number, commit(&store, vec![change(&key, 0, vec![])], 1).await) });
    }
    gathered(&database.group, 31).await;
    drop(held);
    while let Some(ended) = under_way.join_next().await {
        let (number, committed) = ended.unwrap();
        let expected = if number == 7 { Committed::Overtaken } else { Committed::Done };
        assert_eq!(committed, expected, "{number}");
    }
    assert_eq!(database.group.syncs() - before, 1);
    assert_eq!(store.outbox_counts(&Reach::All).await.unwrap().received, 32);
    // One that cannot be written fails by itself, and the others are written all the same.
    let mut held = database.writer.acquire().await.unwrap();
    sqlx::query(
        "CREATE TRIGGER refuse BEFORE INSERT ON exams WHEN new.key = 'broken'
         BEGIN SELECT raise(ROLLBACK, 'the whole transaction is gone'); END",
    )
    .execute(&mut *held)
    .await
    .unwrap();
    let mut under_way = tokio::task::JoinSet::new();
    for key in ["sound", "broken"] {
        let store = store.clone();
        under_way.spawn(async move {
            let exams = vec![change(key, 0, vec![])];
            (key, store.commit(Commit { exams, at: 1, ..Commit::default() }).await)
        });
    }
    gathered(&database.group, 1).await;
    drop(held);
    while let Some(ended) = under_way.join_next().await {
        let (key, result) = ended.unwrap();
        assert_eq!(result.is_ok(), key == "sound", "{key}: {result:?}");
    }
}

async fn a_commit_that_was_overtaken_writes_nothing(store: Store) {
    let observation = |text: &str| json!({"resourceType": "Observation", "status": text});
    commit(&store, vec![change("k", 0, vec![write("Observation", "a", 1, observation("final"))])], 1).await;
    let both = vec![
        change("other", 0, vec![write("Observation", "b", 1, observation("final"))]),
        change("k", 0, vec![write("Observation", "a", 2, observation("amended"))]),
    ];
    assert_eq!(commit(&store, both, 2).await, Committed::Overtaken);
    assert!(store.read("Observation", "b", &Reach::All).await.unwrap().is_none());
    let next = vec![change("k", 1, vec![write("Observation", "a", 2, observation("amended"))])];
    assert_eq!(commit(&store, next, 3).await, Committed::Done);
    let history = store.history("Observation", "a", &Reach::All, i64::MAX, 99).await.unwrap().1;
    assert_eq!(history.iter().map(|version| version.version).collect::<Vec<_>>(), [2, 1]);
}

async fn conditional_creates_and_keys_hold_inside_the_transaction(store: Store) {
    let body = json!({"resourceType": "Observation", "identifier": [{"system": "s", "value": "v"}]});
    let token = TokenMatch { system: Some("s".into()), value: Some("v".into()) };
    let keyed =
        KeyedAnswer { key: "k".into(), caller: "c".into(), body_hash: "h".into(), answer: "a".into() };
    let once = |exam: &str, id: &str| Commit {
        exams: vec![change(exam, 0, vec![write("Observation", id, 1, body.clone())])],
        must_be_absent: vec![("Observation".into(), token.clone())],
        idempotency: Some(keyed.clone()),
        at: 1,
        ..Commit::default()
    };
    assert_eq!(store.commit(once("x", "a")).await.unwrap(), Committed::Done);
    assert_eq!(store.commit(once("y", "b")).await.unwrap(), Committed::Overtaken);
    assert_eq!(store.with_identifier("Observation", &token, None).await.unwrap().len(), 1);
    let same_key = Commit { must_be_absent: vec![], exams: vec![change("z", 0, vec![])], ..once("z", "c") };
    assert_eq!(store.commit(same_key).await.unwrap(), Committed::Overtaken, "the key is taken");
    assert_eq!(store.key_use("k", "c", "h").await.unwrap(), KeyUse::Answered("a".into()));
    assert_eq!(store.key_use("k", "c", "other").await.unwrap(), KeyUse::OtherBody);
    assert_eq!(store.key_use("k", "d", "h").await.unwrap(), KeyUse::Fresh);
}

async fn an_earlier_exam_that_changed_meanwhile_is_noticed(store: Store) {
    let subject = change("a", 0, vec![]).subject;
    let assessed = |key: &str, seen: i64, time: &str, status: &str| {
        let body = json!({"resourceType": "RiskAssessment", "status": status, "occurrenceDateTime": time});
        let id = format!("assessment-{key}");
        let derived = ResourceWrite { derived: true, ..write("RiskAssessment", &id, seen + 1, body) };
        let result = json!({"resourceType": "Observation", "status": "final"});
        let submitted = write("Observation", &format!("result-{key}"), seen + 1, result);
        change(key, seen, vec![derived, submitted])
    };
    let commit = |exam: ExamChange| Commit { exams: vec![exam], at: 1, ..Commit::default() };
    let key = ExamKey("c".into());
    let before = Span::of("2026-03-01").unwrap().low;
    store.commit(commit(assessed("b", 0, "2026-02-01T09:00:00Z", "final"))).await.unwrap();
    store.commit(commit(assessed("a", 0, "2025-02-01T09:00:00Z", "final"))).await.unwrap();
    store.commit(commit(assessed("d", 0, "2026-03-01T00:00:00Z", "final"))).await.unwrap();
    let earlier = store.earlier_exams(&subject, None, &key, before).await.unwrap();
    let named: Vec<(&str, i64)> = earlier.iter().map(|exam| (exam.key.0.as_str(), exam.version)).collect();
    assert_eq!(named, [("a", 1), ("b", 1)]);
    assert_eq!(earlier[0].resources.len(), 1, "what was derived is left out");
    let exams = earlier.iter().map(|exam| (exam.key.clone(), exam.version)).collect();
    let seen = SeenEarlier { subject: subject.clone(), key: key.clone(), before, exams };
    store.commit(commit(assessed("b", 1, "2026-02-01T09:00:00Z", "entered-in-error"))).await.unwrap();
    let now = |seen| Commit {
        seen_earlier: vec![seen],
        ..commit(assessed("c", 0, "2026-03-01T00:00:00Z", "final"))
    };
    assert_eq!(store.commit(now(seen.clone())).await.unwrap(), Committed::Overtaken);
    let exams = vec![(ExamKey("a".into()), 1)];
    assert_eq!(store.commit(now(SeenEarlier { exams, ..seen })).await.unwrap(), Committed::Done);
}

async fn two_exams_of_a_person_never_both_miss_each_other(store: Store) {
    let assessed = |subject: &str, key: &str| {
        let body =
            json!({"resourceType": "RiskAssessment", "status": "final", "occurrenceDateTime": "2026-02-01"});
        let derived = ResourceWrite { derived: true, ..write("RiskAssessment", key, 1, body) };
        let exam = ExamChange { subject: subject.into(), encounter: None, ..change(key, 0, vec![derived]) };
        // Each was held against all exams of the person, and there was none.
        let seen =
            SeenEarlier { subject: subject.into(), key: exam.key.clone(), before: i64::MAX, exams: vec![] };
        Commit { exams: vec![exam], seen_earlier: vec![seen], at: 1, ..Commit::default() }
    };
    for round in 0..25 {
        let subject = format!("person {round}");
        let (left, right) = (format!("left {round}"), format!("right {round}"));
        let both =
            tokio::join!(store.commit(assessed(&subject, &left)), store.commit(assessed(&subject, &right)));
        let done = [both.0.unwrap(), both.1.unwrap()].iter().filter(|one| **one == Committed::Done).count();
        assert_eq!(done, 1, "round {round}");
    }
}

async fn results_of_a_device_are_counted_by_day_and_never_over_its_quota(store: Store) {
    let of = |day: i64, results: i64| Commit {
        device_results: vec![DeviceResults { device: "filament-7".into(), day, results, most: 5 }],
        at: 1,
        ..Commit::default()
    };
    assert_eq!(store.commit(of(1, 3)).await.unwrap(), Committed::Done);
    assert_eq!(store.commit(of(1, 3)).await.unwrap(), Committed::Overtaken);
    assert_eq!(store.commit(of(1, 2)).await.unwrap(), Committed::Done);
    assert_eq!(store.device_results("filament-7", 1).await.unwrap(), 5);
    assert_eq!(store.commit(of(2, 5)).await.unwrap(), Committed::Done);
    assert_eq!(store.device_results("filament-7", 2).await.unwrap(), 5);
    assert_eq!(store.device_results("filament-8", 2).await.unwrap(), 0);
}

async fn what_is_short_refuses_new_exams_and_nothing_else(store: Store) {
    let counted_anew = |high_water, reserve| Store {
        last_count: LastCount::default(),
        ..store.clone().limited(Limits { high_water, reserve })
    };
    for number in 0..10 {
        commit(&store, vec![change(&format!("exam {number}"), 0, vec![])], 1).await;
    }
    assert!(counted_anew(11, 0).admit(Load::Several).await.is_ok());
    assert!(counted_anew(10, 0).admit(Load::One).await.is_ok(), "a tenth is kept for single exams");
    for (high_water, load) in [(10, Load::Several), (9, Load::One)] {
        let refused = counted_anew(high_water, 0).admit(load).await;
        assert!(matches!(refused, Err(StoreError::Unavailable { .. })), "{high_water} {load:?}: {refused:?}");
    }
    let short = counted_anew(1000, u64::MAX);
    if matches!(store.database, Database::Sqlite(_)) {
        assert!(matches!(short.admit(Load::One).await, Err(StoreError::Unavailable { .. })));
        assert!(matches!(short.probe(1).await, Err(StoreError::Unavailable { .. })));
    }
    let claimed = short.claim(2, LONG, 1).await.unwrap().remove(0);
    settle(&short, &claimed, DeliveryState::Delivered, 2).await;
    assert_eq!(short.discard(2, &Reach::All, "c", "full", 3).await.unwrap(), Ok(()));
}
