//! Faults of the record system that a service in one process life has to live with.

use solewire_service::loopback::{Answer, Behaviour, When};
use solewire_tests::corpus::case;
use solewire_tests::process::POLL;
use solewire_tests::service::{Service, Setup};

use super::{LIMIT, assert_once, records_for, submit};

#[tokio::test]
async fn a_record_system_that_is_down_gets_everything_when_it_comes_back() {
    let case = case("category-2");
    let mut records = records_for(&case.json());
    records.go_down();
    let service = Service::start(Setup::with(records.base_url())).await;
    submit(&service, &case).await;
    records.come_back().unwrap();
    service.delivered(1, LIMIT).await;
    assert_once(&records, "RiskAssessment", 1);
}

#[tokio::test]
async fn stored_and_answered_with_an_error_is_not_stored_twice() {
    let case = case("category-2");
    let records = records_for(&case.json());
    records.script(When::Writes, Behaviour::AnswerAfterCommit(Answer::status(504)));
    let service = Service::start(Setup::with(records.base_url())).await;
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    assert_once(&records, "Observation", 1);
    assert_eq!(records.resources_of("RiskAssessment").len(), 1);
}

#[tokio::test]
async fn a_login_page_with_status_200_is_no_delivery() {
    let case = case("category-2");
    let records = records_for(&case.json());
    let page = Answer::status(200).body("text/html", "<html><body>Sign in</body></html>");
    records.script(When::Writes, Behaviour::Answer(page));
    let service = Service::start(Setup::with(records.base_url())).await;
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    assert_once(&records, "RiskAssessment", 1);
}

#[tokio::test]
async fn a_refused_exam_is_parked_after_one_request() {
    let case = case("category-2");
    let records = records_for(&case.json());
    let refusal =
        Answer::status(422).outcome("business-rule", "No.", Some("Bundle.entry[7].resource.status"));
    records.script_always(When::Writes, Behaviour::Answer(refusal));
    let service = Service::start(Setup::with(records.base_url())).await;
    submit(&service, &case).await;
    let deadline = std::time::Instant::now() + LIMIT;
    while service.delivery_states().await != ["parked"] {
        assert!(std::time::Instant::now() < deadline, "{}", service.log());
        tokio::time::sleep(POLL).await;
    }
    assert_eq!(records.write_count(), 1);
    assert_eq!(records.resources_of("Observation").len(), 0);
}
