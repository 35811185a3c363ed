//! What operators do, and what they are told.

use serde_json::{Value, json};
use solewire_service::loopback::{Answer, Behaviour, When};

use super::bench::{Bench, corrected, exam, quick, records};

impl Bench {
    async fn comparison(&self, path: &str) -> Value {
        self.client.get(&self.operations(path)).await.expect(200).json()
    }
}

#[tokio::test]
async fn f31_a_replay_makes_nothing_new_and_takes_a_reason() {
    let bench = Bench::usual().await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    let before = bench.records.resources();
    let look = bench.comparison("/operations/deliveries/1/comparison").await;
    assert_eq!(look, json!({ "delivery": 1, "resources": 32, "asSent": 32, "differ": [] }));
    assert_eq!(bench.replay(1, "").await.status, 409);
    assert_eq!(bench.records.write_count(), 1);
    drop(bench.replay(1, "asked for by the ward").await.expect(200));
    bench.until(1, "delivered").await;
    assert_eq!(bench.records.resources(), before, "not even a new version");
}

#[tokio::test]
async fn f31_an_old_version_never_replaces_a_later_one() {
    let bench = Bench::usual().await;
    bench.submit(&exam(1)).await;
    bench.submit(&corrected(1)).await;
    bench.until(2, "delivered").await;
    let before = bench.records.resources();
    let refused = bench.replay(1, "by mistake").await;
    assert_eq!(refused.status, 409, "{}", refused.text);
    assert_eq!(bench.delivery(1).await["state"], "delivered");
    assert_eq!(bench.records.resources(), before);
}

#[tokio::test]
async fn f32_what_the_record_system_lost_is_listed_and_sent_again_when_somebody_says_so() {
    let bench = Bench::usual().await;
    for number in [1, 2] {
        bench.submit(&exam(number)).await;
    }
    bench.until(1, "delivered").await;
    bench.until(2, "delivered").await;
    let whole = bench.records.resources();
    let lost: Vec<Value> = bench.records.resources_of("Observation").into_iter().take(3).collect();
    for resource in &lost {
        assert!(bench.records.forget("Observation", resource["id"].as_str().unwrap()));
    }
    let writes = bench.records.write_count();
    let list = bench.comparison("/operations/comparison").await;
    assert_eq!((&list["compared"], &list["next"]), (&json!(2), &Value::Null));
    let differ = list["differ"].as_array().unwrap();
    assert_eq!(differ.len(), 1, "{list:#}");
    let missing: Vec<&str> = differ[0]["differ"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|item| item["difference"] == "missing")
        .map(|item| item["resource"].as_str().unwrap())
        .collect();
    assert_eq!(missing.len(), 3);
    assert!(missing.iter().all(|resource| resource.starts_with("Observation/")), "{missing:?}");
    assert_eq!(bench.records.write_count(), writes, "a look sends nothing");
    let id = differ[0]["delivery"].as_i64().unwrap();
    drop(bench.replay(id, "lost with the backup").await.expect(200));
    bench.until(id, "delivered").await;
    assert_eq!(bench.records.resources().len(), whole.len());
    bench.assert_once(2);
}

#[tokio::test]
async fn f32_a_correction_of_what_was_lost_waits_for_somebody() {
    let bench = Bench::usual().await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    let panel = bench.records.resources_of("Observation").remove(0);
    assert!(bench.records.forget("Observation", panel["id"].as_str().unwrap()));
    bench.submit(&corrected(1)).await;
    assert_eq!(bench.until(2, "parked").await["failure"], "missing-there");
    drop(bench.replay(2, "lost with the backup").await.expect(200));
    bench.until(2, "delivered").await;
    bench.assert_once(1);
}

#[tokio::test]
async fn what_was_delivered_is_looked_for_and_verified() {
    let mut pace = quick();
    pace.verify_after = std::time::Duration::ZERO;
    let bench = Bench::start(records(), "", pace).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "verified").await;
    let nothing = json!({ "resourceType": "Bundle", "type": "searchset" });
    bench.records.script_always(When::Reads, Behaviour::Answer(Answer::status(200).json(&nothing)));
    bench.submit(&exam(2)).await;
    let deadline = std::time::Instant::now() + super::bench::LIMIT;
    while bench.delivery(2).await["failure"] != "missing-there" {
        assert!(std::time::Instant::now() < deadline, "{:#}", bench.delivery(2).await);
        tokio::time::sleep(solewire_tests::process::POLL).await;
    }
    assert_eq!(bench.delivery(2).await["state"], "delivered");
    assert_eq!(bench.records.write_count(), 2, "nothing is sent again by itself");
}
