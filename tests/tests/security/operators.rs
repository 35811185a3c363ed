//! S6: what moves many results at once is looked at first, gives a reason, and cannot be done in a loop.

use reqwest::Method;
use serde_json::json;
use solewire_service::loopback::{Answer, Behaviour, LoopbackRecordSystem, When};
use solewire_tests::client;
use solewire_tests::service::{Service, Setup};

use crate::access::site::{LIMIT, Site, ask, exam, rule};
use crate::record_system::{person, until_state};

async fn operate(service: &Service, path: &str, body: &str) -> client::Answer {
    let url = format!("{}/operations{path}", service.operations_url);
    service.client.post(&url, body).await
}

#[tokio::test]
async fn s06_giving_a_delivery_up_takes_a_reason_which_is_kept() {
    let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
    records.script_always(When::Writes, Behaviour::Answer(Answer::status(422)));
    let service = Service::start(Setup::with(records.base_url())).await;
    drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
    until_state(&service, 1, "parked").await;
    for body in ["{}", r#"{"reason": ""}"#, r#"{"reason": "   "}"#] {
        let refused = operate(&service, "/deliveries/1/discard", body).await.expect(400);
        assert_eq!(rule(&refused), "http-request");
        until_state(&service, 1, "parked").await;
    }
    let reason = r#"{"reason": "the exam was of a test person"}"#;
    let done = operate(&service, "/deliveries/1/discard", reason).await.expect(200);
    assert_eq!(done.json()["state"], "discarded");
}

#[tokio::test]
async fn s06_many_are_replayed_only_by_the_number_that_the_preview_told() {
    let records = LoopbackRecordSystem::start(&[person(1), person(2), person(3)]).unwrap();
    records.script_always(When::Writes, Behaviour::Answer(Answer::status(422)));
    let service = Service::start(Setup::with(records.base_url())).await;
    for number in 1..=3 {
        drop(service.client.post(&service.fhir_url, exam(number)).await.expect(200));
        until_state(&service, i64::from(number), "parked").await;
    }
    let url = format!("{}/operations/replay?state=parked", service.operations_url);
    let preview = service.client.get(&url).await.expect(200).json();
    assert_eq!(preview["deliveries"], 3);
    let written = records.write_count();
    for (body, status) in [("", 400), ("{}", 400), (r#"{"reason": "all"}"#, 400)] {
        drop(operate(&service, "/replay?state=parked", body).await.expect(status));
    }
    for other in [0, 2, 4] {
        let body = json!({ "deliveries": other }).to_string();
        let refused = operate(&service, "/replay?state=parked", &body).await.expect(409);
        assert_eq!(rule(&refused), "http-conflict");
    }
    assert_eq!(service.delivery_states().await, ["parked"; 3]);
    assert_eq!(records.write_count(), written, "nothing was sent again");
    records.clear_script();
    let done = operate(&service, "/replay?state=parked", r#"{"deliveries": 3}"#).await.expect(200);
    assert_eq!(done.json()["replayed"], 3);
    service.delivered(3, LIMIT).await;
    // What was taken needs a reason as well.
    let again = operate(&service, "/replay?state=delivered", r#"{"deliveries": 3}"#).await;
    assert_eq!(again.status, 409, "{}", again.text);
}

#[tokio::test]
async fn s06_replaying_in_a_loop_is_throttled_and_others_are_not() {
    let site = Site::start("requests_per_minute = 30").await;
    let (busy, other) = (site.token("--right operate").await, site.token("--right submit").await);
    drop(site.post(&other, &exam(1)).await.expect(200));
    let client = reqwest::Client::new();
    let url = site.operations("/operations/replay?state=pending");
    let mut statuses = Vec::new();
    for _ in 0..60 {
        let answer = ask(&client, Method::POST, &url, &busy, &[], r#"{"deliveries": 1}"#).await;
        statuses.push(answer.status);
        if answer.status == 429 {
            assert_eq!(rule(&answer), "http-rate");
            assert!(answer.header("retry-after").is_some());
            break;
        }
    }
    assert_eq!(statuses.last(), Some(&429), "{statuses:?}");
    assert!(statuses.len() <= 40, "{statuses:?}");
    drop(site.post(&other, &exam(2)).await.expect(200));
}
