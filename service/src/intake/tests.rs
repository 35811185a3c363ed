mod devices;
mod sequence;

use serde_json::json;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{ExamKey, PlacedResource, Submission};
use uuid::Uuid;

use super::*;
use crate::access::Types;
use crate::clinic::Reach;
use crate::config::Right;
use crate::store::Search;
use crate::store::{SortKey, Total};

/// An intake on a fresh store, with a clock that stands still.
pub(crate) struct Bench {
    pub(crate) intake: Intake,
    _folder: tempfile::TempDir,
}

/// Loading takes a while, so all tests share one.
fn engine() -> Arc<Engine> {
    static ENGINE: std::sync::OnceLock<Arc<Engine>> = std::sync::OnceLock::new();
    Arc::clone(ENGINE.get_or_init(|| Arc::new(Engine::builtin().unwrap())))
}

pub(crate) async fn bench() -> Bench {
    bench_with("").await
}

/// The same with further settings.
async fn bench_with(settings: &str) -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let config = crate::config::Config::parse(
        &format!("[access]\nmode = \"open\"\n{settings}"),
        std::path::Path::new("test"),
        std::iter::empty::<(String, String)>(),
    )
    .unwrap();
    let intake = Intake {
        engine: engine(),
        store: Store::open(&folder.path().join("solewire.db")).await.unwrap(),
        clock: Clock::held_at("2026-11-25T12:00:00Z".parse().unwrap()),
        assessment: config.assessment,
        group_by: config.group_by,
        devices: Arc::new(config.devices),
        forward: Some(Arc::new(Notify::new())),
        large_bodies: LargeBodies::default(),
    };
    Bench { intake, _folder: folder }
}

fn placed(entry: usize, name: &str, status: &str) -> PlacedResource {
    let id = Uuid::new_v5(&Uuid::NAMESPACE_URL, name.as_bytes());
    PlacedResource {
        entry: Some(entry),
        resource_type: "Observation".into(),
        id,
        body: json!({
            "resourceType": "Observation", "id": id.to_string(), "status": status,
            "identifier": [{ "system": "https://harbourlane.example/results", "value": name }],
            "subject": { "identifier": { "system": "https://harbourlane.example/people", "value": "Moth-1" } },
            "code": { "coding": [{ "system": "https://solewire.example/fhir/CodeSystem/foot-test", "code": "pulse" }] },
            "effectiveDateTime": "2026-11-20T09:00:00Z"
        }),
    }
}

fn exam(key: &str, panel: Option<&str>, resources: Vec<PlacedResource>) -> SubmittedExam {
    SubmittedExam {
        key: ExamKey(key.into()),
        subject: "https://harbourlane.example/people|Moth-1".into(),
        encounter: Some("https://harbourlane.example/visits|4".into()),
        panel_identifier: panel.map(str::to_owned),
        resources,
    }
}

fn work(exams: Vec<SubmittedExam>, entries: usize) -> Work {
    let submission = Submission { exams, context_entries: Vec::new() };
    Work {
        submission,
        conditions: Vec::new(),
        replacing: Vec::new(),
        entries,
        issues: Vec::new(),
        root: "Bundle".into(),
        target: None,
    }
}

fn handed(key: Option<&str>) -> Handed {
    Handed {
        bytes: Vec::new(),
        expected: Expected::Transaction,
        caller: Caller {
            name: "anyone".into(),
            rights: vec![Right::Submit],
            types: Types::All,
            clinic: None,
            device: None,
        },
        key: key.map(str::to_owned),
        if_none_exist: None,
        target: None,
    }
}

impl Intake {
    /// The same intake once more, on the same store.
    pub(crate) fn clone_for_test(&self) -> Intake {
        Intake {
            engine: Arc::clone(&self.engine),
            store: self.store.clone(),
            clock: self.clock.clone(),
            assessment: self.assessment.clone(),
            group_by: self.group_by,
            devices: Arc::clone(&self.devices),
            forward: self.forward.clone(),
            large_bodies: self.large_bodies.clone(),
        }
    }
}

impl Bench {
    async fn take(&self, work: &Work) -> Accepted {
        self.intake.attempt(work, &handed(None), None).await.unwrap().unwrap()
    }

    /// Stores one exam of a panel and two findings, and gives the ids.
    pub(crate) async fn with_exam(&self) -> Vec<String> {
        let resources =
            vec![placed(0, "panel", "final"), placed(1, "left", "final"), placed(2, "right", "final")];
        let ids = resources.iter().map(|resource| resource.id.to_string()).collect();
        self.take(&work(vec![exam("one", Some("p|1"), resources)], 3)).await;
        ids
    }

    async fn deliveries(&self) -> Vec<Value> {
        let deliveries = self.intake.store.deliveries(None, &Reach::All, 0, 100).await.unwrap();
        deliveries.iter().map(|delivery| serde_json::from_str(&delivery.payload).unwrap()).collect()
    }
}

fn done(accepted: &Accepted) -> Vec<Done> {
    accepted.entries.iter().map(|entry| entry.done).collect()
}

#[tokio::test]
async fn the_same_exam_again_is_recognised_and_a_corrected_one_is_a_new_version() {
    let bench = bench().await;
    let all = |status: &str| {
        work(vec![exam("one", Some("p|1"), vec![placed(0, "panel", status), placed(2, "left", "final")])], 3)
    };
    let first = bench.take(&all("final")).await;
    assert_eq!(done(&first), [Done::Created, Done::Context, Done::Created]);
    assert!(first.changed);
    bench.intake.clock.advance(std::time::Duration::from_secs(60));
    let again = bench.take(&all("final")).await;
    assert_eq!(done(&again), [Done::Unchanged, Done::Context, Done::Unchanged]);
    assert!(!again.changed);
    assert_eq!(again.entries[0].resource, first.entries[0].resource, "the time of storing is that of then");
    assert_eq!(bench.deliveries().await.len(), 1);
    let corrected = bench.take(&all("corrected")).await;
    assert_eq!(done(&corrected), [Done::Updated, Done::Context, Done::Unchanged]);
    let sent = bench.deliveries().await;
    assert_eq!(sent.len(), 2);
    assert_eq!(sent[0]["entry"][0]["request"]["method"], "POST");
    let updated = sent[1]["entry"].as_array().unwrap().iter();
    let updated = updated.map(|entry| (&entry["request"]["method"], &entry["resource"]["resourceType"]));
    let findings = updated.filter(|(_, kind)| **kind == "Observation");
    let methods: Vec<&Value> = findings.map(|(method, _)| method).collect();
    assert_eq!(methods, ["PUT", "PUT"], "a later version carries the whole exam");
}

#[tokio::test]
async fn results_join_by_encounter_and_the_exam_keeps_its_first_key() {
    let bench = bench().await;
    bench.take(&work(vec![exam("lone", None, vec![placed(0, "device", "final")])], 1)).await;
    bench.take(&work(vec![exam("panelled", Some("p|1"), vec![placed(0, "panel", "final")])], 1)).await;
    bench.take(&work(vec![exam("late", None, vec![placed(0, "second-device", "final")])], 1)).await;
    let stored = bench
        .intake
        .store
        .matching_exam(&exam("panelled", Some("p|1"), vec![]), None)
        .await
        .unwrap()
        .unwrap();
    let submitted = stored.resources.iter().filter(|resource| !resource.derived).count();
    assert_eq!((stored.key.0.as_str(), stored.version, submitted), ("lone", 3, 3));
}

#[tokio::test]
async fn two_groups_of_one_document_that_continue_the_same_exam_are_one_change() {
    let bench = bench().await;
    bench.take(&work(vec![exam("lone", None, vec![placed(0, "device", "final")])], 1)).await;
    let both = vec![
        exam("panelled", Some("p|1"), vec![placed(0, "panel", "final")]),
        exam("lone", None, vec![placed(1, "other", "final")]),
    ];
    assert_eq!(done(&bench.take(&work(both, 2)).await), [Done::Created, Done::Created]);
    assert_eq!(bench.deliveries().await.len(), 2);
}

#[tokio::test]
async fn fifty_at_once_store_one_exam() {
    let bench = bench().await;
    let work = work(vec![exam("one", Some("p|1"), vec![placed(0, "panel", "final")])], 1);
    let tries = (0..50).map(|_| async {
        loop {
            if let Some(accepted) = bench.intake.attempt(&work, &handed(None), None).await.unwrap() {
                return accepted.changed;
            }
        }
    });
    let changed: Vec<bool> = futures_join(tries).await;
    assert_eq!(changed.iter().filter(|changed| **changed).count(), 1);
    assert_eq!(bench.deliveries().await.len(), 1);
}

/// Runs futures side by side on this task.
async fn futures_join<F: Future<Output = bool>>(futures: impl Iterator<Item = F>) -> Vec<bool> {
    let mut waiting: Vec<_> = futures.map(Box::pin).collect();
    let mut results = Vec::new();
    std::future::poll_fn(move |context| {
        waiting.retain_mut(|future| match future.as_mut().poll(context) {
            std::task::Poll::Ready(result) => {
                results.push(result);
                false
            }
            std::task::Poll::Pending => true,
        });
        if waiting.is_empty() {
            std::task::Poll::Ready(std::mem::take(&mut results))
        } else {
            std::task::Poll::Pending
        }
    })
    .await
}

#[tokio::test]
async fn a_key_gives_the_answer_of_then_and_refuses_another_body() {
    let bench = bench().await;
    let work = work(vec![exam("one", Some("p|1"), vec![placed(0, "panel", "final")])], 1);
    let keyed = handed(Some("key"));
    let first = bench.intake.attempt(&work, &keyed, Some("hash")).await.unwrap().unwrap();
    assert_eq!(bench.intake.earlier_answer(&keyed, Some("hash")).await.unwrap(), Some(first));
    assert!(matches!(bench.intake.earlier_answer(&keyed, Some("other")).await, Err(Refusal::KeyReused)));
}

#[tokio::test]
async fn a_condition_that_finds_a_resource_leaves_it_alone() {
    let bench = bench().await;
    bench.with_exam().await;
    let token =
        TokenMatch { system: Some("https://harbourlane.example/results".into()), value: Some("left".into()) };
    let mut work = work(vec![exam("one", Some("p|1"), vec![placed(0, "left", "amended")])], 1);
    work.conditions = vec![(Some(0), token.clone())];
    assert_eq!(done(&bench.take(&work).await), [Done::Unchanged]);
    let mut other = work;
    other.submission.exams = vec![exam("one", Some("p|1"), vec![placed(0, "new", "final")])];
    other.conditions = vec![(Some(0), TokenMatch { value: Some("new".into()), ..token })];
    assert_eq!(done(&bench.take(&other).await), [Done::Created]);
}

fn assessment(status: &str) -> Value {
    json!({
        "resourceType": "RiskAssessment", "id": "a", "status": status,
        "method": { "coding": [{ "code": "iwgdf-2023" }] },
        "prediction": [{ "qualitativeRisk": { "coding": [{ "code": "iwgdf-2023.1", "display": "Low" }], "text": "Category 1" } }]
    })
}

#[tokio::test]
async fn what_follows_is_stored_byte_for_byte_and_taken_back_when_it_no_longer_follows() {
    let bench = bench().await;
    let store = &bench.intake.store;
    let referral = json!({ "resourceType": "ServiceRequest", "id": "r", "status": "active" });
    let submitted = exam("one", Some("p|1"), vec![placed(0, "panel", "final")]);
    let first = plan::plan(None, &submitted, true, |_, _| vec![assessment("preliminary"), referral.clone()]);
    store
        .commit(Commit { exams: first.change.into_iter().collect(), at: 1, ..Commit::default() })
        .await
        .unwrap();
    assert_eq!(
        store.read("ServiceRequest", "r", &Reach::All).await.unwrap().unwrap().text,
        referral.to_string()
    );
    let stored = store.matching_exam(&submitted, None).await.unwrap();
    let mut corrected = submitted.clone();
    corrected.resources = vec![placed(0, "panel", "corrected")];
    let second = plan::plan(stored.as_ref(), &corrected, true, |_, bodies| {
        assert_eq!(bodies.len(), 1, "nothing derived is derived from");
        vec![assessment("final")]
    });
    let change = second.change.unwrap();
    let sent: Value = serde_json::from_str(change.payload.as_ref().unwrap()).unwrap();
    assert_eq!(sent["entry"][2]["resource"]["status"], "revoked");
    store.commit(Commit { exams: vec![change], at: 2, ..Commit::default() }).await.unwrap();
    let revoked = store.read("ServiceRequest", "r", &Reach::All).await.unwrap().unwrap();
    assert_eq!((revoked.version, revoked.text.contains("revoked")), (2, true));
    // The same once more, and a third correction: what was taken back is not taken back again.
    let stored = store.matching_exam(&submitted, None).await.unwrap();
    let same = plan::plan(stored.as_ref(), &corrected, true, |_, _| unreachable!("nothing is new"));
    assert!(same.change.is_none());
    assert_eq!(same.assessments, [assessment("final")]);
    let third = plan::plan(stored.as_ref(), &submitted, true, |_, _| vec![assessment("final")]);
    let ids: Vec<String> =
        third.change.unwrap().writes.into_iter().map(|write| write.resource_type).collect();
    assert_eq!(ids, ["Observation"]);
}

#[tokio::test]
async fn the_panel_tells_what_follows() {
    let mut entry = EntryAnswer::context();
    entry.note_assessment(&assessment("final"));
    entry.note(&[Issue::new(&solewire_profiles::submit::SUBMIT_NOTHING, "", "note")], "Bundle");
    let issues = entry.outcome.unwrap()["issue"].clone();
    assert_eq!(
        issues[0]["details"]["text"],
        "RiskAssessment/a, iwgdf-2023, final: iwgdf-2023.1 (Category 1)."
    );
    assert_eq!(issues.as_array().unwrap().len(), 2);
}

#[tokio::test]
async fn only_transactions_that_create_or_update_are_taken() {
    let entry = |method: &str, url: &str| json!({ "resource": { "resourceType": "Observation" }, "request": { "method": method, "url": url } });
    let bundle = |entry: Value| json!({ "resourceType": "Bundle", "type": "transaction", "entry": [entry] });
    for good in [
        entry("POST", "Observation"),
        entry("PUT", "Observation?identifier=a|b"),
        entry("PUT", "Observation/1"),
    ] {
        assert_eq!(rules::check_transaction(&bundle(good)), []);
    }
    for (bad, pointer) in [
        (entry("DELETE", "Observation/1"), "/entry/0/request/method"),
        (entry("POST", "Patient"), "/entry/0/request/url"),
        (entry("PUT", "Observation"), "/entry/0/request/url"),
        (entry("PUT", "ObservationX/1"), "/entry/0/request/url"),
    ] {
        assert_eq!(rules::check_transaction(&bundle(bad))[0].pointer, pointer);
    }
    let bench = bench().await;
    let collection = br#"{"resourceType":"Bundle","type":"collection"}"#.to_vec();
    let refused = bench.intake.submit(Handed { bytes: collection, ..handed(None) }).await.unwrap_err();
    let Refusal::Invalid { issues, .. } = refused else { panic!("{refused:?}") };
    assert_eq!(issues[0].rule, "submit-bundle-type");
    let search = Search {
        reach: Reach::All,
        resource_type: "Observation".into(),
        filters: vec![],
        sort: vec![(SortKey::Id, false)],
        count: 1,
        offset: 0,
        total: Total::OfFew,
    };
    assert_eq!(bench.intake.store.search(&search).await.unwrap().total, Some(0));
}
