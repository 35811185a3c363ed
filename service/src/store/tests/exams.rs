//! Which exam a result belongs to, and when it is closed.

use super::*;

on_each_store! {
    results_find_their_exam_by_encounter_and_panels_adopt,
    a_first_result_and_its_panel_never_begin_two_exams,
    exams_without_a_panel_are_found_when_they_went_quiet_and_are_closed_once,
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
