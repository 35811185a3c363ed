//! One exam handed in many times at once.

use reqwest::Method;
use solewire_tests::corpus::case;
use solewire_tests::service::Service;

use super::{LIMIT, both, only};

const TIMES: usize = 50;

/// Posts the same document many times at once and gives the answers.
async fn at_once(service: &Service, body: &[u8], key: Option<&str>) -> Vec<String> {
    let mut under_way = tokio::task::JoinSet::new();
    for _ in 0..TIMES {
        let (client, url, body) = (service.client.clone(), service.fhir_url.clone(), body.to_vec());
        let key = key.map(str::to_owned);
        under_way.spawn(async move {
            let headers: Vec<(&str, &str)> =
                key.iter().map(|key| ("idempotency-key", key.as_str())).collect();
            client.send(Method::POST, &url, &headers, body).await.expect(200).text
        });
    }
    under_way.join_all().await
}

#[tokio::test]
async fn fifty_posts_of_one_exam_at_once_are_one_exam_and_one_delivery_with_fifty_equal_answers() {
    let case = case("category-2");
    for key in [Some("\"harbour-lane-50\""), None] {
        let (records, service) = both(&case.json()).await;
        let answers = at_once(&service, &case.input, key).await;
        if key.is_some() {
            assert!(answers.iter().all(|answer| *answer == answers[0]), "the answers differ");
        } else {
            // Without a key each is told what became of it: one made the exam, the others found it.
            let made = answers.iter().filter(|answer| answer.contains("201 Created")).count();
            assert_eq!(made, 1);
        }
        let assessment = only(&service, "RiskAssessment").await;
        let history = format!("RiskAssessment/{}/_history", assessment["id"].as_str().unwrap());
        assert_eq!(service.client.get(&service.url(&history)).await.expect(200).resources().len(), 1);
        service.delivered(1, LIMIT).await;
        assert_eq!(service.delivery_states().await.len(), 1);
        assert_eq!(records.write_count(), 1);
        let metrics =
            service.client.get(&format!("{}/metrics", service.operations_url)).await.expect(200).text;
        assert!(metrics.contains("solewire_deliveries_received_total 1\n"), "{metrics}");
    }
}
