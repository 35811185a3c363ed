//! What each right allows, and nothing beside it.

use reqwest::Method;
use serde_json::json;

use super::issuer::{Key, KeyRoute};
use super::site::{Site, ask, assessment, exam, rule};

#[tokio::test]
async fn s05_a_right_opens_its_own_routes_alone() {
    let site = Site::start("").await;
    let (submit, read, operate) = (
        site.token("--right submit").await,
        site.token("--right read").await,
        site.token("--right operate").await,
    );
    let taken = site.post(&submit, &exam(1)).await.expect(200);
    let client = reqwest::Client::new();
    let page = [("x-solewire-page", "1")];
    let reading = [
        site.url(&format!("/fhir/{}", assessment(&taken))),
        site.url("/fhir/Observation?_count=0"),
        site.url("/pages/worklists/recalls"),
        site.url(&format!("/pages/exams/{}", assessment(&taken).split_once('/').unwrap().1)),
    ];
    let submitting = [site.url("/fhir"), site.url("/fhir/Observation"), site.url("/fhir/$assess")];
    let operating = [
        (Method::GET, site.operations("/operations/deliveries")),
        (Method::GET, site.operations("/operations/deliveries/1")),
        (Method::POST, site.operations("/operations/deliveries/1/replay")),
        (Method::POST, site.operations("/operations/deliveries/1/discard")),
        (Method::POST, site.operations("/operations/replay?state=parked")),
        (Method::GET, site.operations("/operations/comparison")),
        (Method::GET, site.operations("/operations/deliveries/1/validation")),
        (Method::GET, site.url("/pages/deliveries")),
        (Method::POST, site.url("/pages/deliveries/1/replay")),
        (Method::POST, site.url("/pages/deliveries/1/discard")),
    ];
    let reading = reading.map(|url| (Method::GET, url, "read"));
    let submitting = submitting.map(|url| (Method::POST, url, "submit"));
    let operating = operating.map(|(method, url)| (method, url, "operate"));
    for (method, url, right) in reading.into_iter().chain(submitting).chain(operating) {
        for (token, own) in [(&submit, "submit"), (&read, "read"), (&operate, "operate")] {
            let body = if method == Method::POST { "{}" } else { "" };
            let answer = ask(&client, method.clone(), &url, token, &page, body).await;
            if own == right {
                assert!(!matches!(answer.status, 401 | 403), "{own} {url}: {}", answer.text);
            } else {
                assert_eq!((answer.status, rule(&answer).as_str()), (403, "http-right"), "{own} {url}");
                assert!(answer.header("www-authenticate").unwrap().contains("insufficient_scope"));
            }
        }
    }
    // Nothing of the operators' routes stands on the other listener.
    drop(ask(&client, Method::GET, &site.url("/operations/deliveries"), &operate, &[], "").await.expect(404));
    drop(ask(&client, Method::GET, &site.operations("/fhir/Observation"), &read, &[], "").await.expect(404));
}

#[tokio::test]
async fn s05_scopes_open_what_they_say() {
    let key = Key::new("k1", jsonwebtoken::Algorithm::ES256);
    let route = KeyRoute::start(&[&key]).await;
    let site = Site::start(&route.settings()).await;
    let with = |scope: &str| key.sign(&json!({ "scope": scope }));
    let taken = site.post(&with("system/Observation.write"), &exam(1)).await.expect(200);
    let place = format!("/fhir/{}", assessment(&taken));
    for (scope, method, path, status) in [
        ("system/RiskAssessment.read", Method::GET, place.as_str(), 200),
        ("system/RiskAssessment.rs", Method::GET, "/fhir/RiskAssessment?_count=0", 200),
        ("system/*.read", Method::GET, "/fhir/Observation?_count=0", 200),
        ("system/*.rs", Method::GET, "/pages/worklists/recalls", 200),
        ("system/Observation.cruds", Method::GET, "/fhir/Observation?_count=0", 200),
        ("system/RiskAssessment.read", Method::GET, "/fhir/Observation?_count=0", 403),
        ("system/Observation.cruds", Method::GET, place.as_str(), 403),
        ("system/Observation.cruds", Method::GET, "/pages/worklists/recalls", 403),
        ("system/Observation.write", Method::GET, "/fhir/Observation?_count=0", 403),
        ("system/*.read", Method::POST, "/fhir", 403),
        ("system/Patient.cruds", Method::POST, "/fhir", 403),
        ("user/*.* patient/*.*", Method::GET, "/fhir/Observation?_count=0", 403),
        ("", Method::GET, "/fhir/Observation?_count=0", 403),
    ] {
        let body = if method == Method::POST { exam(2) } else { String::new() };
        let client = reqwest::Client::new();
        let answer = ask(&client, method, &site.url(path), &with(scope), &[], &body).await;
        assert_eq!(answer.status, status, "{scope} {path}: {}", answer.text);
    }
    let deliveries = "/operations/deliveries";
    drop(site.operate(Method::GET, &with("solewire/operate"), deliveries).await.expect(200));
    drop(site.operate(Method::GET, &with("system/*.*"), deliveries).await.expect(403));
}
