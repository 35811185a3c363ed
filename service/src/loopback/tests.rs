//! The record system over HTTP, as a sender meets it.

use serde_json::json;

use super::*;

const SYSTEM: &str = "https://harbourlane.example/patients";

fn patient(id: &str, value: &str) -> Value {
    json!({ "resourceType": "Patient", "id": id, "identifier": [{ "system": SYSTEM, "value": value }] })
}

fn observation(value: &str, subject: Value) -> Value {
    json!({
        "resourceType": "Observation",
        "identifier": [{ "system": "urn:test", "value": value }],
        "status": "final",
        "code": { "text": "a test" },
        "subject": subject
    })
}

fn assessment(value: &str, basis: &str) -> Value {
    json!({
        "resourceType": "RiskAssessment",
        "identifier": [{ "system": "urn:test", "value": value }],
        "status": "final",
        "subject": { "reference": "Patient/river-stone" },
        "basis": [{ "reference": basis }]
    })
}

fn entry(full_url: &str, resource: Value, request: Value) -> Value {
    json!({ "fullUrl": full_url, "resource": resource, "request": request })
}

fn transaction(entries: Vec<Value>) -> Value {
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

const FIRST: &str = "urn:uuid:0b0c6b2e-3a57-4c8e-9d3a-2f6f1d1d0001";
const SECOND: &str = "urn:uuid:0b0c6b2e-3a57-4c8e-9d3a-2f6f1d1d0002";

/// Two resources that point at one another by urn, both written by condition.
fn pair(suffix: &str) -> Value {
    let subject = json!({ "reference": format!("Patient?identifier={SYSTEM}|1") });
    transaction(vec![
        entry(
            SECOND,
            assessment(&format!("a-{suffix}"), FIRST),
            json!({ "method": "PUT", "url": format!("RiskAssessment?identifier=urn:test|a-{suffix}") }),
        ),
        entry(
            FIRST,
            observation(&format!("o-{suffix}"), subject),
            json!({ "method": "POST", "url": "Observation", "ifNoneExist": format!("identifier=urn:test|o-{suffix}") }),
        ),
    ])
}

struct Client {
    records: LoopbackRecordSystem,
    http: reqwest::Client,
}

impl Client {
    fn start() -> Client {
        let records = LoopbackRecordSystem::start(&[
            patient("river-stone", "1"),
            patient("twin-a", "2"),
            patient("twin-b", "2"),
        ])
        .unwrap();
        Client { records, http: reqwest::Client::new() }
    }

    fn url(&self, path: &str) -> String {
        format!("{}{path}", self.records.base_url())
    }

    async fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: &str,
    ) -> (u16, Value, reqwest::header::HeaderMap) {
        let method = reqwest::Method::from_bytes(method.as_bytes()).unwrap();
        let mut request = self.http.request(method, self.url(path)).body(body.to_owned());
        if !headers.iter().any(|(name, _)| *name == "content-type") {
            request = request.header("content-type", "application/fhir+json");
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = request.send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let text = response.text().await.unwrap();
        (status, serde_json::from_str(&text).unwrap_or(Value::Null), headers)
    }

    async fn post(&self, path: &str, body: &Value) -> (u16, Value) {
        let (status, body, _) = self.send("POST", path, &[], &body.to_string()).await;
        (status, body)
    }

    async fn get(&self, path: &str) -> (u16, Value) {
        let (status, body, _) = self.send("GET", path, &[], "").await;
        (status, body)
    }

    async fn try_post(&self, body: &Value) -> Result<String, reqwest::Error> {
        let request = self.http.post(self.url("/")).header("content-type", "application/fhir+json");
        request.body(body.to_string()).send().await?.text().await
    }

    fn stored(&self) -> usize {
        self.records.resources().len() - 3
    }
}

#[tokio::test]
async fn a_transaction_is_answered_one_to_one_with_its_references_resolved() {
    let client = Client::start();
    let (status, answer) = client.post("/", &pair("1")).await;
    assert_eq!(status, 200, "{answer}");
    assert_eq!(answer["type"], "transaction-response");
    let answers = answer["entry"].as_array().unwrap();
    assert_eq!(answers.len(), 2);
    assert!(answers.iter().all(|entry| entry["response"]["status"] == "201 Created"));
    assert!(answers.iter().all(|entry| entry["response"]["etag"] == "W/\"1\""));
    let location = answers[0]["response"]["location"].as_str().unwrap();
    assert!(location.starts_with("RiskAssessment/") && location.ends_with("/_history/1"), "{location}");
    let assessment = &client.records.resources_of("RiskAssessment")[0];
    let observation = &client.records.resources_of("Observation")[0];
    let observation_id = observation["id"].as_str().unwrap();
    assert_eq!(assessment["basis"][0]["reference"], format!("Observation/{observation_id}"));
    assert_eq!(observation["subject"]["reference"], "Patient/river-stone");
    assert_eq!(client.records.resources_of("Patient").len(), 3);
}

#[tokio::test]
async fn the_same_transaction_again_finds_and_updates_and_never_doubles() {
    let client = Client::start();
    client.post("/", &pair("1")).await;
    let (status, answer) = client.post("/", &pair("1")).await;
    assert_eq!(status, 200);
    let answers = answer["entry"].as_array().unwrap();
    assert!(answers.iter().all(|entry| entry["response"]["status"] == "200 OK"));
    assert!(answers[0]["response"]["location"].as_str().unwrap().ends_with("/_history/2"));
    assert!(answers[1]["response"]["location"].as_str().unwrap().ends_with("/_history/1"));
    assert_eq!(client.stored(), 2);
    assert_eq!(client.records.count_by_identifier("RiskAssessment", "urn:test", "a-1"), 1);
}

#[tokio::test]
async fn relative_references_are_resolved_by_the_full_url_of_their_entry() {
    let client = Client::start();
    let base = "https://solewire.example/fhir";
    let mut first = observation("o", json!({ "reference": "http://elsewhere.example/fhir/Patient/9" }));
    first["id"] = json!("own-id");
    let bundle = transaction(vec![
        entry(
            &format!("{base}/Observation/own-id"),
            first,
            json!({ "method": "POST", "url": "Observation" }),
        ),
        entry(
            &format!("{base}/RiskAssessment/other"),
            assessment("a", "Observation/own-id"),
            json!({ "method": "POST", "url": "RiskAssessment" }),
        ),
    ]);
    let (status, answer) = client.post("/", &bundle).await;
    assert_eq!(status, 200, "{answer}");
    let observation = &client.records.resources_of("Observation")[0];
    assert_ne!(observation["id"], "own-id", "a create gets an id of the record system");
    assert_eq!(observation["subject"]["reference"], "http://elsewhere.example/fhir/Patient/9");
    let assessment = &client.records.resources_of("RiskAssessment")[0];
    let expected = format!("Observation/{}", observation["id"].as_str().unwrap());
    assert_eq!(assessment["basis"][0]["reference"], expected);
}

#[tokio::test]
async fn a_defect_anywhere_stores_nothing() {
    let client = Client::start();
    let create = json!({ "method": "POST", "url": "Observation" });
    let good =
        || entry(FIRST, observation("good", json!({ "reference": "Patient/river-stone" })), create.clone());
    let with = |other: Value| transaction(vec![good(), other]);
    let by_patient = |value: &str| {
        observation("x", json!({ "reference": format!("Patient?identifier={SYSTEM}|{value}") }))
    };
    let cases = [
        ("type batch", json!({ "resourceType": "Bundle", "type": "batch", "entry": [good()] }), 400),
        ("no request", with(json!({ "resource": observation("x", json!({ "display": "x" })) })), 400),
        ("fullUrl twice", with(good()), 400),
        ("no resource", with(json!({ "request": create })), 400),
        ("type against url", with(entry(SECOND, assessment("a", FIRST), create.clone())), 400),
        (
            "unresolved urn",
            with(entry(
                SECOND,
                assessment("a", "urn:uuid:0b0c6b2e-3a57-4c8e-9d3a-2f6f1d1d0009"),
                json!({ "method": "POST", "url": "RiskAssessment" }),
            )),
            400,
        ),
        (
            "unknown relative reference",
            with(entry(
                SECOND,
                assessment("a", "Observation/404"),
                json!({ "method": "POST", "url": "RiskAssessment" }),
            )),
            422,
        ),
        ("conditional reference to nobody", with(entry(SECOND, by_patient("9"), create.clone())), 412),
        ("conditional reference to two", with(entry(SECOND, by_patient("2"), create.clone())), 412),
        ("half a UUID", with(entry("urn:uuid:12", by_patient("1"), create.clone())), 400),
        ("a relative fullUrl", with(entry("Observation/1", by_patient("1"), create.clone())), 400),
        (
            "a condition nobody understands",
            with(entry(
                SECOND,
                by_patient("1"),
                json!({ "method": "POST", "url": "Observation", "ifNoneExist": "colour=blue" }),
            )),
            400,
        ),
        (
            "a read of nothing, seen after the writes",
            with(json!({ "request": { "method": "GET", "url": "Observation/404" } })),
            404,
        ),
    ];
    for (name, bundle, expected) in cases {
        let (status, answer) = client.post("/", &bundle).await;
        assert_eq!(status, expected, "{name}: {answer}");
        assert_eq!(answer["resourceType"], "OperationOutcome", "{name}");
        assert_eq!(client.stored(), 0, "{name}");
    }
}

#[tokio::test]
async fn conditions_with_several_matches_are_refused() {
    let client = Client::start();
    for _ in 0..2 {
        let (status, _) = client
            .post("/Observation", &observation("same", json!({ "reference": "Patient/river-stone" })))
            .await;
        assert_eq!(status, 201);
    }
    let body = observation("same", json!({ "reference": "Patient/river-stone" }));
    for request in [
        json!({ "method": "POST", "url": "Observation", "ifNoneExist": "identifier=urn:test|same" }),
        json!({ "method": "PUT", "url": "Observation?identifier=urn:test|same" }),
    ] {
        let (status, answer) =
            client.post("/", &transaction(vec![entry(FIRST, body.clone(), request)])).await;
        assert_eq!(status, 412);
        assert_eq!(answer["issue"][0]["code"], "multiple-matches");
    }
    assert_eq!(client.stored(), 2);
}

#[tokio::test]
async fn single_creates_honour_if_none_exist() {
    let client = Client::start();
    let body = observation("one", json!({ "reference": "Patient/river-stone" })).to_string();
    let condition = [("if-none-exist", "identifier=urn:test|one")];
    let (status, _, headers) = client.send("POST", "/Observation", &condition, &body).await;
    assert_eq!(status, 201);
    let location = headers["location"].to_str().unwrap().to_owned();
    assert!(location.ends_with("/_history/1"), "{location}");
    assert_eq!(headers["etag"], "W/\"1\"");
    let (status, _, headers) = client.send("POST", "/Observation", &condition, &body).await;
    assert_eq!((status, headers["location"].to_str().unwrap()), (200, location.as_str()));
    assert_eq!(client.stored(), 1);
}

#[tokio::test]
async fn updates_check_the_version_they_are_told_to() {
    let client = Client::start();
    let mut body = observation("one", json!({ "reference": "Patient/river-stone" }));
    body["id"] = json!("mine");
    let (status, ..) = client.send("PUT", "/Observation/mine", &[], &body.to_string()).await;
    assert_eq!(status, 201);
    let (status, ..) =
        client.send("PUT", "/Observation/mine", &[("if-match", "W/\"1\"")], &body.to_string()).await;
    assert_eq!(status, 200);
    let (status, ..) =
        client.send("PUT", "/Observation/mine", &[("if-match", "W/\"1\"")], &body.to_string()).await;
    assert_eq!(status, 412);
    let (status, first) = client.get("/Observation/mine/_history/1").await;
    assert_eq!((status, &first["meta"]["versionId"]), (200, &json!("1")));
    assert_eq!(client.get("/Observation/mine").await.1["meta"]["versionId"], "2");
    assert_eq!(client.get("/Observation/other").await.0, 404);
}

#[tokio::test]
async fn a_search_pages_and_says_how_many_there_are() {
    let client = Client::start();
    for number in 0..3 {
        client
            .post(
                "/Observation",
                &observation(&format!("n{number}"), json!({ "reference": "Patient/river-stone" })),
            )
            .await;
    }
    let (_, page) = client.get("/Observation?subject=Patient/river-stone&_count=2").await;
    assert_eq!((page["total"].as_u64(), page["entry"].as_array().unwrap().len()), (Some(3), 2));
    let next = page["link"][1]["url"].as_str().unwrap().replace(client.records.base_url(), "");
    let (_, page) = client.get(&next).await;
    assert_eq!((page["entry"].as_array().unwrap().len(), page["link"].as_array().unwrap().len()), (1, 1));
    let (_, none) = client.get("/Observation?identifier=urn:test|nothing").await;
    assert!(none.get("entry").is_none());
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let (_, posted, _) =
        client.send("POST", "/Observation/_search", &form, "identifier=urn%3Atest%7Cn1").await;
    assert_eq!(posted["total"], 1);
    let strict = [("prefer", "handling=strict")];
    assert_eq!(client.send("GET", "/Observation?colour=blue", &strict, "").await.0, 400);
}

#[tokio::test]
async fn what_is_not_fhir_json_is_refused() {
    let client = Client::start();
    assert_eq!(client.send("POST", "/", &[("content-type", "text/plain")], "{}").await.0, 415);
    assert_eq!(client.send("POST", "/", &[], "{\"resourceType\": ").await.0, 400);
    assert_eq!(client.post("/Basic", &json!({ "resourceType": "Basic" })).await.0, 404);
    assert_eq!(client.get("/metadata").await.1["fhirVersion"], "4.0.1");
}

#[tokio::test]
async fn scripted_answers_come_with_and_without_the_work_done() {
    let client = Client::start();
    let busy = Answer::status(503).header("Retry-After", "2").outcome("transient", "Busy.", None);
    client.records.script(When::Writes, Behaviour::Answer(busy.clone()));
    client.records.script(When::Writes, Behaviour::AnswerAfterCommit(busy));
    assert_eq!(client.get("/metadata").await.0, 200, "reads leave the script for writes alone");
    let (status, answer) = client.post("/", &pair("1")).await;
    assert_eq!((status, &answer["issue"][0]["code"], client.stored()), (503, &json!("transient"), 0));
    assert_eq!((client.post("/", &pair("1")).await.0, client.stored()), (503, 2));
    assert_eq!((client.post("/", &pair("1")).await.0, client.records.script_left()), (200, 0));
    assert_eq!(client.records.write_count(), 3);
}

#[tokio::test]
async fn connections_break_before_after_and_inside_the_answer() {
    let client = Client::start();
    client.records.script(When::Any, Behaviour::Close);
    assert!(client.try_post(&pair("1")).await.is_err());
    assert_eq!(client.stored(), 0);
    client.records.script(When::Any, Behaviour::CloseAfterCommit);
    assert!(client.try_post(&pair("1")).await.is_err());
    assert_eq!(client.stored(), 2);
    client.records.script(When::Any, Behaviour::TruncateAfterCommit);
    assert!(client.try_post(&pair("2")).await.is_err());
    assert_eq!(client.stored(), 4);
    client.records.script(When::Any, Behaviour::DripAfterCommit(Duration::from_micros(10)));
    assert!(client.try_post(&pair("2")).await.unwrap().contains("transaction-response"));
}

#[tokio::test]
async fn going_down_refuses_connections_and_keeps_what_is_stored() {
    let mut client = Client::start();
    client.post("/", &pair("1")).await;
    client.records.go_down();
    assert!(client.try_post(&pair("2")).await.is_err(), "a kept connection is closed");
    client.http = reqwest::Client::new();
    assert!(client.try_post(&pair("2")).await.unwrap_err().is_connect());
    assert_eq!(client.stored(), 2);
    client.records.come_back().unwrap();
    assert_eq!((client.post("/", &pair("2")).await.0, client.stored()), (200, 4));
}

#[tokio::test]
async fn credentials_can_be_asked_for_and_withdrawn() {
    let client = Client::start();
    client.records.require_authorization(Some("Bearer first"));
    assert_eq!(client.get("/Patient").await.0, 401);
    let first = [("authorization", "Bearer first")];
    assert_eq!(client.send("GET", "/Patient", &first, "").await.0, 200);
    client.records.require_authorization(Some("Bearer second"));
    assert_eq!(client.send("GET", "/Patient", &first, "").await.0, 401);
}

#[test]
fn waiting_ends_at_the_limit_or_as_soon_as_the_condition_holds() {
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    assert!(!records.wait_until(Duration::from_millis(60), |records| !records.resources().is_empty()));
    records.seed(&patient("a", "1")).unwrap();
    assert!(records.wait_until(Duration::ZERO, |records| records.resources().len() == 1));
}

#[test]
fn digits_arrive_as_they_were_sent() {
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    let text = r#"{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1.10}}"#;
    records.seed(&serde_json::from_str(text).unwrap()).unwrap();
    assert_eq!(records.resources()[0]["valueQuantity"]["value"].to_string(), "1.10");
}
