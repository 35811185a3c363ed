//! Faults of the record system as such: everything waits, nothing is held against an exam.

use std::time::Duration;

use solewire_service::delivery::Timeouts;
use solewire_service::loopback::{Answer, Behaviour, When};

use super::bench::{Bench, LIMIT, exam, once, quick, records};

#[tokio::test]
async fn f01_a_record_system_that_was_down_gets_everything_when_it_comes_back() {
    let mut bench = Bench::usual().await;
    bench.records.go_down();
    for number in 1..=10 {
        bench.submit(&exam(number)).await;
    }
    let lane =
        bench.lane_until(|lane| lane["failures"].as_u64().is_some_and(|failures| failures >= 12)).await;
    assert_eq!(
        (lane["state"].as_str(), lane["failure"].as_str()),
        (Some("paused"), Some("connection-refused"))
    );
    bench.records.come_back().unwrap();
    for id in 1..=10 {
        assert_eq!(
            bench.until(id, "delivered").await["attempts"],
            1,
            "a fault of the destination is not charged"
        );
    }
    assert_eq!(bench.lane().await["state"], "open");
    bench.assert_once(10);
}

// The service runs within the test, which also waits for the record system.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn f01_after_a_pause_one_delivery_goes_ahead_and_finds_out() {
    let bench = Bench::usual().await;
    bench.records.script(When::Writes, Behaviour::Answer(Answer::status(429).header("retry-after", "1")));
    // Longer than the test looks at it.
    bench.records.script(When::Writes, Behaviour::Delay(Duration::from_secs(15)));
    bench.submit(&exam(1)).await;
    bench.paused_for("throttled").await;
    for number in 2..=6 {
        bench.submit(&exam(number)).await;
    }
    assert!(bench.records.wait_until(LIMIT, |records| records.requests().len() >= 2));
    let list = bench.client.get(&bench.operations("/operations/deliveries")).await.expect(200).json();
    assert_eq!(list["counts"]["sending"], 1, "{:#}", list["counts"]);
}

#[tokio::test]
async fn f02_an_answer_that_only_drips_is_given_up_and_looked_up() {
    let mut pace = quick();
    pace.timeouts = Timeouts { connect: LIMIT, total: Duration::from_secs(2) };
    let bench = Bench::start(records(), "", pace).await;
    bench.records.script(When::Writes, Behaviour::DripAfterCommit(Duration::from_secs(1)));
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    assert_eq!(bench.records.write_count(), 1, "what is there is not sent again");
    assert_eq!(bench.metric("solewire_delivery_failures_total{failure=\"timeout\"}").await, 1.0);
    bench.assert_once(1);
}

#[tokio::test]
async fn f03_a_server_error_may_hide_a_success() {
    let bench = Bench::usual().await;
    for status in [500, 502, 504] {
        bench.records.script(When::Writes, Behaviour::AnswerAfterCommit(Answer::status(status)));
    }
    bench.records.script(When::Writes, Behaviour::Answer(Answer::status(503).header("retry-after", "0")));
    for number in 1..=4 {
        bench.submit(&exam(number)).await;
        bench.until(i64::from(number), "delivered").await;
    }
    assert_eq!(bench.records.write_count(), 5, "only the one that was not stored was sent again");
    bench.assert_once(4);
}

#[tokio::test]
async fn f04_a_throttled_lane_waits_as_asked_up_to_a_cap_and_charges_nothing() {
    for (asked, seconds) in [("90", 90), ("86400", 3600), ("Fri, 31 Dec 2100 00:00:00 GMT", 3600)] {
        let bench = Bench::usual().await;
        bench.records.script(When::Any, Behaviour::Answer(Answer::status(429).header("retry-after", asked)));
        bench.submit(&exam(1)).await;
        let lane = bench.paused_for("throttled").await;
        let instant = |name: &str| lane[name].as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
        let waits = (instant("retryAt") - instant("since")).as_secs_f64();
        assert!((waits - f64::from(seconds)).abs() < 0.001, "{asked}: {waits}");
        bench.submit(&exam(2)).await;
        for id in [1, 2] {
            assert_eq!(bench.until(id, "pending").await["attempts"], 0);
        }
        assert_eq!(bench.records.requests().len(), 1, "no early request");
    }
}

#[tokio::test]
async fn f05_credentials_that_are_not_taken_pause_everything_and_park_nothing() {
    let bench = Bench::start(records(), "", once()).await;
    bench.records.require_authorization(Some("Bearer other"));
    bench.submit(&exam(1)).await;
    bench.paused_for("unauthorized").await;
    bench.until(1, "pending").await;
}

#[tokio::test]
async fn f06_a_right_that_is_missing_is_named() {
    let bench = Bench::start(records(), "", once()).await;
    let challenge = "Bearer error=\"insufficient_scope\", scope=\"system/RiskAssessment.c\"";
    let answer = Answer::status(403).header("www-authenticate", challenge);
    bench.records.script(When::Writes, Behaviour::Answer(answer));
    bench.submit(&exam(1)).await;
    let lane = bench.paused_for("forbidden").await;
    assert_eq!(lane["missingScope"], "system/RiskAssessment.c");
    bench.until(1, "pending").await;
}

#[tokio::test]
async fn f07_an_address_that_is_no_fhir_base_is_a_fault_of_the_settings() {
    let records = records();
    let wrong = format!("base_url = \"{}/nowhere\"", records.base_url());
    let bench = Bench::start(records, &wrong, once()).await;
    bench.submit(&exam(1)).await;
    bench.paused_for("not-an-endpoint").await;
    assert_eq!(bench.until(1, "pending").await["attempts"], 0);
}

#[tokio::test]
async fn f17_a_redirect_is_not_followed() {
    let other = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    other.set_nonblocking(true).unwrap();
    let elsewhere = format!("http://{}/fhir", other.local_addr().unwrap());
    let bench = Bench::start(records(), "", once()).await;
    bench.records.script(When::Writes, Behaviour::Answer(Answer::status(307).header("location", &elsewhere)));
    bench.submit(&exam(1)).await;
    bench.paused_for("redirected").await;
    assert_eq!(other.accept().unwrap_err().kind(), std::io::ErrorKind::WouldBlock, "nobody went there");
    bench.until(1, "pending").await;
}

#[tokio::test]
async fn f05_a_token_replaced_in_its_file_is_used_once_the_old_one_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("token");
    std::fs::write(&file, "first\n").unwrap();
    let records = records();
    records.require_authorization(Some("Bearer first"));
    let more = format!("auth = \"bearer\"\ntoken_file = \"{}\"", file.display());
    let bench = Bench::start(records, &more, quick()).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.records.require_authorization(Some("Bearer second"));
    std::fs::write(&file, "second\n").unwrap();
    bench.submit(&exam(2)).await;
    bench.until(2, "delivered").await;
    bench.assert_once(2);
}

#[tokio::test]
async fn a_user_is_known_by_name_and_password() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("password");
    std::fs::write(&file, "open sesame\n").unwrap();
    let records = records();
    // RFC 7617: the base64 of `clinic:open sesame`.
    records.require_authorization(Some("Basic Y2xpbmljOm9wZW4gc2VzYW1l"));
    let more = format!("auth = \"basic\"\nuser = \"clinic\"\npassword_file = \"{}\"", file.display());
    let bench = Bench::start(records, &more, quick()).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.assert_once(1);
}
