//! SIGKILL at the worst moments: what was answered with 2xx is delivered, once.

use std::time::Duration;

use solewire_service::loopback::{Behaviour, When};
use solewire_tests::corpus::case;
use solewire_tests::service::{Service, Setup};

use super::{LIMIT, assert_once, records_for, submit};

/// What the record system is doing when the service dies.
const MOMENTS: [Option<Behaviour>; 5] = [
    None,
    // Killed before anything was stored there.
    Some(Behaviour::Delay(Duration::from_millis(300))),
    // Killed after it was stored there, before the answer arrived.
    Some(Behaviour::DelayAfterCommit(Duration::from_secs(2))),
    Some(Behaviour::CloseAfterCommit),
    Some(Behaviour::TruncateAfterCommit),
];

#[tokio::test]
async fn a_service_killed_after_its_answer_delivers_exactly_once() {
    let case = case("category-2");
    let document = case.json();
    let is_observation = |entry: &&serde_json::Value| entry["resource"]["resourceType"] == "Observation";
    let observations = document["entry"].as_array().unwrap().iter().filter(is_observation).count();
    for (round, moment) in MOMENTS.into_iter().enumerate() {
        let records = records_for(&document);
        let mut service = Service::start(Setup::with(records.base_url())).await;
        let scripted = moment.is_some();
        if let Some(behaviour) = moment {
            records.script(When::Writes, behaviour);
        }
        submit(&service, &case).await;
        if scripted {
            assert!(
                records.wait_until(LIMIT, |records| records.write_count() > 0),
                "round {round}: not sent"
            );
        }
        service.kill();
        service.restart().await;
        service.delivered(1, LIMIT).await;
        assert_once(&records, "Observation", observations);
        assert_once(&records, "RiskAssessment", 1);
        assert_once(&records, "ServiceRequest", 1);
        assert_eq!(records.resources_of("Observation").len(), observations, "round {round}");
        assert_eq!(records.resources_of("RiskAssessment").len(), 1, "round {round}");
        assert_eq!(records.resources_of("ServiceRequest").len(), 1, "round {round}");
        assert_eq!(records.resources_of("Provenance").len(), 1, "round {round}");
    }
}

#[tokio::test]
async fn what_was_stored_is_read_unchanged_after_a_kill() {
    let case = case("category-2");
    let mut service = Service::start(Setup::default()).await;
    submit(&service, &case).await;
    let url = service.url("RiskAssessment");
    let before = service.client.get(&url).await.expect(200).resources();
    service.kill();
    service.restart().await;
    assert_eq!(service.client.get(&url).await.expect(200).resources(), before);
    assert_eq!(before.len(), 1);
}
