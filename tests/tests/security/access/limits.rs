//! How often a caller may ask.

use super::site::{Site, exam, rule};

#[tokio::test]
async fn s04_a_caller_beyond_its_limit_waits_and_others_do_not() {
    let site = Site::start("requests_per_minute = 40").await;
    let (busy, other) = (site.token("--right submit").await, site.token("--right submit --right read").await);
    let mut refused = None;
    for number in 1..=60 {
        let answer = site.post(&busy, &exam(number)).await;
        if answer.status == 429 {
            refused = Some((number, answer));
            break;
        }
        assert_eq!(answer.status, 200, "{}", answer.text);
    }
    let (number, refused) = refused.expect("a limit");
    assert_eq!(rule(&refused), "http-rate");
    let wait: u64 = refused.header("retry-after").unwrap().parse().unwrap();
    assert!((1..=2).contains(&wait), "one request comes back in a second and a half: {wait}");
    // Nothing of it was stored, and somebody else is served meanwhile.
    let panels = site.get(&other, "/fhir/RiskAssessment?_count=0").await.expect(200).json();
    assert_eq!(panels["total"], number - 1);
    tokio::time::sleep(std::time::Duration::from_secs(wait)).await;
    drop(site.post(&busy, &exam(number)).await.expect(200));
}
