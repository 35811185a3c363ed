//! Exams of one person one after another, and the same exam again with other results.

use std::future::Future;

use proptest::strategy::Strategy as _;
use serde_json::json;

use super::*;
use crate::clinic::Reach;
use crate::store::Version;

/// The exam of the demonstration in a year, with results put in: test, side, part, result.
fn exam_in(year: &str, panel_status: &str, results: &[(&str, &str, &str, &str)]) -> Vec<u8> {
    let text = include_str!("../../demo/exam.json").replace("2026-09-16", &format!("{year}-09-16"));
    let text = text.replace("HL-EXAM-2026", &format!("HL-EXAM-{year}"));
    let text = text.replace("HL-VISIT-2026", &format!("HL-VISIT-{year}"));
    let mut bundle: Value = serde_json::from_str(&text).unwrap();
    for entry in bundle["entry"].as_array_mut().unwrap() {
        let resource = &mut entry["resource"];
        let code = resource["code"]["coding"][0]["code"].clone();
        if code == "foot-exam" {
            resource["status"] = json!(panel_status);
        }
        let place = resource["bodySite"]["coding"][0]["code"].as_str().unwrap_or_default().to_owned();
        for (test, side, part, result) in results {
            let foot = if side.is_empty() { String::new() } else { format!("{side}-foot") };
            if code != *test || place != foot {
                continue;
            }
            for component in resource["component"].as_array_mut().unwrap() {
                if component["code"]["coding"][0]["code"] == *part {
                    component.as_object_mut().unwrap().retain(|name, _| name == "code");
                    component["valueCodeableConcept"] = json!({ "coding": [{
                        "system": "https://solewire.example/fhir/CodeSystem/foot-result", "code": result }] });
                }
            }
        }
    }
    bundle.to_string().into_bytes()
}

const ULCER: (&str, &str, &str, &str) = ("history", "", "previous-ulcer", "present");
const NO_ULCER: (&str, &str, &str, &str) = ("history", "", "previous-ulcer", "absent");

impl Bench {
    async fn submit(&self, bytes: Vec<u8>) -> Accepted {
        self.intake.clock.advance(std::time::Duration::from_secs(60));
        self.intake.submit(Handed { bytes, ..handed(None) }).await.unwrap()
    }

    /// The one assessment of a submission.
    async fn assessment(&self, accepted: &Accepted) -> Value {
        assert_eq!(accepted.assessments.len(), 1);
        let found = self
            .intake
            .store
            .read("RiskAssessment", &accepted.assessments[0], &Reach::All)
            .await
            .unwrap()
            .unwrap();
        serde_json::from_str(&found.text).unwrap()
    }

    async fn history(&self, resource_type: &str, id: &str) -> Vec<(Version, Value)> {
        let versions =
            self.intake.store.history(resource_type, id, &Reach::All, i64::MAX, 99).await.unwrap().1;
        versions
            .into_iter()
            .map(|version| (version.clone(), serde_json::from_str(&version.text).unwrap()))
            .collect()
    }
}

fn category(assessment: &Value) -> &str {
    assert_eq!(assessment["prediction"].as_array().unwrap().len(), 1, "{assessment:#}");
    assessment["prediction"][0]["qualitativeRisk"]["coding"][0]["code"].as_str().unwrap()
}

fn notes(assessment: &Value) -> Vec<&str> {
    assessment["note"].as_array().unwrap().iter().map(|note| note["text"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn the_first_exam_of_a_person_is_assessed_as_without_a_store() {
    let bench = bench().await;
    let bytes = exam_in("2025", "final", &[ULCER]);
    let accepted = bench.submit(bytes.clone()).await;
    let stateless = bench.intake.assess(bytes, None, None).await.unwrap();
    for entry in stateless["entry"].as_array().unwrap() {
        let resource = &entry["resource"];
        let (kind, id) = (resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
        let stored = bench.intake.store.read(kind, id, &Reach::All).await.unwrap().unwrap();
        assert_eq!(stored.text, resource.to_string(), "{kind}");
    }
    assert!(notes(&bench.assessment(&accepted).await).iter().all(|note| !note.starts_with("Since the exam")));
}

#[tokio::test]
async fn history_of_an_earlier_exam_stays_in_force_until_that_exam_is_withdrawn() {
    let bench = bench().await;
    bench.submit(exam_in("2024", "final", &[ULCER])).await;
    bench.submit(exam_in("2025", "final", &[NO_ULCER])).await;
    let now = exam_in("2026", "final", &[NO_ULCER]);
    let carried = bench.submit(now.clone()).await;
    let carried = bench.assessment(&carried).await;
    assert_eq!(category(&carried), "iwgdf-2023.3");
    let policy = "Local policy: previous foot ulcer is recorded as absent now and was present in the exam of 2024-09-16";
    assert!(notes(&carried).iter().any(|note| note.starts_with(policy)), "{:#?}", notes(&carried));
    let since = "Since the exam of 2025-09-16: none of the facts changed.";
    assert!(notes(&carried).contains(&since), "{:#?}", notes(&carried));
    // Another person has nothing to do with it.
    let other = String::from_utf8(now).unwrap().replace("HL-PERSON-0004", "HL-PERSON-0005");
    let other = other.replace("HL-EXAM-2026", "HL-EXAM-OTHER").replace("HL-VISIT-2026", "HL-VISIT-OTHER");
    let alone = bench.submit(other.into_bytes()).await;
    assert_ne!(category(&bench.assessment(&alone).await), "iwgdf-2023.3");

    bench.submit(exam_in("2024", "entered-in-error", &[ULCER])).await;
    let again = bench.submit(exam_in("2026", "corrected", &[NO_ULCER])).await;
    assert_ne!(category(&bench.assessment(&again).await), "iwgdf-2023.3");
}

#[tokio::test]
async fn a_lower_category_is_answered_with_a_warning() {
    let bench = bench().await;
    let sites = ["hallux-plantar", "mth-1", "mth-5"];
    let all = |code| -> Vec<(&str, &str, &str, &str)> {
        let of = |side| sites.map(|site| ("monofilament-10g", side, site, code));
        of("left").into_iter().chain(of("right")).chain([NO_ULCER]).collect()
    };
    bench.submit(exam_in("2025", "final", &all("not-felt"))).await;
    let accepted = bench.submit(exam_in("2026", "final", &all("felt"))).await;
    let assessment = bench.assessment(&accepted).await;
    let lower = notes(&assessment)[0].to_owned();
    assert!(lower.starts_with("Lower than before: "), "{:#?}", notes(&assessment));
    assert!(lower.contains("in the exam of 2025-09-16"), "{lower}");
    let outcome = accepted.entries[0].outcome.clone().unwrap();
    let warned = outcome["issue"].as_array().unwrap().iter().any(|issue| {
        issue["severity"] == "warning" && issue["details"]["text"].as_str() == Some(lower.as_str())
    });
    assert!(warned, "{outcome:#}");
}

#[tokio::test]
async fn two_exams_of_a_person_in_one_document_know_of_each_other() {
    let bench = bench().await;
    let mut both: Value = serde_json::from_slice(&exam_in("2026", "final", &[NO_ULCER])).unwrap();
    let earlier = String::from_utf8(exam_in("2025", "final", &[ULCER])).unwrap();
    let earlier: Value = serde_json::from_str(&earlier.replace("5e1e0000-0004-", "5e1e0000-0005-")).unwrap();
    both["entry"].as_array_mut().unwrap().extend(earlier["entry"].as_array().unwrap().iter().cloned());
    let accepted = bench.submit(both.to_string().into_bytes()).await;
    assert_eq!(accepted.assessments.len(), 2);
    for id in &accepted.assessments {
        let found = bench.intake.store.read("RiskAssessment", id, &Reach::All).await.unwrap().unwrap();
        assert_eq!(category(&serde_json::from_str(&found.text).unwrap()), "iwgdf-2023.3");
    }
}

#[tokio::test]
async fn a_corrected_exam_has_one_assessment_and_says_which_version_it_replaces() {
    let bench = bench().await;
    let first = bench.submit(exam_in("2026", "final", &[ULCER])).await;
    let second = bench.submit(exam_in("2026", "corrected", &[NO_ULCER])).await;
    assert_eq!(first.assessments, second.assessments);
    let id = &second.assessments[0];
    let search = Search {
        reach: Reach::All,
        resource_type: "RiskAssessment".into(),
        filters: vec![],
        sort: vec![(SortKey::Id, false)],
        count: 10,
        offset: 0,
        total: Total::OfFew,
    };
    assert_eq!(bench.intake.store.search(&search).await.unwrap().total, Some(1));
    let versions = bench.history("RiskAssessment", id).await;
    let told: Vec<(i64, &str)> =
        versions.iter().map(|(version, body)| (version.version, body["status"].as_str().unwrap())).collect();
    assert_eq!(told, [(2, "corrected"), (1, "final")]);
    assert_eq!(category(&versions[1].1), "iwgdf-2023.3");
    assert_ne!(category(&versions[0].1), "iwgdf-2023.3");

    let sent = bench.deliveries().await;
    let provenance = |payload: &Value| {
        let entries = payload["entry"].as_array().unwrap();
        entries
            .iter()
            .map(|entry| entry["resource"].clone())
            .find(|body| body["resourceType"] == "Provenance")
            .unwrap()
    };
    let urn = provenance(&sent[1]);
    let revision = |body: &Value| -> Vec<Value> {
        let entities = body["entity"].as_array().unwrap().iter();
        entities.filter(|entity| entity["role"] == "revision").map(|entity| entity["what"].clone()).collect()
    };
    assert_eq!(revision(&provenance(&sent[0])), Vec::<Value>::new());
    let identifier = versions[1].1["identifier"][0].clone();
    let what = |reference: Option<String>| {
        let mut what = json!({ "type": "RiskAssessment", "identifier": identifier, "display": "Version 1 of the assessment" });
        if let Some(reference) = reference {
            what["reference"] = json!(reference);
        }
        what
    };
    assert_eq!(revision(&urn), [what(None)], "the record system numbers its versions by itself");
    let tag = urn["meta"]["tag"][0]["code"].as_str().unwrap();
    let stored = bench.history("Provenance", tag).await;
    assert_eq!(stored.len(), 2);
    assert_eq!(revision(&stored[0].1), [what(Some(format!("RiskAssessment/{id}/_history/1")))]);
    assert_eq!(stored[0].1["activity"]["coding"][0]["code"], "UPDATE");
}

/// The current assessment of the exam of a year.
async fn of_year(bench: &Bench, year: &str) -> Value {
    let exam = bench.intake.engine.submission(
        &Document::parse(exam_in(year, "final", &[]), Limits::default()).unwrap(),
        &bench.intake.context(bench.intake.clock.now(), None),
    );
    let stored = bench.intake.store.matching_exam(&exam.unwrap().exams[0], None).await.unwrap().unwrap();
    let mut assessments = stored.resources.into_iter().filter(|one| one.resource_type == "RiskAssessment");
    let found = assessments.next().unwrap().body;
    assert!(assessments.next().is_none(), "one assessment for each exam and guideline");
    found
}

fn without_status(assessment: &Value) -> Value {
    let mut out = assessment.clone();
    out["status"].take();
    out
}

/// What the answer says about later exams.
fn told_of_later(accepted: &Accepted) -> Vec<String> {
    let issues = accepted.entries.iter().filter_map(|entry| entry.outcome.as_ref()?["issue"].as_array());
    let texts = issues.flatten().filter_map(|issue| issue["details"]["text"].as_str());
    texts.filter(|text| text.starts_with("Later exams")).map(ToOwned::to_owned).collect()
}

#[tokio::test]
async fn an_exam_that_arrives_late_changes_the_later_ones_and_no_others() {
    let bench = bench().await;
    let first = bench.submit(exam_in("2025", "final", &[NO_ULCER])).await;
    let second = bench.submit(exam_in("2026", "final", &[NO_ULCER])).await;
    assert_eq!(told_of_later(&second), Vec::<String>::new());
    let alone = of_year(&bench, "2026").await;
    assert_eq!(bench.deliveries().await.len(), 2);
    // The one behind it is held against it; the one behind that is not touched, for no history comes with it.
    bench.submit(exam_in("2024", "final", &[NO_ULCER])).await;
    assert!(notes(&of_year(&bench, "2025").await).iter().any(|note| note.contains("exam of 2024-09-16")));
    assert_eq!(of_year(&bench, "2026").await, alone);
    assert_eq!(bench.deliveries().await.len(), 4);

    let late = bench.submit(exam_in("2023", "final", &[ULCER])).await;
    for (year, accepted) in [("2024", None), ("2025", Some(&first)), ("2026", Some(&second))] {
        let now = of_year(&bench, year).await;
        assert_eq!(category(&now), "iwgdf-2023.3", "{year}");
        assert_eq!(now["status"], "amended", "{year}");
        let told = told_of_later(&late);
        assert!(told[0].contains(now["id"].as_str().unwrap()), "{told:?}");
        if let Some(accepted) = accepted {
            assert_eq!(accepted.assessments, [now["id"].as_str().unwrap()], "{year}");
        }
    }
    let sent = bench.deliveries().await;
    assert_eq!(sent.len(), 8, "the late exam and the three behind it");
    let provenance = |payload: &Value| {
        let entries = payload["entry"].as_array().unwrap().iter();
        entries.map(|entry| &entry["resource"]).find(|body| body["resourceType"] == "Provenance").cloned()
    };
    for payload in &sent[5..] {
        let methods = payload["entry"].as_array().unwrap().iter().map(|entry| &entry["request"]["method"]);
        assert!(
            methods.into_iter().all(|method| method == "PUT"),
            "a later version of an exam that was sent"
        );
        let provenance = provenance(payload).unwrap();
        let entities = provenance["entity"].as_array().unwrap();
        assert!(entities.iter().any(|entity| entity["role"] == "revision"), "{provenance:#}");
    }
    // The same late exam once more changes nothing.
    bench.submit(exam_in("2023", "final", &[ULCER])).await;
    assert_eq!(bench.deliveries().await.len(), 8);
}

#[tokio::test]
async fn a_corrected_or_withdrawn_exam_takes_its_history_out_of_the_later_ones() {
    let bench = bench().await;
    bench.submit(exam_in("2026", "final", &[NO_ULCER])).await;
    let alone = of_year(&bench, "2026").await;
    bench.submit(exam_in("2024", "final", &[ULCER])).await;
    assert_eq!(category(&of_year(&bench, "2026").await), "iwgdf-2023.3");
    bench.submit(exam_in("2024", "corrected", &[NO_ULCER])).await;
    let corrected = of_year(&bench, "2026").await;
    assert_eq!(category(&corrected), category(&alone));
    assert_eq!(corrected["status"], "amended");
    assert!(notes(&corrected).contains(&"Since the exam of 2024-09-16: none of the facts changed."));
    bench.submit(exam_in("2024", "corrected", &[ULCER])).await;
    bench.submit(exam_in("2024", "entered-in-error", &[ULCER])).await;
    let withdrawn = of_year(&bench, "2026").await;
    assert_eq!(without_status(&withdrawn), without_status(&alone));
    assert_eq!(withdrawn["status"], "amended");
    let versions = bench.history("RiskAssessment", alone["id"].as_str().unwrap()).await;
    assert_eq!(versions.iter().map(|(version, _)| version.version).collect::<Vec<_>>(), [5, 4, 3, 2, 1]);
}

#[tokio::test]
async fn two_exams_of_a_person_at_once_know_of_each_other_in_the_end() {
    let bench = bench().await;
    let submit = |year, ulcer| bench.submit(exam_in(year, "final", &[ulcer]));
    tokio::join!(submit("2026", NO_ULCER), submit("2024", ULCER), submit("2025", NO_ULCER));
    for year in ["2024", "2025", "2026"] {
        assert_eq!(category(&of_year(&bench, year).await), "iwgdf-2023.3", "{year}");
    }
    let since = |year, of: &str| notes_of(&bench, year, format!("Since the exam of {of}-09-16"));
    assert!(since("2026", "2025").await && since("2025", "2024").await);
}

async fn notes_of(bench: &Bench, year: &str, start: String) -> bool {
    notes(&of_year(bench, year).await).iter().any(|note| note.starts_with(&start))
}

#[tokio::test]
async fn an_exam_moved_behind_another_one_is_no_longer_before_it() {
    let bench = bench().await;
    bench.submit(exam_in("2025", "final", &[NO_ULCER])).await;
    let alone = of_year(&bench, "2025").await;
    bench.submit(exam_in("2024", "final", &[ULCER])).await;
    assert_eq!(category(&of_year(&bench, "2025").await), "iwgdf-2023.3");
    let moved = String::from_utf8(exam_in("2024", "corrected", &[ULCER])).unwrap();
    bench.submit(moved.replace("2024-09-16", "2026-09-16").into_bytes()).await;
    assert_eq!(without_status(&of_year(&bench, "2025").await), without_status(&alone));
    let moved = of_year(&bench, "2024").await;
    assert!(notes(&moved).iter().any(|note| note.contains("exam of 2025-09-16")), "{:#?}", notes(&moved));
}

#[tokio::test]
async fn an_exam_corrected_to_another_person_leaves_the_one_and_joins_the_other() {
    let bench = bench().await;
    let of_other = |bytes: Vec<u8>, year: &str| {
        let text = String::from_utf8(bytes).unwrap().replace("HL-PERSON-0004", "HL-PERSON-0005");
        text.replace(&format!("HL-EXAM-{year}"), "HL-EXAM-OTHER")
            .replace(&format!("HL-VISIT-{year}"), "HL-VISIT-OTHER")
    };
    let other = of_other(exam_in("2026", "final", &[NO_ULCER]), "2026").into_bytes();
    let other = bench.submit(other).await;
    bench.submit(exam_in("2026", "final", &[NO_ULCER])).await;
    let alone = of_year(&bench, "2026").await;
    bench.submit(exam_in("2024", "final", &[ULCER])).await;
    assert_eq!(category(&of_year(&bench, "2026").await), "iwgdf-2023.3");
    let corrected = String::from_utf8(exam_in("2024", "corrected", &[ULCER])).unwrap();
    let told = bench.submit(corrected.replace("HL-PERSON-0004", "HL-PERSON-0005").into_bytes()).await;
    assert_eq!(without_status(&of_year(&bench, "2026").await), without_status(&alone));
    let joined = bench.assessment(&other).await;
    assert_eq!(category(&joined), "iwgdf-2023.3");
    let ids = told_of_later(&told).join("");
    assert!([&alone, &joined].iter().all(|one| ids.contains(one["id"].as_str().unwrap())), "{ids}");
}

#[tokio::test]
async fn an_unchanged_exam_of_the_same_document_follows_too() {
    let bench = bench().await;
    let both = |status: &str, ulcer| {
        let mut both: Value = serde_json::from_slice(&exam_in("2026", "final", &[NO_ULCER])).unwrap();
        let earlier = String::from_utf8(exam_in("2025", status, &[ulcer])).unwrap();
        let earlier: Value =
            serde_json::from_str(&earlier.replace("5e1e0000-0004-", "5e1e0000-0005-")).unwrap();
        both["entry"].as_array_mut().unwrap().extend(earlier["entry"].as_array().unwrap().iter().cloned());
        both.to_string().into_bytes()
    };
    bench.submit(both("final", ULCER)).await;
    assert_eq!(category(&of_year(&bench, "2026").await), "iwgdf-2023.3");
    bench.submit(both("corrected", NO_ULCER)).await;
    assert_ne!(category(&of_year(&bench, "2026").await), "iwgdf-2023.3");
}

#[tokio::test]
async fn an_exam_before_too_many_others_is_refused_and_changes_nothing() {
    let bench = bench().await;
    bench.submit(exam_in("2026", "final", &[])).await;
    let subject = "https://harbourlane.example/person|HL-PERSON-0004";
    let exams = (0..later::MOST_LATER).map(|number| {
        let body = json!({ "resourceType": "RiskAssessment", "id": format!("late-{number}"), "status": "final",
                           "occurrenceDateTime": "2026-10-01T09:00:00Z" });
        let write = crate::store::ResourceWrite {
            resource_type: "RiskAssessment".into(),
            id: format!("late-{number}"),
            version: 1,
            derived: true,
            text: body.to_string(),
            body,
        };
        crate::store::ExamChange {
            key: ExamKey(format!("late-{number}")),
            seen_version: 0,
            subject: subject.into(),
            subject_before: None,
            encounter: None,
            panel_identifier: None,
            writes: vec![write],
            payload: None,
            priority: crate::store::Priority::default(),
            withdraws: false,
        }
    });
    let commit = Commit { exams: exams.collect(), at: 1, ..Commit::default() };
    assert_eq!(bench.intake.store.commit(commit).await.unwrap(), Committed::Done);
    let bytes = exam_in("2025", "final", &[]);
    let refused = bench.intake.submit(Handed { bytes, ..handed(None) }).await.unwrap_err();
    let Refusal::Invalid { issues, .. } = refused else { panic!("{refused:?}") };
    assert_eq!(issues[0].rule, "submit-too-many-later");
    assert_eq!(bench.deliveries().await.len(), 1);
}

/// Versions of the exams of a person in the order in which each exam's own versions come.
fn versions() -> Vec<Vec<Work>> {
    let sites = ["hallux-plantar", "mth-1", "mth-5"];
    let not_felt = |side| sites.map(|site| ("monofilament-10g", side, site, "not-felt"));
    let none = [NO_ULCER];
    let amputated = [NO_ULCER, ("history", "", "previous-amputation", "present")];
    let left: Vec<_> = not_felt("left").into_iter().chain([NO_ULCER]).collect();
    let right: Vec<_> = not_felt("right").into_iter().chain([NO_ULCER]).collect();
    let work = |year: &str, status: &str, results: &[(&str, &str, &str, &str)]| {
        let document = Document::parse(exam_in(year, status, results), Limits::default()).unwrap();
        let context = CheckContext::at("2026-11-25T12:00:00Z".parse().unwrap());
        let entries = document.value()["entry"].as_array().unwrap().len();
        let submission = engine().submission(&document, &context).unwrap();
        super::work(submission.exams, entries)
    };
    vec![
        vec![work("2022", "final", &[ULCER]), work("2022", "corrected", &none)],
        vec![work("2023", "final", &amputated), work("2023", "entered-in-error", &amputated)],
        vec![
            work("2024", "preliminary", &left),
            work("2024", "final", &right),
            work("2024", "amended", &left),
        ],
        vec![work("2025", "final", &right)],
        vec![work("2026", "final", &none), work("2026", "corrected", &[ULCER])],
    ]
}

/// The current resources of a person's exams, but for what tells of the way there: when a Provenance was made and which
/// version it replaced, and whether a final assessment was amended on the way.
async fn final_state(bench: &Bench, keys: &[SubmittedExam]) -> Vec<Value> {
    let mut out = Vec::new();
    for exam in keys {
        for resource in bench.intake.store.matching_exam(exam, None).await.unwrap().unwrap().resources {
            let mut body = resource.body;
            if resource.resource_type == "RiskAssessment" && body["status"] == "amended" {
                body["status"] = json!("final");
            }
            // Taken back and never there are the same to whoever reads what is asked for now.
            if resource.resource_type != "Provenance" && body["status"] != "revoked" {
                out.push(body);
            }
        }
    }
    out.sort_by_key(|body| body["id"].as_str().unwrap_or_default().to_owned());
    out
}

/// Runs one future to its end on a runtime of its own.
fn block_on<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}

/// Few orders for every day; `PROPTEST_CASES` asks for more.
fn orders() -> proptest::test_runner::Config {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    proptest::test_runner::Config {
        cases: asked.unwrap_or(6),
        failure_persistence: None,
        ..Default::default()
    }
}

proptest::proptest! {
    #![proptest_config(orders())]

    /// The versions of one exam come in their own order; those of different exams in any.
    #[test]
    fn f25_the_order_in_which_exams_arrive_does_not_matter(
        order in proptest::strategy::Just(vec![0, 0, 1, 1, 2, 2, 2, 3, 4, 4]).prop_shuffle()
    ) {
        static VERSIONS: std::sync::OnceLock<Vec<Vec<Work>>> = std::sync::OnceLock::new();
        static IN_ORDER: std::sync::OnceLock<Vec<Value>> = std::sync::OnceLock::new();
        let versions = VERSIONS.get_or_init(versions);
        let keys: Vec<SubmittedExam> = versions.iter().map(|of| of[0].submission.exams[0].clone()).collect();
        let state_after = |order: &[usize]| block_on(async {
            let bench = bench().await;
            let mut next = vec![0; versions.len()];
            for &exam in order {
                bench.intake.clock.advance(std::time::Duration::from_secs(60));
                bench.take(&versions[exam][next[exam]]).await;
                next[exam] += 1;
            }
            final_state(&bench, &keys).await
        });
        let in_order = IN_ORDER.get_or_init(|| state_after(&[0, 0, 1, 1, 2, 2, 2, 3, 4, 4]));
        proptest::prop_assert_eq!(&state_after(&order), in_order);
    }
}
