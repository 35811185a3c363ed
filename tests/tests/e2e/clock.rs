//! The clock of the machine is set while deliveries wait and while one is under way.

use std::time::{Duration, Instant};

use solewire_service::clock::Clock;
use solewire_service::config::Config;
use solewire_service::loopback::{Answer, Behaviour, LoopbackRecordSystem, When};
use solewire_service::startup;
use solewire_tests::client::Client;
use solewire_tests::corpus::case;
use solewire_tests::postgres;
use solewire_tests::process::POLL;

use super::{LIMIT, assert_once, records_for};

/// In milliseconds.
const DAY: i64 = 86_400_000;

/// Waits until the record system has so many assessments and the service knows of so many deliveries.
async fn arrived(records: &LoopbackRecordSystem, client: &Client, operations: &str, number: usize) {
    let deadline = Instant::now() + LIMIT;
    loop {
        let list = client.get(&format!("{operations}/operations/deliveries")).await.expect(200).json();
        if list["counts"]["delivered"].as_u64().unwrap_or(0)
            + list["counts"]["verified"].as_u64().unwrap_or(0)
            == number as u64
        {
            assert_eq!(records.resources_of("RiskAssessment").len(), number);
            return;
        }
        assert!(Instant::now() < deadline, "{list}");
        tokio::time::sleep(POLL).await;
    }
}

// The service runs within the test, which also waits for the record system.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_set_a_day_either_way_neither_freezes_nor_floods_the_queue() {
    let case = case("category-2");
    let records = records_for(&case.json());
    let folder = tempfile::tempdir().unwrap();
    let store = match postgres::store_of_this_run().await.strip_prefix("sqlite:") {
        Some(file) => format!("sqlite:{}", folder.path().join(file).display()),
        None => postgres::store_of_this_run().await,
    };
    let text = format!(
        "[server]\nlisten = \"127.0.0.1:0\"\noperations_listen = \"127.0.0.1:0\"\n[access]\nmode = \"open\"\n\
         [store]\nurl = \"{store}\"\n[record_system]\nbase_url = \"{}\"\n",
        records.base_url()
    );
    let config = Config::parse(&text, folder.path(), []).unwrap();
    let clock = Clock::running();
    let service = startup::start(config, clock.clone()).await.unwrap();
    let (fhir, operations) =
        (format!("http://{}/fhir", service.listen), format!("http://{}", service.operations_listen));
    let client = Client::new();
    let post = |name: &str| {
        let mut document = case.json();
        document["entry"][0]["resource"]["identifier"][0]["value"] = name.into();
        client.post(&fhir, document.to_string())
    };

    // One whose outcome is unknown waits for a time; then it is yesterday.
    records.script(When::Writes, Behaviour::AnswerAfterCommit(Answer::status(504)));
    assert_eq!(post("HL-CLOCK-1").await.status, 200);
    assert!(records.wait_until(LIMIT, |records| records.write_count() == 1));
    clock.set_ahead(-DAY);
    assert_eq!(post("HL-CLOCK-2").await.status, 200);
    arrived(&records, &client, &operations, 2).await;
    assert_eq!(records.write_count(), 2, "the one is found there, the other goes once");

    // While one is under way it is tomorrow, and yesterday again.
    records.script(When::Writes, Behaviour::DelayAfterCommit(Duration::from_secs(2)));
    assert_eq!(post("HL-CLOCK-3").await.status, 200);
    assert!(records.wait_until(LIMIT, |records| records.write_count() == 3));
    clock.set_ahead(DAY);
    assert_eq!(post("HL-CLOCK-4").await.status, 200);
    assert!(records.wait_until(LIMIT, |records| records.write_count() == 4));
    clock.set_ahead(-DAY);
    assert_eq!(post("HL-CLOCK-5").await.status, 200);
    arrived(&records, &client, &operations, 5).await;
    assert_eq!(records.write_count(), 5, "nothing is sent twice");
    assert_once(&records, "RiskAssessment", 5);
    service.stop().await;
}
