//! Exams of one person one after another, and the same exam again with other results.

use serde_json::json;

use super::*;
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
        let found =
            self.intake.store.read("RiskAssessment", &accepted.assessments[0]).await.unwrap().unwrap();
        serde_json::from_str(&found.text).unwrap()
    }

    async fn history(&self, resource_type: &str, id: &str) -> Vec<(Version, Value)> {
        let versions = self.intake.store.history(resource_type, id).await.unwrap();
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
    let stateless = bench.intake.assess(bytes, None).unwrap();
    for entry in stateless["entry"].as_array().unwrap() {
        let resource = &entry["resource"];
        let (kind, id) = (resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
        let stored = bench.intake.store.read(kind, id).await.unwrap().unwrap();
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
        let found = bench.intake.store.read("RiskAssessment", id).await.unwrap().unwrap();
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
        resource_type: "RiskAssessment".into(),
        filters: vec![],
        sort: vec![(SortKey::Id, false)],
        count: 10,
        offset: 0,
    };
    assert_eq!(bench.intake.store.search(&search).await.unwrap().total, 1);
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
