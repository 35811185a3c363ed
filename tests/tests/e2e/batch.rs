//! Batch Bundles: each entry is answered by itself, whatever becomes of the others.

use serde_json::{Value, json};
use solewire_tests::client::Answer;
use solewire_tests::corpus::case;
use solewire_tests::service::{Service, Setup};

fn batch(entries: Vec<Value>) -> String {
    json!({ "resourceType": "Bundle", "type": "batch", "entry": entries }).to_string()
}

fn get(url: &str) -> Value {
    json!({ "request": { "method": "GET", "url": url } })
}

fn statuses(answer: &Answer) -> Vec<String> {
    let body = answer.json();
    let entries = body["entry"].as_array().expect("entries").clone();
    entries.iter().map(|entry| entry["response"]["status"].as_str().unwrap()[..3].to_owned()).collect()
}

async fn count(service: &Service) -> u64 {
    let found = service.client.get(&service.url("Observation?_summary=count")).await.expect(200).json();
    assert!(found.get("entry").is_none());
    found["total"].as_u64().unwrap()
}

#[tokio::test]
async fn an_entry_that_is_refused_leaves_the_others_as_they_are() {
    let service = Service::start(Setup::default()).await;
    let device = case("device-result").json();
    let mut other = device.clone();
    other["identifier"][0]["value"] = json!("HL-DEVICE-RESULT-9001");
    other["bodySite"]["coding"] = json!([]);
    let create = |resource: &Value| json!({ "request": { "method": "POST", "url": "Observation" }, "resource": resource });
    let entries = vec![
        create(&device),
        create(&other),
        get("Observation?_elements=status"),
        get("Observation/none"),
        get("Patient"),
        json!({ "request": { "method": "DELETE", "url": "Observation/none" } }),
        json!({ "request": { "method": "POST", "url": "" }, "resource": case("category-2").json() }),
        json!({ "request": { "method": "PUT", "url": "Observation/none" }, "resource": device.clone() }),
        json!({}),
    ];
    let answer = service.client.post(&service.fhir_url, batch(entries)).await.expect(200);
    assert_eq!(answer.json()["type"], "batch-response");
    assert_eq!(statuses(&answer), ["201", "422", "200", "404", "404", "400", "400", "428", "400"]);
    let body = answer.json();
    for number in [1, 3, 4, 5, 6, 7, 8] {
        let outcome = &body["entry"][number]["response"]["outcome"];
        assert_eq!(outcome["resourceType"], "OperationOutcome", "{number}");
    }
    let found = &body["entry"][2]["resource"]["entry"][0]["resource"];
    assert_eq!(found["status"], "final");
    assert!(found.get("subject").is_none(), "only what was asked for: {found}");
    assert_eq!(count(&service).await, 1);

    // What was created can be read and corrected in the next batch.
    let location = body["entry"][0]["response"]["location"].as_str().unwrap();
    let place = location.split("/fhir/").nth(1).unwrap().split("/_history").next().unwrap();
    let read = service.client.get(&service.url(place)).await.expect(200);
    let mut corrected = read.json();
    corrected["status"] = json!("corrected");
    let update = |tag: &str| {
        let request = json!({ "method": "PUT", "url": place, "ifMatch": tag });
        json!({ "request": request, "resource": corrected })
    };
    let entries = vec![update("W/\"1\""), get(&format!("{place}/_history")), update("W/\"9\"")];
    let answer = service.client.post(&service.fhir_url, batch(entries)).await.expect(200);
    assert_eq!(statuses(&answer), ["200", "200", "412"]);
    assert_eq!(answer.json()["entry"][0]["response"]["etag"], "W/\"2\"");
    assert_eq!(answer.json()["entry"][1]["resource"]["total"], 2);
    let known = json!({ "request": { "method": "GET", "url": place, "ifNoneMatch": "W/\"2\"" } });
    let answer = service.client.post(&service.fhir_url, batch(vec![known])).await.expect(200);
    assert_eq!(statuses(&answer), ["304"]);
}

#[tokio::test]
async fn a_batch_that_is_sent_again_under_its_key_writes_nothing_twice() {
    let service = Service::start(Setup::default()).await;
    let create = json!({ "request": { "method": "POST", "url": "Observation" }, "resource": case("device-result").json() });
    let body = batch(vec![create, get("Observation")]);
    let key = [("idempotency-key", "batch-1")];
    let send = || service.client.send(reqwest::Method::POST, &service.fhir_url, &key, body.clone());
    let first = send().await.expect(200).json();
    let again = send().await.expect(200).json();
    assert_eq!(first["entry"][0], again["entry"][0], "answered as the first time");
    assert_eq!(again["entry"][0]["response"]["status"], "201 Created");
    assert_eq!(count(&service).await, 1);
    let mut other = case("device-result").json();
    other["identifier"][0]["value"] = json!("HL-DEVICE-RESULT-9002");
    let changed =
        batch(vec![json!({ "request": { "method": "POST", "url": "Observation" }, "resource": other })]);
    let refused =
        service.client.send(reqwest::Method::POST, &service.fhir_url, &key, changed).await.expect(200);
    assert_eq!(statuses(&refused), ["422"]);
    let outcome = refused.json()["entry"][0]["response"]["outcome"].to_string();
    assert!(outcome.contains("http-idempotency-key"), "{outcome}");
}

#[tokio::test]
async fn the_key_of_an_entry_is_never_the_key_of_another_request() {
    let service = Service::start(Setup::default()).await;
    let device = case("device-result").json();
    let with = |key: &'static str, body: String| {
        let (service, headers) = (&service, [("idempotency-key", key)]);
        async move {
            service.client.send(reqwest::Method::POST, &service.fhir_url, &headers, body).await.expect(200)
        }
    };
    let create = |resource: &Value| json!({ "request": { "method": "POST", "url": "Observation" }, "resource": resource });
    let answer = with("batch-1", batch(vec![create(&device)])).await;
    assert_eq!(statuses(&answer), ["201"]);
    // Whatever the key of the first entry looks like, another request can have one that looks alike.
    for key in ["batch-1#0", "batch-1/0", "batch-1 0", "batch-1\t0", "batch-10"] {
        let answer = with(key, String::from_utf8(case("category-2").input).unwrap()).await;
        assert_eq!(answer.json()["type"], "transaction-response", "{key}");
    }
    // Nor is the key of a batch the key of an entry of another.
    let mut other = device.clone();
    other["identifier"][0]["value"] = json!("HL-DEVICE-RESULT-9003");
    assert_eq!(statuses(&with("batch-1#0", batch(vec![create(&other)])).await), ["201"]);
    assert_eq!(statuses(&with("batch-1", batch(vec![create(&device)])).await), ["201"], "still its own");
}

#[tokio::test]
async fn what_a_batch_reads_is_bounded_and_what_it_writes_is_not_refused_for_it() {
    const MOST: usize = 4 * 1024 * 1024;
    let service = Service::start(Setup::default()).await;
    let text = String::from_utf8(case("category-2").input).unwrap();
    for number in 0..8 {
        let exam = text.replace("-0004", &format!("-90{number:02}"));
        service.client.post(&service.fhir_url, exam).await.expect(200);
    }
    let page = service.client.get(&service.url("Observation?_count=500")).await.expect(200);
    assert_eq!(page.resources().len(), 200, "a page has so many at most");
    let mut entries = vec![get("Observation?_count=500"); 99];
    let create = json!({ "request": { "method": "POST", "url": "Observation" }, "resource": case("device-result").json() });
    entries.push(create);
    let answer = service.client.post(&service.fhir_url, batch(entries)).await.expect(200);
    let statuses = statuses(&answer);
    let served = statuses.iter().take_while(|status| *status == "200").count();
    assert!(served > 2 && served < 60, "{served}");
    assert!(statuses[served..99].iter().all(|status| status == "400"), "{statuses:?}");
    assert_eq!(statuses[99], "201");
    let refused = answer.json()["entry"][98]["response"]["outcome"]["issue"][0].clone();
    assert_eq!(refused["code"], "too-costly");
    assert_eq!(refused["details"]["coding"][0]["code"], "http-batch-size");
    // Each page before the last one left room, and what is refused says little.
    let read: usize = answer.text.len() - (99 - served) * 700;
    assert!(read < MOST + 2 * page.text.len(), "{read} for {served} pages of {}", page.text.len());
}

#[tokio::test]
async fn a_batch_has_at_most_100_entries_and_may_have_none() {
    let service = Service::start(Setup::default()).await;
    let refused =
        service.client.post(&service.fhir_url, batch(vec![get("Observation/none"); 101])).await.expect(400);
    assert!(refused.text.contains("more than 100 entries"), "{}", refused.text);
    let full =
        service.client.post(&service.fhir_url, batch(vec![get("Observation/none"); 100])).await.expect(200);
    assert_eq!(full.json()["entry"].as_array().unwrap().len(), 100);
    // As many values as any other body, and no more.
    let many =
        json!({ "request": { "method": "GET", "url": "Observation/none" }, "resource": vec![0; 100_001] });
    let refused = service.client.post(&service.fhir_url, batch(vec![many])).await.expect(400);
    assert!(refused.text.contains("json-limit"), "{}", refused.text);
    let none = service.client.post(&service.fhir_url, r#"{"resourceType":"Bundle","type":"batch"}"#).await;
    assert_eq!(none.expect(200).json(), json!({ "resourceType": "Bundle", "type": "batch-response" }));
}

#[tokio::test]
async fn each_entry_needs_its_own_right() {
    let token = "batch-test-token";
    let hash = solewire_service::intake::hex(&<sha2::Sha256 as sha2::Digest>::digest(token.as_bytes()));
    let access = Some(format!("[access]\ntokens = [\"{hash} read\"]"));
    let service = Service::start(Setup { access, ..Setup::default() }).await;
    let create = json!({ "request": { "method": "POST", "url": "Observation" }, "resource": case("device-result").json() });
    let body = batch(vec![get("Observation"), create]);
    service.client.post(&service.fhir_url, body.clone()).await.expect(401);
    let bearer = format!("Bearer {token}");
    let with = [("authorization", bearer.as_str())];
    let answer = service.client.send(reqwest::Method::POST, &service.fhir_url, &with, body).await.expect(200);
    assert_eq!(statuses(&answer), ["200", "403"]);
    assert_eq!(answer.json()["entry"][0]["resource"]["total"], 0);
}
