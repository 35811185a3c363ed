//! One suite for both databases. It stands in one file because every test begins with the same two stores and the same
//! few helpers, and a statement is only right when it is right on both.

use std::time::Duration;

use serde_json::{Value, json};
use solewire_profiles::{ExamKey, SubmittedExam};

use super::*;
use crate::audit::{AuditAction, AuditEvent};
use crate::clinic::{Clinic, Reach};
use crate::config::PostgresServer;

/// Names the server that the tests of PostgreSQL use; `tests/postgres/start` prints it.
const SERVER: &str = "SOLEWIRE_TEST_POSTGRES";

/// Runs each test on a fresh store of either kind.
macro_rules! on_each_store {
    ($($test:ident),* $(,)?) => {
        mod sqlite {
            $(#[tokio::test]
            async fn $test() {
                let folder = tempfile::tempdir().unwrap();
                super::$test(super::Store::open(&folder.path().join("solewire.db")).await.unwrap()).await;
            })*
        }
        mod postgres {
            $(#[tokio::test]
            async fn $test() {
                if let Some(place) = super::postgres_place(stringify!($test)).await {
                    super::$test(super::Store::open_at(&place).await.unwrap()).await;
                }
            })*
        }
    };
}

on_each_store! {
    a_commit_that_was_overtaken_writes_nothing,
    results_find_their_exam_by_encounter_and_panels_adopt,
    a_first_result_and_its_panel_never_begin_two_exams,
    exams_without_a_panel_are_found_when_they_went_quiet_and_are_closed_once,
    results_of_a_device_are_counted_by_day_and_never_over_its_quota,
    conditional_creates_and_keys_hold_inside_the_transaction,
    an_earlier_exam_that_changed_meanwhile_is_noticed,
    versions_of_an_exam_go_one_after_the_other,
    two_exams_of_a_person_never_both_miss_each_other,
    what_is_pressing_goes_first,
    a_lease_that_ran_out_is_taken_up_again_and_its_first_holder_has_no_say,
    a_clock_that_was_set_a_day_either_way_holds_nothing_up_and_repeats_nothing,
    an_older_version_is_not_replayed_over_a_newer_one,
    a_withdrawal_is_sent_only_when_something_may_have_arrived,
    what_crashes_twice_is_parked_and_what_was_delivered_is_replayed_with_a_reason_only,
    all_of_a_state_go_again_except_what_is_superseded,
    what_is_short_refuses_new_exams_and_nothing_else,
    search_compares_tokens_references_and_dates,
    clinics_have_the_same_identifiers_and_see_nothing_of_each_other,
    tokens_are_kept_and_taken_back,
    worklists_put_the_most_dangerous_first_and_each_person_once,
    attempts_are_kept_for_the_last_ones_of_an_exam,
    a_page_session_is_kept_used_and_ended,
    what_was_delivered_is_purged_and_nothing_else,
    what_was_purged_is_not_replayed_and_tells_a_later_version_what_it_needs,
    what_is_still_to_be_looked_for_is_purged_later,
}

/// A fresh database on the server; none when there is no server, which is said by name.
async fn postgres_place(test: &str) -> Option<StorePlace> {
    use std::io::Write as _;
    let Ok(server) = std::env::var(SERVER) else {
        // Not through a macro, whose output is kept from who looks at a test that passes.
        let line = format!("left out: {test} on PostgreSQL, because {SERVER} is not set\n");
        std::io::stderr().write_all(line.as_bytes()).unwrap();
        return None;
    };
    let mut url = url::Url::parse(&server).unwrap();
    let name = format!("store_{}", uuid::Uuid::new_v4().simple());
    let mut connection = <sqlx::PgConnection as sqlx::Connection>::connect(&server).await.unwrap();
    let create = format!("CREATE DATABASE {name}");
    sqlx::query(sqlx::AssertSqlSafe(create)).execute(&mut connection).await.unwrap();
    url.set_path(&name);
    Some(StorePlace::Postgres(PostgresServer { url, password: None, must_verify: false }))
}

fn write(resource_type: &str, id: &str, version: i64, body: Value) -> ResourceWrite {
    ResourceWrite {
        resource_type: resource_type.into(),
        id: id.into(),
        version,
        derived: false,
        text: body.to_string(),
        body,
    }
}

fn change(key: &str, seen_version: i64, writes: Vec<ResourceWrite>) -> ExamChange {
    ExamChange {
        key: ExamKey(key.into()),
        seen_version,
        subject: "s|1".into(),
        encounter: Some(format!("e|{key}")),
        panel_identifier: None,
        writes,
        payload: Some(format!("payload {}", seen_version + 1)),
        priority: Priority::Usual,
        withdraws: false,
    }
}

fn submitted(key: &str, panel: Option<&str>) -> SubmittedExam {
    SubmittedExam {
        key: ExamKey(key.into()),
        subject: "s|1".into(),
        encounter: Some("e|1".into()),
        panel_identifier: panel.map(str::to_owned),
        resources: Vec::new(),
    }
}

async fn commit(store: &Store, exams: Vec<ExamChange>, at: i64) -> Committed {
    store.commit(Commit { exams, at, ..Commit::default() }).await.unwrap()
}

#[tokio::test]
async fn what_is_committed_is_there_after_reopening_and_the_file_is_private() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("solewire.db");
    let store = Store::open(&path).await.unwrap();
    let body = json!({"resourceType": "Observation", "id": "a", "status": "final"});
    assert_eq!(
        commit(&store, vec![change("k", 0, vec![write("Observation", "a", 1, body)])], 5).await,
        Committed::Done
    );
    store.close().await;
    drop(store);
    let store = Store::open(&path).await.unwrap();
    let read = store.read("Observation", "a", &Reach::All).await.unwrap().unwrap();
    assert_eq!((read.version, read.updated, read.derived), (1, 5, false));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        for name in ["solewire.db", "solewire.db-wal", "solewire.db.lock"] {
            let mode = std::fs::metadata(folder.path().join(name)).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600, "{name}");
        }
    }
}

#[tokio::test]
async fn a_process_that_starts_takes_back_what_the_one_before_had_under_way() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("solewire.db")).await.unwrap();
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    let claimed = store.claim(1, LONG, 1).await.unwrap().remove(0);
    assert_eq!(store.release_leases(6).await.unwrap(), 1);
    assert_eq!(store.delivery(1, &Reach::All).await.unwrap().unwrap().state, DeliveryState::UnknownOutcome);
    assert_eq!(store.next_due().await.unwrap(), Some(6));
    let again = store.claim(6, LONG, 1).await.unwrap().remove(0);
    assert_eq!((again.id, again.attempts), (claimed.id, 0));
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
async fn processes_share_one_queue_and_take_over_from_one_that_is_gone() {
    let Some(place) = postgres_place("a shared queue").await else { return };
    let (first, second) = (Store::open_at(&place).await.unwrap(), Store::open_at(&place).await.unwrap());
    commit(&first, vec![change("k", 0, vec![])], 1).await;
    commit(&second, vec![change("k", 1, vec![])], 2).await;
    assert_eq!(first.claim(3, LONG, 9).await.unwrap().len(), 1);
    assert_eq!(second.release_leases(3).await.unwrap(), 0, "the other process lives");
    assert!(second.claim(3, LONG, 9).await.unwrap().is_empty());
    // Held for longer than a sign of life lasts, and still the first one's.
    let held =
        tokio::time::Instant::now() + Duration::from_millis(super::postgres::HELD_MS.unsigned_abs() + 1000);
    while tokio::time::Instant::now() < held {
        assert!(second.claim(4, LONG, 9).await.unwrap().is_empty());
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    drop(first);
    let taken_over = async {
        loop {
            match second.claim(5, LONG, 9).await.unwrap().as_slice() {
                [] => tokio::time::sleep(Duration::from_millis(50)).await,
                claimed => return claimed.iter().map(|claimed| claimed.id).collect::<Vec<_>>(),
            }
        }
    };
    assert_eq!(tokio::time::timeout(Duration::from_secs(60), taken_over).await.unwrap(), [1]);
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

#[tokio::test]
async fn one_process_at_a_time_and_never_a_damaged_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("solewire.db");
    let store = Store::open(&path).await.unwrap();
    assert!(matches!(Store::open(&path).await, Err(StoreError::InUse { .. })));
    store.close().await;
    drop(store);
    std::fs::write(&path, vec![b'x'; 8192]).unwrap();
    let error = Store::open(&path).await.unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap().first(), Some(&b'x'));
    let error = Store::open(&folder.path().join("absent/solewire.db")).await.unwrap_err();
    assert!(matches!(error, StoreError::Open { .. }), "{error}");
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
    let history = store.history("Observation", "a", &Reach::All).await.unwrap();
    assert_eq!(history.iter().map(|version| version.version).collect::<Vec<_>>(), [2, 1]);
}

async fn results_find_their_exam_by_encounter_and_panels_adopt(store: Store) {
    assert!(store.matching_exam(&submitted("lone", None), None).await.unwrap().is_none());
    let lone = ExamChange { encounter: Some("e|1".into()), ..change("lone", 0, vec![]) };
    commit(&store, vec![lone], 1).await;
    let adopted = store.matching_exam(&submitted("panel", Some("p|1")), None).await.unwrap().unwrap();
    assert_eq!(adopted.key.0, "lone");
    let with_panel = ExamChange { panel_identifier: Some("p|1".into()), ..change("lone", 1, vec![]) };
    commit(&store, vec![with_panel], 2).await;
    let again = store.matching_exam(&submitted("panel", Some("p|1")), None).await.unwrap().unwrap();
    assert_eq!((again.key.0.as_str(), again.version), ("lone", 2));
    assert!(store.matching_exam(&submitted("second", Some("p|2")), None).await.unwrap().is_none());
    assert_eq!(store.matching_exam(&submitted("late", None), None).await.unwrap().unwrap().key.0, "lone");
}

async fn a_first_result_and_its_panel_never_begin_two_exams(store: Store) {
    let first = |key: &str, panel: Option<&str>, encounter: &str| ExamChange {
        panel_identifier: panel.map(str::to_owned),
        encounter: Some(encounter.to_owned()),
        ..change(key, 0, vec![])
    };
    let begin = async |change: ExamChange| commit(&store, vec![change], 1).await;
    // None of them has seen another one.
    assert_eq!(begin(first("lone", None, "e|1")).await, Committed::Done);
    assert_eq!(begin(first("panelled", Some("p|1"), "e|1")).await, Committed::Overtaken);
    assert_eq!(begin(first("panelled", Some("p|2"), "e|2")).await, Committed::Done);
    assert_eq!(begin(first("other", None, "e|2")).await, Committed::Overtaken);
    // Two panels of one encounter are two exams.
    assert_eq!(begin(first("second", Some("p|3"), "e|2")).await, Committed::Done);
}

async fn exams_without_a_panel_are_found_when_they_went_quiet_and_are_closed_once(store: Store) {
    commit(&store, vec![change("early", 0, vec![])], 10).await;
    commit(&store, vec![change("late", 0, vec![])], 20).await;
    let panelled = ExamChange { panel_identifier: Some("p|1".into()), ..change("panelled", 0, vec![]) };
    commit(&store, vec![panelled], 10).await;
    let quiet = async |since: i64| -> Vec<(String, i64)> {
        let found = store.quiet_exams(since, 10).await.unwrap();
        found.into_iter().map(|(key, version)| (key.0, version)).collect()
    };
    assert_eq!(quiet(9).await, []);
    assert_eq!(quiet(20).await, [("early".to_owned(), 1), ("late".to_owned(), 1)]);
    let close = || Commit {
        exams: vec![change("early", 1, vec![])],
        closed: vec![ExamKey("early".into())],
        at: 30,
        ..Commit::default()
    };
    // Two processes that both found it due.
    assert_eq!(store.commit(close()).await.unwrap(), Committed::Done);
    assert_eq!(store.commit(close()).await.unwrap(), Committed::Overtaken);
    assert_eq!(quiet(40).await, [("late".to_owned(), 1)]);
    assert!(store.exam(&ExamKey("early".into())).await.unwrap().unwrap().closed);
    // A late result leaves it closed.
    commit(&store, vec![change("early", 2, vec![])], 40).await;
    assert!(store.exam(&ExamKey("early".into())).await.unwrap().unwrap().closed);
    assert!(store.exam(&ExamKey("none".into())).await.unwrap().is_none());
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

async fn commit_one(store: &Store, exam: ExamChange) {
    assert_eq!(commit(store, vec![exam], 2).await, Committed::Done);
}

async fn settle(store: &Store, claimed: &Claimed, state: DeliveryState, now: i64) {
    assert!(settled(store, claimed, outcome(state), now).await);
}

async fn settled(store: &Store, claimed: &Claimed, outcome: DeliveryOutcome, now: i64) -> bool {
    let one = Settled { id: claimed.id, lease: claimed.lease, outcome };
    store.settle(&[one], now).await.unwrap() == [true]
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

fn outcome(state: DeliveryState) -> DeliveryOutcome {
    DeliveryOutcome {
        state,
        due: 0,
        charged: true,
        failure: None,
        remote_status: None,
        detail: None,
        placed: None,
        verify_after: None,
        verdict: "delivered",
        took: Duration::from_millis(7),
    }
}

/// Longer than any test.
const LONG: Duration = Duration::from_secs(3600);

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

/// The states of all deliveries, in order.
async fn states(store: &Store) -> Vec<DeliveryState> {
    store.deliveries(None, &Reach::All, 0, 100).await.unwrap().iter().map(|delivery| delivery.state).collect()
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

async fn search_compares_tokens_references_and_dates(store: Store) {
    let observation = |id: &str, subject: Value, when: &str| {
        let body = json!({
            "resourceType": "Observation", "id": id, "status": "final", "effectiveDateTime": when,
            "identifier": [{"system": "https://harbourlane.example/id", "value": id}],
            "code": {"coding": [{"system": "t", "code": "pulse"}, {"system": "u", "code": "1"}]},
            "subject": subject
        });
        write("Observation", id, 1, body)
    };
    let writes = vec![
        observation("a", json!({"reference": "Patient/p-1"}), "2026-01-01T10:00:00Z"),
        observation("b", json!({"identifier": {"system": "m", "value": "77"}}), "2026-02-01T10:00:00Z"),
        observation("c", json!({"reference": "Group/p-1"}), "2026-03-01"),
    ];
    commit(&store, vec![change("k", 0, writes)], 1).await;
    let token = |system: Option<&str>, value: Option<&str>| TokenMatch {
        system: system.map(str::to_owned),
        value: value.map(str::to_owned),
    };
    let by_id = |id: &str| vec![ReferenceMatch::Id(id.into())];
    let day = |text: &str| Span::of(text).unwrap();
    let table: Vec<(Filter, &[&str])> = vec![
        (Filter::Id(vec!["a".into(), "x".into()]), &["a"]),
        (Filter::Status(vec!["final".into()]), &["a", "b", "c"]),
        (Filter::Token(TokenField::Code, vec![token(None, Some("pulse"))]), &["a", "b", "c"]),
        (Filter::Token(TokenField::Code, vec![token(Some("u"), Some("pulse"))]), &[]),
        (
            Filter::Token(
                TokenField::Identifier,
                vec![token(Some("https://harbourlane.example/id"), Some("b"))],
            ),
            &["b"],
        ),
        (Filter::Token(TokenField::SubjectIdentifier, vec![token(Some("m"), None)]), &["b"]),
        (Filter::Subject { any: by_id("p-1"), patient: false }, &["a", "c"]),
        (Filter::Subject { any: by_id("p-1"), patient: true }, &["a"]),
        (Filter::Subject { any: vec![ReferenceMatch::Whole("Patient/p-1".into())], patient: true }, &["a"]),
        (Filter::Date(DateField::Date, vec![(Prefix::Equal, day("2026-01"))]), &["a"]),
        (Filter::Date(DateField::Date, vec![(Prefix::GreaterOrEqual, day("2026-02-01"))]), &["b", "c"]),
        (Filter::Date(DateField::Date, vec![(Prefix::StartsAfter, day("2026-02-01"))]), &["c"]),
        (Filter::Date(DateField::Date, vec![(Prefix::Less, day("2026-02-01"))]), &["a"]),
    ];
    for (filter, expected) in table {
        let search = Search {
            reach: Reach::All,
            resource_type: "Observation".into(),
            filters: vec![filter.clone()],
            sort: vec![(SortKey::Id, false)],
            count: 10,
            offset: 0,
        };
        let found = store.search(&search).await.unwrap();
        let ids: Vec<&str> = found.page.iter().map(|version| version.id.as_str()).collect();
        assert_eq!(ids, expected, "{filter:?}");
        assert_eq!(found.total, expected.len() as u64);
    }
    let page = Search {
        reach: Reach::All,
        resource_type: "Observation".into(),
        filters: vec![],
        sort: vec![(SortKey::Date, true)],
        count: 1,
        offset: 1,
    };
    let found = store.search(&page).await.unwrap();
    assert_eq!((found.total, found.page[0].id.as_str()), (3, "b"));
}

async fn clinics_have_the_same_identifiers_and_see_nothing_of_each_other(store: Store) {
    let clinic = |name: &str| Clinic::named(name);
    let (north, south) = (clinic("north"), clinic("south"));
    let all = [north.clone(), south.clone(), None];
    for (number, clinic) in all.iter().enumerate() {
        // The same person, encounter, panel and identifiers; the ids are drawn apart.
        let key = format!("k{number}");
        let body = json!({
            "resourceType": "RiskAssessment", "status": "final", "occurrenceDateTime": "2026-01-01T10:00:00Z",
            "identifier": [{"system": "i", "value": "1"}]
        });
        let assessment = ResourceWrite { derived: true, ..write("RiskAssessment", &key, 1, body) };
        let exam = ExamChange { panel_identifier: Some("p|1".into()), ..change(&key, 0, vec![assessment]) };
        let token = TokenMatch { system: Some("i".into()), value: Some("1".into()) };
        let commit = Commit {
            clinic: clinic.clone(),
            exams: vec![exam],
            must_be_absent: vec![("RiskAssessment".into(), token)],
            at: 1,
            ..Commit::default()
        };
        assert_eq!(store.commit(commit).await.unwrap(), Committed::Done, "{key}");
    }
    let identifier = TokenMatch { system: Some("i".into()), value: Some("1".into()) };
    for (number, clinic) in all.iter().enumerate() {
        let key = format!("k{number}");
        let own = store.matching_exam(&submitted("other", Some("p|1")), clinic.as_ref()).await.unwrap();
        assert_eq!(own.unwrap().key.0, key);
        let found = store.with_identifier("RiskAssessment", &identifier, clinic.as_ref()).await.unwrap();
        assert_eq!(found.iter().map(|version| version.id.as_str()).collect::<Vec<_>>(), [key.as_str()]);
        let other = ExamKey("other".into());
        let earlier = store.earlier_exams("s|1", clinic.as_ref(), &other, i64::MAX).await.unwrap();
        assert_eq!(earlier.iter().map(|exam| exam.key.0.as_str()).collect::<Vec<_>>(), [key.as_str()]);
        let later = store.later_exams("s|1", clinic.as_ref(), 0).await.unwrap();
        assert_eq!(later.iter().map(|exam| exam.key.0.as_str()).collect::<Vec<_>>(), [key.as_str()]);
    }
    let elsewhere = store.matching_exam(&submitted("k1", Some("p|1")), north.as_ref()).await.unwrap();
    assert_eq!(elsewhere.unwrap().key.0, "k0", "a key of another clinic finds nothing there");

    let search = |reach: Reach| Search {
        resource_type: "RiskAssessment".into(),
        reach,
        filters: Vec::new(),
        sort: Vec::new(),
        count: 10,
        offset: 0,
    };
    for (reach, ids, deliveries) in [
        (Reach::of(north.as_ref()), vec!["k0"], vec![1]),
        (Reach::of(south.as_ref()), vec!["k1"], vec![2]),
        (Reach::of(clinic("west").as_ref()), vec![], vec![]),
        (Reach::All, vec!["k0", "k1", "k2"], vec![1, 2, 3]),
    ] {
        let found = store.search(&search(reach.clone())).await.unwrap();
        assert_eq!(found.total, u64::try_from(ids.len()).unwrap());
        assert_eq!(found.page.iter().map(|version| version.id.as_str()).collect::<Vec<_>>(), ids);
        for id in ["k0", "k1", "k2"] {
            let seen = ids.contains(&id);
            assert_eq!(store.read("RiskAssessment", id, &reach).await.unwrap().is_some(), seen, "{id}");
            assert_eq!(!store.history("RiskAssessment", id, &reach).await.unwrap().is_empty(), seen, "{id}");
            assert_eq!(store.exam_of("RiskAssessment", id, &reach).await.unwrap().is_some(), seen, "{id}");
        }
        let listed = store.deliveries(None, &reach, 0, 10).await.unwrap();
        assert_eq!(listed.iter().map(|delivery| delivery.id).collect::<Vec<_>>(), deliveries);
        let counts = store.outbox_counts(&reach).await.unwrap();
        assert_eq!(counts.received, i64::try_from(deliveries.len()).unwrap());
        let preview = store.replay_preview(DeliveryState::Pending, &reach).await.unwrap();
        assert_eq!(preview.deliveries, counts.received);
        for id in 1..=3 {
            assert_eq!(store.delivery(id, &reach).await.unwrap().is_some(), deliveries.contains(&id));
        }
    }
    // What an operator of one clinic does stays there.
    let only = Reach::of(north.as_ref());
    assert_eq!(store.discard(2, &only, "c", "r", 2).await.unwrap(), Err(OperatorRefusal::Absent));
    assert_eq!(store.replay(2, &only, "c", Some("r"), 2).await.unwrap(), Err(OperatorRefusal::Absent));
    assert_eq!(store.discard(1, &only, "c", "r", 2).await.unwrap(), Ok(()));
    for reach in [Reach::of(south.as_ref()), only.clone()] {
        let replayed = u64::from(reach == only);
        let done =
            store.replay_all(DeliveryState::Discarded, &reach, "c", Some("r"), replayed, 3).await.unwrap();
        assert_eq!(done, Ok(replayed));
    }
    assert_eq!(states(&store).await, [DeliveryState::Pending; 3]);
    // A commit of one clinic changes no exam of another.
    let foreign = Commit { clinic: north, exams: vec![change("k1", 1, vec![])], at: 3, ..Commit::default() };
    assert_eq!(store.commit(foreign).await.unwrap(), Committed::Overtaken);
}

async fn tokens_are_kept_and_taken_back(store: Store) {
    let token = NewToken {
        id: "t1".into(),
        name: "ward".into(),
        hash: "ab".repeat(32),
        rights: "submit read".into(),
        clinic: Some("north".into()),
        device: None,
        expires: Some(9),
    };
    store.keep_token(&token, 1).await.unwrap();
    let second = NewToken { id: "t2".into(), ..token.clone() };
    assert!(store.keep_token(&second, 1).await.is_err(), "no two of one hash");
    let kept = store.tokens().await.unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].clinic.as_deref(), kept[0].expires, kept[0].revoked), (Some("north"), Some(9), None));
    assert_eq!(store.revoke_token("t1", 5).await.unwrap(), Revoked::Now);
    assert_eq!(store.revoke_token("t1", 6).await.unwrap(), Revoked::Before);
    assert_eq!(store.revoke_token("t2", 6).await.unwrap(), Revoked::Unknown);
    assert_eq!(store.tokens().await.unwrap()[0].revoked, Some(5));
}

const DAY: i64 = 86_400_000;

/// An exam with its assessment and what is asked for after it. `window` and `day` count days from 1 January 2026.
fn assessed(
    person: &str,
    key: &str,
    version: i64,
    day: i64,
    risk: &str,
    request: Option<(&str, &str, [i64; 2])>,
) -> ExamChange {
    let date = |day: i64| {
        let start = jiff::civil::date(2026, 1, 1);
        start.saturating_add(jiff::Span::new().days(day)).to_string()
    };
    let status = if risk == "unsettled" { "preliminary" } else { "final" };
    let assessment = json!({
        "resourceType": "RiskAssessment", "status": status, "occurrenceDateTime": date(day),
        "method": {"coding": [{"code": "iwgdf-2023"}]},
        "prediction": [{"qualitativeRisk": {"coding": [{"code": "lowest"}]}},
                       {"qualitativeRisk": {"coding": [{"code": risk}]}}]
    });
    let id = |kind: &str| format!("{key}-{kind}");
    let mut writes = vec![write("RiskAssessment", &id("a"), version, assessment)];
    if let Some((kind, priority, [low, high])) = request {
        let body = json!({
            "resourceType": "ServiceRequest", "status": "active", "priority": priority,
            "identifier": [{"system": format!("https://solewire.example/fhir/identifier/{kind}"), "value": key}],
            "supportingInfo": [{"reference": format!("RiskAssessment/{}", id("a"))}],
            "occurrencePeriod": {"start": date(low), "end": date(high)}
        });
        writes.push(write("ServiceRequest", &id(kind), version, body));
    }
    ExamChange { subject: person.into(), encounter: None, ..change(key, version - 1, writes) }
}

async fn worklists_put_the_most_dangerous_first_and_each_person_once(store: Store) {
    let recall = |low, high| Some(("recall", "routine", [low, high]));
    let exams = vec![
        assessed("late", "k1", 1, 1, "low", recall(120, 400)),
        assessed("due", "k2", 1, 2, "high", recall(50, 150)),
        assessed("over", "k3", 1, 3, "moderate", recall(40, 90)),
        assessed("longer over", "k4", 1, 4, "moderate", recall(40, 80)),
        assessed("again", "k5", 1, 5, "high", recall(10, 20)),
        assessed("again", "k6", 1, 60, "low", recall(300, 400)),
        assessed("urgent", "k7", 1, 7, "high", Some(("referral", "urgent", [7, 8]))),
        assessed("at once", "k8", 1, 8, "low", Some(("referral", "stat", [9, 10]))),
        assessed("open", "k9", 1, 9, "unsettled", None),
    ];
    commit(&store, exams, 1).await;
    let start: jiff::Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
    let page = |list| ListPage {
        list,
        reach: Reach::All,
        when: None,
        risk: None,
        ranked: vec![["low", "moderate", "high", "unsettled"].map(str::to_owned).to_vec()],
        guideline: "iwgdf-2023".into(),
        now: start.as_millisecond() + 100 * DAY,
        count: 50,
        offset: 0,
    };
    let shown = async |page: ListPage| {
        let (total, listed) = store.worklist(&page).await.unwrap();
        let ids: Vec<String> = listed.into_iter().map(|entry| entry.assessment_id).collect();
        (total, ids)
    };
    let recalls = || page(Worklist::Recalls);
    let all = (5, ["k4-a", "k3-a", "k2-a", "k1-a", "k6-a"].map(str::to_owned).to_vec());
    assert_eq!(shown(recalls()).await, all);
    let part = |count, offset| ListPage { count, offset, ..recalls() };
    assert_eq!(shown(part(2, 2)).await, (5, all.1[2..4].to_vec()));
    assert_eq!(shown(part(2, 50)).await, (5, vec![]), "behind the end");
    for (when, expected) in [(When::Overdue, 0..2), (When::Due, 2..3), (When::Later, 3..5)] {
        let expected = all.1[expected].to_vec();
        let wanted = ListPage { when: Some(when), ..recalls() };
        assert_eq!(shown(wanted).await, (expected.len() as u64, expected), "{when:?}");
    }
    let moderate = ListPage { risk: Some("moderate".into()), ..recalls() };
    assert_eq!(shown(moderate).await, (2, all.1[..2].to_vec()));
    let referrals = shown(page(Worklist::Referrals)).await;
    assert_eq!(referrals, (2, ["k8-a", "k7-a"].map(str::to_owned).to_vec()));
    assert_eq!(shown(page(Worklist::Incomplete)).await, (1, vec!["k9-a".to_owned()]));
    let other = ListPage { guideline: "nice-ng19".into(), ..page(Worklist::Incomplete) };
    assert_eq!(shown(other).await, (0, vec![]));

    let north = Clinic::named("north");
    let of_north = || ListPage { reach: Reach::of(north.as_ref()), ..recalls() };
    assert_eq!(shown(of_north()).await, (0, vec![]), "nothing of those without a clinic");

    // The assessment says something else and the request stays as it was: it stands with the assessment of now.
    commit(&store, vec![assessed("over", "k3", 2, 3, "high", None)], 2).await;
    let order = ["k3-a", "k4-a", "k2-a", "k1-a", "k6-a"].map(str::to_owned).to_vec();
    assert_eq!(shown(recalls()).await, (5, order));
    let listed = store.worklist(&recalls()).await.unwrap().1.remove(0);
    assert!(listed.assessment.contains("\"high\"") && listed.request.unwrap().contains("2026-02-10"));

    let exams = vec![assessed("due", "k10", 1, 50, "high", recall(50, 150))];
    let there = Commit { clinic: north.clone(), exams, at: 3, ..Commit::default() };
    assert_eq!(store.commit(there).await.unwrap(), Committed::Done);
    assert_eq!(shown(of_north()).await, (1, vec!["k10-a".to_owned()]));
    let (number, ids) = shown(recalls()).await;
    assert!(number == 6 && ids.contains(&"k2-a".to_owned()), "a person of that name elsewhere hides nobody");
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

async fn a_page_session_is_kept_used_and_ended(store: Store) {
    let session = |used| PageSession { credential: "c".into(), opened: 5, used };
    store.open_page_session("a", &session(5), (0, 0), 3).await.unwrap();
    assert_eq!(store.page_session("a").await.unwrap(), Some(session(5)));
    store.use_page_session("a", 9).await.unwrap();
    assert_eq!(store.page_session("a").await.unwrap(), Some(session(9)));
    for (id, used) in [("b", 6), ("c", 7), ("d", 8)] {
        store.open_page_session(id, &session(used), (0, 0), 3).await.unwrap();
    }
    assert_eq!(store.page_session("b").await.unwrap(), None, "the least used makes room");
    store.open_page_session("e", &session(9), (8, 0), 3).await.unwrap();
    assert_eq!(store.page_session("c").await.unwrap(), None, "it rested too long");
    store.open_page_session("f", &session(10), (0, 6), 9).await.unwrap();
    assert_eq!(store.page_session("a").await.unwrap(), None, "it was opened too long ago");
    store.end_page_session("f").await.unwrap();
    assert_eq!(store.page_session("f").await.unwrap(), None);
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
    assert_eq!(bodies(store.history("Observation", "a", &Reach::All).await.unwrap()), [false, true]);
    assert_eq!(bodies(store.history("Observation", "b", &Reach::All).await.unwrap()), [false, false]);
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
