//! The service against `openapi.yaml`, both ways: every route is documented and every documented operation is driven.
//! The client of these tests holds each answer of the service against the document, here and everywhere else.

use std::collections::BTreeSet;

use reqwest::Method;
use serde_json::{Value, json};
use solewire_service::http::served;
use solewire_service::loopback::{Answer as Scripted, Behaviour, LoopbackRecordSystem, When};
use solewire_tests::client::{Answer, FHIR_JSON};
use solewire_tests::contract::contract;
use solewire_tests::corpus::case;
use solewire_tests::service::{Service, Setup};

use super::{LIMIT, person};

#[test]
fn every_route_is_documented_and_every_documented_operation_is_a_route() {
    let contract = contract();
    let mut routed = BTreeSet::new();
    for one in served() {
        let found = contract.operation(&one.method, one.pattern);
        let found = found.unwrap_or_else(|| panic!("{} {} is not documented", one.method, one.pattern));
        routed.insert(found.id);
    }
    let documented: BTreeSet<&str> = contract.operations().iter().map(|operation| operation.id).collect();
    assert_eq!(documented, routed, "documented and not served, or the same id twice");
    assert_eq!(contract.operations().len(), documented.len(), "two operations have the same id");
}

/// Drives operations and notes which ones.
struct Driver {
    service: Service,
    driven: BTreeSet<&'static str>,
}

impl Driver {
    async fn ask(&mut self, method: Method, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        let of_operators =
            ["/operations", "/metrics", "/fhir/AuditEvent"].iter().any(|top| path.starts_with(top));
        let base = if of_operators {
            self.service.operations_url.clone()
        } else {
            self.service.fhir_url.trim_end_matches("/fhir").to_owned()
        };
        let client = &self.service.client;
        let mut request =
            client.http().request(method.clone(), format!("{base}{path}")).body(body.to_owned());
        if !body.is_empty() && !headers.iter().any(|(name, _)| *name == "content-type") {
            request = request.header("content-type", FHIR_JSON);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let answer = client.sent(request).await;
        let path = path.split('?').next().unwrap();
        if answer.status < 400 {
            self.driven.insert(contract().operation(method.as_str(), path).unwrap().id);
        }
        answer
    }

    async fn get(&mut self, path: &str) -> Answer {
        self.ask(Method::GET, path, &[], "").await
    }

    async fn post(&mut self, path: &str, body: &str) -> Answer {
        self.ask(Method::POST, path, &[("x-solewire-page", "1")], body).await
    }
}

#[tokio::test]
async fn every_documented_operation_is_driven_and_answers_as_documented() {
    let exam = case("category-2");
    let device = case("device-result").json().to_string();
    let records = LoopbackRecordSystem::start(&[person(&exam.json())]).unwrap();
    let setup = Setup {
        more: "[exam]\ngroup_by = \"subject-and-day\"\n".to_owned(),
        ..Setup::with(records.base_url())
    };
    let mut driver = Driver { service: Service::start(setup).await, driven: BTreeSet::new() };
    let text = String::from_utf8(exam.input.clone()).unwrap();
    let answer = driver.post("/fhir", &text).await.expect(200);
    let link = answer.header("link").unwrap().to_owned();
    let assessment = link.split("RiskAssessment/").nth(1).unwrap().split('>').next().unwrap().to_owned();
    driver.service.delivered(1, LIMIT).await;

    let created = driver.post("/fhir/Observation", &device).await.expect(201);
    let made = created.json();
    let id = made["id"].as_str().unwrap().to_owned();
    let etag = created.header("etag").unwrap().to_owned();
    let place = format!("/fhir/Observation/{id}");
    let read = driver.get(&place).await.expect(200);
    assert_eq!(read.header("etag"), Some(etag.as_str()));
    for tag in [etag.as_str(), "*", "W/\"9\", \"1\""] {
        let again = driver.ask(Method::GET, &place, &[("if-none-match", tag)], "").await.expect(304);
        assert!(again.text.is_empty());
    }
    let mut corrected = read.json();
    corrected["status"] = json!("corrected");
    let corrected = corrected.to_string();
    driver.ask(Method::PUT, &place, &[], &corrected).await.expect(428);
    driver.ask(Method::PUT, &place, &[("if-match", "W/\"7\"")], &corrected).await.expect(412);
    let put = driver.ask(Method::PUT, &place, &[("if-match", &etag)], &corrected).await.expect(200);
    assert_eq!(put.header("etag"), Some("W/\"2\""));
    driver.get(&format!("{place}/_history")).await.expect(200);
    driver.get(&format!("{place}/_history/1")).await.expect(200);
    driver.get("/fhir/Observation?_count=2").await.expect(200);
    let form = [("content-type", "application/x-www-form-urlencoded")];
    driver.ask(Method::POST, "/fhir/RiskAssessment/_search", &form, "status=final").await.expect(200);
    driver.post("/fhir/Observation/$validate", &device).await.expect(200);
    driver.post("/fhir/$assess", &text).await.expect(200);
    let of_subject = |name: &str| exam.json().pointer(name).cloned();
    let panel = of_subject("/entry").unwrap();
    let panel = panel.as_array().unwrap().iter().find_map(|entry| {
        let resource = &entry["resource"];
        resource["hasMember"].is_array().then(|| resource["identifier"][0].clone())
    });
    let asked = json!({ "resourceType": "Parameters",
        "parameter": [{ "name": "exam", "valueIdentifier": panel.unwrap() }] });
    driver.post("/fhir/$progress", &asked.to_string()).await.expect(200);

    for path in
        ["/fhir/metadata", "/fhir/OperationDefinition/assess", "/openapi.yaml", "/.well-known/jwks.json"]
    {
        driver.get(path).await.expect(200);
    }
    let json = driver.get("/openapi.json").await.expect(200).json();
    assert_eq!(&json, contract().document(), "the document as JSON says what it says as YAML");
    for path in ["/health/live", "/health/ready", "/metrics", "/", "/contract", "/assets/style.css"] {
        driver.get(path).await.expect(200);
    }

    let events = driver.get("/fhir/AuditEvent?_count=1").await.expect(200).resources();
    let event = events[0]["id"].as_str().unwrap().to_owned();
    driver.get(&format!("/fhir/AuditEvent/{event}")).await.expect(200);
    driver.ask(Method::POST, "/fhir/AuditEvent/_search", &form, "_count=1").await.expect(200);

    let reason = json!({ "reason": "asked for by a test" }).to_string();
    for top in ["/operations", "/pages"] {
        driver.get(&format!("{top}/deliveries")).await.expect(200);
        driver.get(&format!("{top}/deliveries/1")).await.expect(200);
        driver.post(&format!("{top}/deliveries/1/discard"), &reason).await;
        driver.post(&format!("{top}/deliveries/1/replay"), &reason).await;
    }
    driver.get("/operations/deliveries/1/comparison").await;
    driver.get("/operations/deliveries/1/validation").await;
    driver.get("/operations/comparison").await;
    let preview = driver.get("/operations/replay?state=parked").await.expect(200).json();
    let previewed =
        json!({ "deliveries": preview["deliveries"], "reason": "the address was wrong" }).to_string();
    driver.post("/operations/replay?state=parked", &previewed).await.expect(200);

    driver.get("/pages/session").await.expect(200);
    driver.post("/pages/session/end", "").await.expect(200);
    driver.get(&format!("/pages/exams/{assessment}")).await.expect(200);
    driver.get("/pages/worklists/recalls").await.expect(200);
    driver.get("/pages/worklists/recalls.csv").await.expect(200);

    // Refusals are documented too.
    driver.get("/fhir/Observation/none").await.expect(404);
    driver.get("/fhir/Observation?date=soon").await.expect(400);
    driver.post("/fhir", "{").await.expect(400);
    driver.post("/fhir", &String::from_utf8(case("invalid-no-side").input).unwrap()).await.expect(422);
    driver.ask(Method::POST, "/fhir", &[("content-type", "text/plain")], "{}").await.expect(415);
    let accept = [("accept", "application/fhir+xml")];
    driver.ask(Method::GET, "/fhir/metadata", &accept, "").await.expect(406);
    driver.ask(Method::DELETE, &place, &[], "").await.expect(405);

    let all: BTreeSet<&str> = contract().operations().iter().map(|operation| operation.id).collect();
    let left: Vec<&&str> = all.difference(&driver.driven).collect();
    // Without tokens nobody signs in, and nothing here is parked: the next test drives these.
    let next = [
        "signIn",
        "discardDelivery",
        "discardDeliveryForPages",
        "replayDeliveryForPages",
        "validateDelivery",
    ];
    assert!(left.iter().all(|id| next.contains(id)), "documented and not driven: {left:?}");
}

#[tokio::test]
async fn what_needs_a_parked_delivery_or_a_token_answers_as_documented_too() {
    let exam = case("category-2");
    let token = "contract-test-token";
    let hash = solewire_service::intake::hex(&<sha2::Sha256 as sha2::Digest>::digest(token.as_bytes()));
    // A record system that knows nobody: what comes there is parked, and can be given up.
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    let mut service = Service::start(Setup::with(records.base_url())).await;
    service.client.post(&service.fhir_url, exam.input.clone()).await.expect(200);
    service.client.post(&service.fhir_url, case("category-1-lops").input).await.expect(200);
    let began = std::time::Instant::now();
    while service.delivery_states().await != ["parked", "parked"] {
        assert!(began.elapsed() < LIMIT, "{:?}", service.delivery_states().await);
        tokio::time::sleep(solewire_tests::process::POLL).await;
    }
    let validation = format!("{}/operations/deliveries/1/validation", service.operations_url);
    for severity in ["information", "error"] {
        let outcome = json!({ "resourceType": "OperationOutcome", "issue": [{ "severity": severity, "code": "value" }] });
        records.script_always(When::Any, Behaviour::Answer(Scripted::status(200).json(&outcome)));
        let said = service.client.get(&validation).await.expect(200).json();
        let refused = said["refused"].as_array().unwrap().len();
        assert_eq!(refused > 0, severity == "error", "{said}");
        records.clear_script();
    }
    let reason = json!({ "reason": "asked for by a test" }).to_string();
    let page = [("x-solewire-page", "1")];
    let operators = format!("{}/operations/deliveries/1/discard", service.operations_url);
    service.client.send(Method::POST, &operators, &[], reason.clone()).await.expect(200);
    let pages = service.fhir_url.replace("/fhir", "/pages/deliveries/2/discard");
    service.client.send(Method::POST, &pages, &page, reason.clone()).await.expect(200);
    let again = pages.replace("discard", "replay");
    service.client.send(Method::POST, &again, &page, reason).await.expect(200);

    service.kill();
    service.set_access(&format!("[access]\ntokens = [\"{hash} read\"]\n"));
    service.restart().await;
    let session = service.fhir_url.replace("/fhir", "/pages/session");
    let body = json!({ "token": token }).to_string();
    service.client.send(Method::POST, &session, &page, body).await.expect(200);
    let refused =
        service.client.send(Method::POST, &session, &page, "{\"token\":\"guess\"}").await.expect(401);
    assert!(refused.header("www-authenticate").is_some());
    let bearer = format!("Bearer {token}");
    let with = [("authorization", bearer.as_str())];
    service.client.send(Method::POST, &service.fhir_url, &with, exam.input).await.expect(403);
}

#[test]
fn the_examples_are_those_of_the_corpus_and_hold_against_their_schemas() {
    let contract = contract();
    for (name, example) in contract.document()["components"]["examples"].as_object().unwrap() {
        assert_eq!(example["value"], case(name).json(), "the example {name} is not the one of the corpus");
    }
    let mut shown = 0;
    for operation in contract.operations() {
        let bodies = std::iter::once(&operation.described["requestBody"])
            .chain(operation.described["responses"].as_object().unwrap().values());
        for (number, body) in bodies.enumerate() {
            let content = contract.resolved(body)["content"].as_object();
            for (media, described) in content.into_iter().flatten() {
                let several = described["examples"].as_object().into_iter().flat_map(|all| all.values());
                let examples: Vec<&Value> = several
                    .map(|one| &contract.resolved(one)["value"])
                    .chain(described.get("example"))
                    .collect();
                for example in examples {
                    shown += 1;
                    let place = format!("example {} {number} {media}", operation.id);
                    let why = contract.breach(&place, &described["schema"], example);
                    assert_eq!(why, None, "{place}");
                }
            }
        }
    }
    assert!(shown >= 4, "only {shown} examples");
}
