//! Faults of one exam: it is parked, looked up or found, and the others go on.

use serde_json::{Value, json};
use solewire_service::loopback::{Answer, Behaviour, When};

use super::bench::{Bench, TYPES, corrected, exam, quick, records, records_of};

/// How often the outcome is lost in a row; `SOLEWIRE_TEST_ROUNDS` asks for more.
fn rounds() -> u32 {
    std::env::var("SOLEWIRE_TEST_ROUNDS").ok().and_then(|text| text.parse().ok()).unwrap_or(12)
}

/// The panel in the record system, with its id there.
fn panel(bench: &Bench) -> (String, Value) {
    let is_panel = |resource: &Value| resource.get("hasMember").is_some();
    let panel = bench.records.resources_of("Observation").into_iter().find(is_panel).unwrap();
    (panel["id"].as_str().unwrap().to_owned(), panel)
}

fn panel_identifier() -> Value {
    json!([{ "system": "https://harbourlane.example/exam", "value": "HL-EXAM-2026-0001" }])
}

/// A resource of somebody else's making that has the identifier of the panel.
fn stranger(patient: &str, status: &str) -> Value {
    json!({ "resourceType": "Observation", "status": status, "code": { "text": "Foot examination" },
            "identifier": panel_identifier(), "subject": { "reference": patient } })
}

#[tokio::test]
async fn f08_a_refused_exam_is_parked_after_one_request() {
    for status in [400, 422] {
        let bench = Bench::usual().await;
        let refusal = Answer::status(status).outcome("value", "Edwina Fable is unknown.", None);
        bench.records.script(When::Writes, Behaviour::Answer(refusal));
        bench.submit(&exam(1)).await;
        bench.submit(&exam(2)).await;
        let parked = bench.until(1, "parked").await;
        bench.until(2, "delivered").await;
        assert_eq!(bench.records.write_count(), 2);
        assert_eq!(
            (&parked["failure"], &parked["remoteStatus"]),
            (&json!("message-refused"), &json!(status))
        );
        assert_eq!(parked["remoteOutcome"]["issue"][0]["code"], "value");
        assert!(!parked.to_string().contains("Edwina"));
        bench.assert_once(1);
    }
}

#[tokio::test]
async fn f09_a_refusal_of_one_entry_names_our_resource_and_nothing_of_the_exam_is_sent() {
    let bench = Bench::usual().await;
    let refusal =
        Answer::status(422).outcome("business-rule", "Not that.", Some("Bundle.entry[7].resource.status"));
    bench.records.script_always(When::Writes, Behaviour::Answer(refusal));
    bench.submit(&exam(1)).await;
    let parked = bench.until(1, "parked").await;
    assert_eq!((bench.records.write_count(), bench.records.resources_of("Observation").len()), (1, 0));
    let sent: Value = serde_json::from_slice(&bench.records.requests()[0].body).unwrap();
    let (id, resource) = (&sent["entry"][7]["fullUrl"], &sent["entry"][7]["resource"]);
    let test = resource["code"]["coding"][0]["code"].as_str().unwrap();
    let id = id.as_str().unwrap().trim_start_matches("urn:uuid:");
    let text = &parked["remoteOutcome"]["issue"][0]["details"]["text"];
    assert_eq!(text, &json!(format!("Observation/{id} ({test}), status")));
    let ours = bench.client.get(&format!("{}/Observation/{id}", bench.fhir_url())).await.expect(200).json();
    assert_eq!(ours["code"], resource["code"], "the id is the one under which it can be read here");
}

#[tokio::test]
async fn f09_the_record_system_is_asked_about_each_resource_of_a_refused_exam_and_stores_nothing() {
    let bench = Bench::usual().await;
    bench.records.script(When::Writes, Behaviour::Answer(Answer::status(422)));
    bench.submit(&exam(1)).await;
    bench.until(1, "parked").await;
    let sent: Value = serde_json::from_slice(&bench.records.requests()[0].body).unwrap();
    let resources: Vec<&Value> =
        sent["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]).collect();
    let url = bench.operations("/operations/deliveries/1/validation");
    // Answered with 200 whatever is found, as R4 has it, and by a status, as some do.
    for status in [200, 422] {
        let before = bench.records.requests().len();
        for number in 0..resources.len() {
            let (severity, status) = if number == 7 { ("error", status) } else { ("information", 200) };
            let outcome = json!({ "resourceType": "OperationOutcome", "issue": [{ "severity": severity, "code": "value",
                "diagnostics": "Edwina Fable", "expression": ["Observation.status"] }] });
            bench.records.script(When::Any, Behaviour::Answer(Answer::status(status).json(&outcome)));
        }
        let said = bench.client.get(&url).await.expect(200);
        assert!(!said.text.contains("Edwina"), "{}", said.text);
        let said = said.json();
        assert_eq!((&said["delivery"], &said["resources"]), (&json!(1), &json!(resources.len())));
        let refused = said["refused"].as_array().unwrap();
        assert_eq!(refused.len(), 1, "{said:#}");
        let test = resources[7]["code"]["coding"][0]["code"].as_str().unwrap();
        let named = refused[0]["resource"].as_str().unwrap();
        assert!(named.starts_with("Observation/") && named.ends_with(&format!("({test})")), "{named}");
        let text = refused[0]["outcome"]["issue"][0]["details"]["text"].as_str().unwrap();
        assert_eq!(text, format!("{named}, status"));
        let asked = &bench.records.requests()[before..];
        assert_eq!(asked.len(), resources.len());
        for (request, resource) in asked.iter().zip(&resources) {
            let kind = resource["resourceType"].as_str().unwrap();
            assert!(request.target.ends_with(&format!("/{kind}/$validate")), "{}", request.target);
            assert_eq!(&serde_json::from_slice::<Value>(&request.body).unwrap(), *resource);
        }
    }
    assert_eq!(bench.records.resources_of("Observation").len(), 0);
    assert_eq!(bench.delivery(1).await["state"], "parked", "asking sends nothing");
    // What has no such operation, and what says something else, is told apart.
    bench.records.script(When::Any, Behaviour::Answer(Answer::status(404)));
    assert!(bench.client.get(&url).await.expect(409).text.contains("$validate"));
    bench
        .records
        .script(When::Any, Behaviour::Answer(Answer::status(200).body("text/html", "<html>".to_owned())));
    assert!(bench.client.get(&url).await.expect(502).text.contains("answer-incomplete"));
}

#[tokio::test]
async fn f10_what_somebody_changed_there_is_not_overwritten_until_somebody_says_so() {
    let bench = Bench::usual().await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    let (id, _) = panel(&bench);
    let note = json!([{ "text": "Seen again by the duty podiatrist." }]);
    assert!(bench.records.edit("Observation", &id, |panel| panel["note"] = note.clone()));
    bench.submit(&corrected(1)).await;
    assert_eq!(bench.until(2, "parked").await["failure"], "changed-there");
    let (_, there) = panel(&bench);
    assert_eq!((&there["note"], &there["status"]), (&note, &json!("final")));
    drop(bench.replay(2, "looked at with the podiatrist").await.expect(200));
    bench.until(2, "delivered").await;
    assert_eq!(panel(&bench).1["status"], "corrected");
    bench.assert_once(1);
}

#[tokio::test]
async fn f10_a_conflict_over_what_is_there_already_is_a_delivery() {
    let bench = Bench::usual().await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    for status in [409, 412] {
        bench.records.clear_script();
        let more = json!([{ "text": status.to_string() }]);
        let mut version = corrected(1);
        version["entry"][0]["resource"]["note"] = more.clone();
        bench.records.script(When::Writes, Behaviour::AnswerAfterCommit(Answer::status(status)));
        bench.submit(&version).await;
        let writes = bench.records.write_count();
        let id = if status == 409 { 2 } else { 3 };
        bench.until(id, "delivered").await;
        assert!(bench.records.write_count() <= writes + 1);
        assert_eq!(panel(&bench).1["note"], more);
    }
    bench.assert_once(1);
}

#[tokio::test]
async fn f10_a_conflict_that_stays_is_parked_after_three() {
    let bench = Bench::usual().await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.records.script_always(When::Writes, Behaviour::Answer(Answer::status(409)));
    bench.submit(&corrected(1)).await;
    let parked = bench.until(2, "parked").await;
    assert_eq!((&parked["failure"], &parked["attempts"]), (&json!("conflict"), &json!(3)));
    assert_eq!(bench.records.write_count(), 4);
}

#[tokio::test]
async fn f11_of_two_that_match_none_is_chosen() {
    let records = records();
    for _ in 0..2 {
        records.seed(&stranger("Patient/person-1", "final")).unwrap();
    }
    let bench = Bench::start(records, "", quick()).await;
    bench.submit(&exam(1)).await;
    assert_eq!(bench.until(1, "parked").await["failure"], "ambiguous");
    assert_eq!(bench.records.write_count(), 1);
    assert_eq!(bench.records.resources_of("Observation").len(), 2, "nothing was stored");
}

#[tokio::test]
async fn f12_a_connection_that_breaks_after_the_commit_makes_nothing_twice() {
    let rounds = rounds();
    let bench = Bench::start(records_of(rounds), "", quick()).await;
    for _ in 0..rounds {
        bench.records.script(When::Writes, Behaviour::CloseAfterCommit);
    }
    for number in 1..=rounds {
        bench.submit(&exam(number)).await;
    }
    for id in 1..=i64::from(rounds) {
        bench.until(id, "delivered").await;
    }
    let rounds = usize::try_from(rounds).unwrap();
    assert_eq!(bench.records.write_count(), rounds, "each was looked up and not sent again");
    bench.assert_once(rounds);
}

#[tokio::test]
async fn f12_a_connection_that_breaks_before_the_commit_is_sent_again_under_its_conditions() {
    let bench = Bench::usual().await;
    bench.records.script(When::Writes, Behaviour::Close);
    bench.submit(&exam(1)).await;
    assert_eq!(bench.until(1, "delivered").await["attempts"], 2);
    assert_eq!(bench.records.write_count(), 2);
    bench.assert_once(1);
}

#[tokio::test]
async fn f12_what_is_there_twice_after_all_is_noticed() {
    let bench = Bench::usual().await;
    bench.records.ignore_conditions();
    bench.records.script(When::Writes, Behaviour::CloseAfterCommit);
    // The index of the record system lags behind: the four types and the person are not found at first.
    let nothing = json!({ "resourceType": "Bundle", "type": "searchset" });
    for _ in 0..=TYPES.len() {
        bench.records.script(When::Reads, Behaviour::Answer(Answer::status(200).json(&nothing)));
    }
    bench.submit(&exam(1)).await;
    assert_eq!(bench.until(1, "parked").await["failure"], "duplicated");
    assert_eq!(bench.records.resources_of("RiskAssessment").len(), 2);
}

#[tokio::test]
async fn f13_an_identifier_alone_does_not_make_it_ours() {
    for (patient, status, failure) in
        [("Patient/person-2", "final", "other-person"), ("Patient/person-1", "preliminary", "other-status")]
    {
        let records = records();
        records.seed(&stranger(patient, status)).unwrap();
        let bench = Bench::start(records, "", quick()).await;
        bench.submit(&exam(1)).await;
        assert_eq!(bench.until(1, "parked").await["failure"], failure);
    }
}

#[tokio::test]
async fn f14_a_success_that_does_not_answer_each_entry_is_looked_up() {
    let bench = Bench::usual().await;
    let page = Answer::status(200).body("text/html", "<html><body>Sign in</body></html>");
    let short = json!({ "resourceType": "Bundle", "type": "transaction-response",
                        "entry": [{ "response": { "status": "201 Created" } }] });
    for behaviour in [
        Behaviour::Answer(page),
        Behaviour::AnswerAfterCommit(Answer::status(200)),
        Behaviour::AnswerAfterCommit(Answer::status(200).json(&short)),
        Behaviour::TruncateAfterCommit,
    ] {
        bench.records.script(When::Writes, behaviour);
    }
    for number in 1..=4 {
        bench.submit(&exam(number)).await;
        bench.until(i64::from(number), "delivered").await;
    }
    assert_eq!(bench.records.write_count(), 5);
    bench.assert_once(4);
}
