//! Between the caller and the outbox: repeats, withdrawals, time and rules that change.

use std::time::Duration;

use reqwest::Method;
use serde_json::{Value, json};
use solewire_service::clock::Clock;
use solewire_service::loopback::{Behaviour, When};
use solewire_tests::service::{Service, Setup};

use super::bench::{Bench, LIMIT, assert_once, exam, once, quick, records, with_status};

#[tokio::test]
async fn f18_a_caller_whose_answer_was_lost_asks_again_and_gets_it() {
    let records = records();
    let mut service = Service::start(Setup::with(records.base_url())).await;
    let (url, body) = (service.fhir_url.clone(), exam(1).to_string());
    let key = [("idempotency-key", "\"harbour-lane-18\"")];
    for moment in [0, 15, 60] {
        let (client, url, body) = (service.client.clone(), url.clone(), body.clone());
        let post = tokio::spawn(async move { client.send(Method::POST, &url, &key, body).await });
        // Any moment will do: before, in and after the commit.
        tokio::time::sleep(Duration::from_millis(moment)).await;
        service.kill();
        drop(post.await);
        service.restart().await;
    }
    let first = service.client.send(Method::POST, &url, &key, body.clone()).await.expect(200).json();
    let again = service.client.send(Method::POST, &url, &key, body).await.expect(200).json();
    assert_eq!(first, again);
    service.delivered(1, LIMIT).await;
    assert_eq!(service.delivery_states().await.len(), 1);
    assert_once(&records, 1);
}

#[tokio::test]
async fn f22_fifty_posts_at_once_are_one_exam_one_delivery_and_one_answer() {
    let bench = Bench::usual().await;
    let key = [("idempotency-key", "\"harbour-lane-22\"")];
    let posts: Vec<_> = (0..50)
        .map(|_| {
            let (client, url, body) = (bench.client.clone(), bench.fhir_url(), exam(1).to_string());
            tokio::spawn(async move {
                loop {
                    // A store that is too busy says so, and the caller asks again under the same key.
                    let answer = client.send(Method::POST, &url, &key, body.clone()).await;
                    if answer.status != 503 {
                        return answer.expect(200).json();
                    }
                }
            })
        })
        .collect();
    let mut answers = Vec::new();
    for post in posts {
        answers.push(post.await.unwrap());
    }
    assert!(answers.iter().all(|answer| *answer == answers[0]));
    bench.until(1, "delivered").await;
    let list = bench.client.get(&bench.operations("/operations/deliveries")).await.expect(200).json();
    assert_eq!(list["deliveries"].as_array().unwrap().len(), 1);
    bench.assert_once(1);
}

#[tokio::test]
async fn f23_a_key_with_another_body_is_refused() {
    let bench = Bench::usual().await;
    let key = [("idempotency-key", "\"harbour-lane-23\"")];
    let url = bench.fhir_url();
    drop(bench.client.send(Method::POST, &url, &key, exam(1).to_string()).await.expect(200));
    let refused = bench.client.send(Method::POST, &url, &key, exam(2).to_string()).await.expect(422);
    assert_eq!(refused.json()["issue"][0]["details"]["coding"][0]["code"], "http-idempotency-key");
}

#[tokio::test]
async fn f24_the_same_exam_under_a_new_key_is_recognised_and_not_sent_again() {
    let bench = Bench::usual().await;
    for key in ["\"first\"", "\"second\""] {
        let headers = [("idempotency-key", key)];
        drop(
            bench
                .client
                .send(Method::POST, &bench.fhir_url(), &headers, exam(1).to_string())
                .await
                .expect(200),
        );
        bench.until(1, "delivered").await;
    }
    assert_eq!(bench.records.write_count(), 1);
    bench.assert_once(1);
}

#[tokio::test]
async fn f26_an_exam_that_was_withdrawn_before_it_was_sent_is_not_sent() {
    let mut bench = Bench::start(records(), "", once()).await;
    bench.records.go_down();
    bench.submit(&exam(1)).await;
    bench.paused_for("connection-refused").await;
    bench.until(1, "pending").await;
    bench.submit(&with_status(exam(1), "entered-in-error")).await;
    for id in [1, 2] {
        assert_eq!(bench.delivery(id).await["state"], "withdrawn");
    }
    bench.stop().await;
    bench.records.come_back().unwrap();
    bench.run("", quick()).await;
    // An exam behind it goes, so the two before it were passed over.
    bench.submit(&exam(2)).await;
    bench.until(3, "delivered").await;
    bench.assert_once(1);
}

#[tokio::test]
async fn f26_where_the_exam_may_have_arrived_its_withdrawal_is_sent() {
    let bench = Bench::start(records(), "", once()).await;
    bench.records.script(When::Writes, Behaviour::CloseAfterCommit);
    bench.submit(&exam(1)).await;
    bench.until(1, "unknown-outcome").await;
    bench.submit(&with_status(exam(1), "entered-in-error")).await;
    assert_eq!(bench.delivery(1).await["state"], "withdrawn");
    let mut bench = bench;
    bench.stop().await;
    bench.run("", quick()).await;
    bench.until(2, "delivered").await;
    let assessments = bench.records.resources_of("RiskAssessment");
    assert_eq!(assessments.len(), 1);
    assert_eq!(assessments[0]["status"], "entered-in-error");
    bench.assert_once(1);
}

#[tokio::test]
async fn f27_a_clock_that_jumps_a_day_neither_fires_nor_freezes_the_queue() {
    let mut bench = Bench::start(records(), "", once()).await;
    bench.stop().await;
    let clock = Clock::held_at("2026-11-25T12:00:00Z".parse().unwrap());
    bench.clock = clock.clone();
    bench.records.go_down();
    bench.run("", once()).await;
    bench.submit(&exam(1)).await;
    let failures = bench.paused_for("connection-refused").await["failures"].clone();
    clock.advance(Duration::from_secs(86_400));
    bench.submit(&exam(2)).await;
    assert_eq!(bench.lane().await["failures"], failures, "the pause is not over because a clock says so");
    bench.records.come_back().unwrap();
    bench.stop().await;
    bench.run("", quick()).await;
    for id in [1, 2] {
        bench.until(id, "delivered").await;
    }
    bench.assert_once(2);
}

#[tokio::test]
async fn f28_an_exam_from_the_future_is_refused_by_name() {
    let bench = Bench::usual().await;
    let mut future = exam(1);
    future["entry"][0]["resource"]["effectiveDateTime"] = json!("2199-01-01T09:00:00Z");
    let refused = bench.client.post(&bench.fhir_url(), future.to_string()).await.expect(422).json();
    let rules: Vec<&Value> = refused["issue"]
        .as_array()
        .unwrap()
        .iter()
        .map(|issue| &issue["details"]["coding"][0]["code"])
        .collect();
    assert!(rules.contains(&&json!("exam-time-future")), "{rules:?}");
}

#[tokio::test]
async fn f33_what_was_assessed_by_one_guideline_is_sent_as_it_was_made() {
    let mut records = records();
    records.go_down();
    let mut bench = Bench::start(records, "[assessment]\nguideline = \"iwgdf-2023\"", quick()).await;
    bench.submit(&exam(1)).await;
    bench.stop().await;
    bench.run("[assessment]\nguideline = \"nice-ng19\"", quick()).await;
    bench.records.come_back().unwrap();
    bench.until(1, "delivered").await;
    let assessments = bench.records.resources_of("RiskAssessment");
    assert_eq!(assessments.len(), 1);
    assert_eq!(assessments[0]["method"]["coding"][0]["code"], "iwgdf-2023");
}
