use serde_json::{Value, json};
use solewire_profiles::{ExamKey, SubmittedExam};

use super::*;

struct Bench {
    store: Store,
    folder: tempfile::TempDir,
}

async fn bench() -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("solewire.db")).await.unwrap();
    Bench { store, folder }
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
        encounter: Some("e|1".into()),
        panel_identifier: None,
        writes,
        withdraws: false,
        payload: Some(format!("payload {}", seen_version + 1)),
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
    store.commit(&Commit { exams, at, ..Commit::default() }).await.unwrap()
}

#[tokio::test]
async fn what_is_committed_is_there_after_reopening_and_the_file_is_private() {
    let Bench { store, folder } = bench().await;
    let path = folder.path().join("solewire.db");
    let body = json!({"resourceType": "Observation", "id": "a", "status": "final"});
    assert_eq!(
        commit(&store, vec![change("k", 0, vec![write("Observation", "a", 1, body)])], 5).await,
        Committed::Done
    );
    store.close().await;
    drop(store);
    let store = Store::open(&path).await.unwrap();
    let read = store.read("Observation", "a").await.unwrap().unwrap();
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
async fn one_process_at_a_time_and_never_a_damaged_file() {
    let Bench { store, folder } = bench().await;
    let path = folder.path().join("solewire.db");
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

#[tokio::test]
async fn a_commit_that_was_overtaken_writes_nothing() {
    let Bench { store, folder: _folder } = bench().await;
    let observation = |text: &str| json!({"resourceType": "Observation", "status": text});
    commit(&store, vec![change("k", 0, vec![write("Observation", "a", 1, observation("final"))])], 1).await;
    let both = vec![
        change("other", 0, vec![write("Observation", "b", 1, observation("final"))]),
        change("k", 0, vec![write("Observation", "a", 2, observation("amended"))]),
    ];
    assert_eq!(commit(&store, both, 2).await, Committed::Overtaken);
    assert!(store.read("Observation", "b").await.unwrap().is_none());
    let next = vec![change("k", 1, vec![write("Observation", "a", 2, observation("amended"))])];
    assert_eq!(commit(&store, next, 3).await, Committed::Done);
    let history = store.history("Observation", "a").await.unwrap();
    assert_eq!(history.iter().map(|version| version.version).collect::<Vec<_>>(), [2, 1]);
}

#[tokio::test]
async fn results_find_their_exam_by_encounter_and_panels_adopt() {
    let Bench { store, folder: _folder } = bench().await;
    assert!(store.matching_exam(&submitted("lone", None)).await.unwrap().is_none());
    commit(&store, vec![change("lone", 0, vec![])], 1).await;
    let adopted = store.matching_exam(&submitted("panel", Some("p|1"))).await.unwrap().unwrap();
    assert_eq!(adopted.key.0, "lone");
    let with_panel = ExamChange { panel_identifier: Some("p|1".into()), ..change("lone", 1, vec![]) };
    commit(&store, vec![with_panel], 2).await;
    let again = store.matching_exam(&submitted("panel", Some("p|1"))).await.unwrap().unwrap();
    assert_eq!((again.key.0.as_str(), again.version), ("lone", 2));
    assert!(store.matching_exam(&submitted("second", Some("p|2"))).await.unwrap().is_none());
    assert_eq!(store.matching_exam(&submitted("late", None)).await.unwrap().unwrap().key.0, "lone");
}

#[tokio::test]
async fn conditional_creates_and_keys_hold_inside_the_transaction() {
    let Bench { store, folder: _folder } = bench().await;
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
    assert_eq!(store.commit(&once("x", "a")).await.unwrap(), Committed::Done);
    assert_eq!(store.commit(&once("y", "b")).await.unwrap(), Committed::Overtaken);
    assert_eq!(store.with_identifier("Observation", &token).await.unwrap().len(), 1);
    assert_eq!(store.key_use("k", "c", "h").await.unwrap(), KeyUse::Answered("a".into()));
    assert_eq!(store.key_use("k", "c", "other").await.unwrap(), KeyUse::OtherBody);
    assert_eq!(store.key_use("k", "d", "h").await.unwrap(), KeyUse::Fresh);
}

#[tokio::test]
async fn an_earlier_exam_that_changed_meanwhile_is_noticed() {
    let Bench { store, folder: _folder } = bench().await;
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
    store.commit(&commit(assessed("b", 0, "2026-02-01T09:00:00Z", "final"))).await.unwrap();
    store.commit(&commit(assessed("a", 0, "2025-02-01T09:00:00Z", "final"))).await.unwrap();
    store.commit(&commit(assessed("d", 0, "2026-03-01T00:00:00Z", "final"))).await.unwrap();
    let earlier = store.earlier_exams(&subject, &key, before).await.unwrap();
    let named: Vec<(&str, i64)> = earlier.iter().map(|exam| (exam.key.0.as_str(), exam.version)).collect();
    assert_eq!(named, [("a", 1), ("b", 1)]);
    assert_eq!(earlier[0].resources.len(), 1, "what was derived is left out");
    let exams = earlier.iter().map(|exam| (exam.key.clone(), exam.version)).collect();
    let seen = SeenEarlier { subject: subject.clone(), key: key.clone(), before, exams };
    store.commit(&commit(assessed("b", 1, "2026-02-01T09:00:00Z", "entered-in-error"))).await.unwrap();
    let now = |seen| Commit {
        seen_earlier: vec![seen],
        ..commit(assessed("c", 0, "2026-03-01T00:00:00Z", "final"))
    };
    assert_eq!(store.commit(&now(seen.clone())).await.unwrap(), Committed::Overtaken);
    let exams = vec![(ExamKey("a".into()), 1)];
    assert_eq!(store.commit(&now(SeenEarlier { exams, ..seen })).await.unwrap(), Committed::Done);
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
    }
}

#[tokio::test]
async fn versions_of_an_exam_go_one_after_the_other() {
    let Bench { store, folder: _folder } = bench().await;
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    commit(&store, vec![change("k", 1, vec![])], 2).await;
    commit(&store, vec![change("other", 0, vec![])], 3).await;
    let first = store.claim(10, 40, 8).await.unwrap();
    assert_eq!(
        first.iter().map(|claimed| claimed.payload.as_str()).collect::<Vec<_>>(),
        ["payload 1", "payload 1"]
    );
    assert!(store.claim(10, 40, 8).await.unwrap().is_empty());
    store.settle(first[0].id, &outcome(DeliveryState::Parked), 11).await.unwrap();
    assert!(store.claim(12, 40, 8).await.unwrap().is_empty(), "a parked version holds the later ones");
    assert_eq!(store.discard(first[0].id, "c", "sent by hand", 13).await.unwrap(), Ok(()));
    assert_eq!(store.claim(14, 44, 8).await.unwrap()[0].payload, "payload 2");
}

#[tokio::test]
async fn a_lease_that_ran_out_or_was_left_behind_is_taken_up_again() {
    let Bench { store, folder: _folder } = bench().await;
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    assert_eq!(store.claim(1, 5, 1).await.unwrap().len(), 1);
    assert_eq!(store.next_due().await.unwrap(), Some(5));
    assert!(store.claim(4, 9, 1).await.unwrap().is_empty());
    assert_eq!(store.claim(5, 9, 1).await.unwrap().len(), 1);
    assert_eq!(store.release_leases(6).await.unwrap(), 1);
    assert_eq!(store.delivery(1).await.unwrap().unwrap().state, DeliveryState::UnknownOutcome);
    assert_eq!(store.claim(6, 9, 1).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_clock_that_was_set_back_a_day_holds_nothing_up() {
    let Bench { store, folder: _folder } = bench().await;
    let day = 86_400_000;
    commit(&store, vec![change("k", 0, vec![])], day).await;
    assert!(store.claim(day - 1, day, 1).await.unwrap().is_empty());
    assert_eq!(store.claim(1, 5, 1).await.unwrap().len(), 1);
}

#[tokio::test]
async fn what_crashes_twice_is_parked_and_what_was_delivered_is_replayed_with_a_reason_only() {
    let Bench { store, folder: _folder } = bench().await;
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    for state in [DeliveryState::UnknownOutcome, DeliveryState::Parked] {
        store.claim(1, 5, 1).await.unwrap();
        store.note_crash(1, 1).await.unwrap();
        assert_eq!(store.delivery(1).await.unwrap().unwrap().state, state);
    }
    assert_eq!(store.replay(1, "c", None, 2).await.unwrap(), Ok(()));
    assert_eq!(
        store.replay(1, "c", None, 2).await.unwrap(),
        Err(OperatorRefusal::State(DeliveryState::Pending))
    );
    store.claim(2, 5, 1).await.unwrap();
    store.settle(1, &outcome(DeliveryState::Delivered), 3).await.unwrap();
    assert_eq!(store.replay(1, "c", None, 4).await.unwrap(), Err(OperatorRefusal::ReasonMissing));
    assert_eq!(store.replay(9, "c", None, 4).await.unwrap(), Err(OperatorRefusal::Absent));
    assert_eq!(store.replay(1, "c", Some("restored from backup"), 4).await.unwrap(), Ok(()));
    let counts = store.outbox_counts().await.unwrap();
    assert_eq!((counts.states, counts.oldest_open), (vec![(DeliveryState::Pending, 1)], Some(1)));
}

#[tokio::test]
async fn search_compares_tokens_references_and_dates() {
    let Bench { store, folder: _folder } = bench().await;
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
        resource_type: "Observation".into(),
        filters: vec![],
        sort: vec![(SortKey::Date, true)],
        count: 1,
        offset: 1,
    };
    let found = store.search(&page).await.unwrap();
    assert_eq!((found.total, found.page[0].id.as_str()), (3, "b"));
}
