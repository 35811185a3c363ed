//! Traces: what a collector gets of intake and delivery, how the context goes on, and what it never gets.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use reqwest::Method;
use serde_json::Value;
use solewire_service::loopback::LoopbackRecordSystem;
use solewire_tests::corpus::case;
use solewire_tests::process::POLL;
use solewire_tests::service::{Service, Setup};

use super::{LIMIT, person};

const CANARY: &str = "Qanaryx";
const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
const ABOVE: &str = "00f067aa0ba902b7";

/// A collector that keeps what it is sent, word for word.
struct Collector {
    url: String,
    bodies: Arc<Mutex<Vec<String>>>,
}

impl Collector {
    fn start() -> Collector {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let url = format!("http://{}/v1/traces", listener.local_addr().unwrap());
        let bodies = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&bodies);
        // It ends with the process of the tests.
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let body = taken(stream.unwrap());
                kept.lock().unwrap().push(body);
            }
        });
        Collector { url, bodies }
    }

    fn text(&self) -> String {
        self.bodies.lock().unwrap().join("\n")
    }

    fn spans(&self) -> Vec<Value> {
        let bodies = self.bodies.lock().unwrap().clone();
        let documents = bodies.iter().map(|body| serde_json::from_str::<Value>(body).unwrap());
        documents
            .flat_map(|document| {
                document["resourceSpans"][0]["scopeSpans"][0]["spans"].as_array().unwrap().clone()
            })
            .collect()
    }

    /// The first span of a name that says this, once it has come.
    async fn span(&self, name: &str, key: &str, value: &str) -> Value {
        let deadline = Instant::now() + LIMIT;
        loop {
            let found =
                self.spans().into_iter().find(|span| span["name"] == name && said(span, key) == value);
            if let Some(found) = found {
                return found;
            }
            assert!(Instant::now() < deadline, "no {name} with {key} {value} in {}", self.text());
            tokio::time::sleep(POLL).await;
        }
    }
}

/// Reads one request and answers it.
fn taken(stream: TcpStream) -> String {
    let mut reader = BufReader::new(&stream);
    let (mut head, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        if line.trim().is_empty() {
            break;
        }
        if let Some(value) = line.to_ascii_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().unwrap();
        }
        head.push_str(&line);
    }
    assert!(
        head.starts_with("POST /v1/traces ") && head.contains("content-type: application/json"),
        "{head}"
    );
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    let answer = "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\ncontent-length: 2\r\nconnection: close\r\n\r\n{}";
    (&stream).write_all(answer.as_bytes()).unwrap();
    String::from_utf8(body).unwrap()
}

fn said(span: &Value, key: &str) -> String {
    let attributes = span["attributes"].as_array().unwrap();
    let attribute = attributes.iter().find(|attribute| attribute["key"] == key);
    attribute.map_or(String::new(), |attribute| {
        let value = &attribute["value"];
        value["intValue"].as_str().or(value["stringValue"].as_str()).unwrap().to_owned()
    })
}

/// The headers of trace context that the record system was sent.
fn contexts(records: &LoopbackRecordSystem) -> Vec<String> {
    let requests = records.requests();
    requests.iter().filter_map(|request| request.header("traceparent").map(str::to_owned)).collect()
}

#[tokio::test]
async fn intake_and_delivery_are_traced_within_the_callers_trace_and_without_anything_of_the_exam() {
    let collector = Collector::start();
    let case = case("category-2");
    let text = String::from_utf8(case.input.clone()).unwrap().replace("HL-", &format!("{CANARY}-"));
    let document: Value = serde_json::from_str(&text).unwrap();
    let records = LoopbackRecordSystem::start(&[person(&document)]).unwrap();
    let more = format!("[telemetry]\notlp_url = \"{}\"\n", collector.url);
    let mut service = Service::start(Setup { more, ..Setup::with(records.base_url()) }).await;
    let context = format!("00-{TRACE}-{ABOVE}-01");
    let headers = [("traceparent", context.as_str()), ("x-request-id", CANARY)];
    let sent = service.client.send(Method::POST, &service.fhir_url, &headers, text).await.expect(200);
    assert!(sent.text.contains("RiskAssessment"));
    service.delivered(1, LIMIT).await;

    let request = collector.span("request", "http.route", "/fhir").await;
    assert_eq!((request["traceId"].as_str(), request["parentSpanId"].as_str()), (Some(TRACE), Some(ABOVE)));
    assert_eq!(said(&request, "http.request.method"), "POST");
    assert_eq!(said(&request, "http.response.status_code"), "200");
    let intake = collector.span("intake", "solewire.submission.result", "accepted").await;
    assert_eq!((&intake["traceId"], &intake["parentSpanId"]), (&request["traceId"], &request["spanId"]));
    assert_eq!(said(&intake, "solewire.submission.assessments"), "1");
    let delivery = collector.span("delivery", "solewire.delivery.verdict", "delivered").await;
    assert_eq!(said(&delivery, "solewire.delivery"), "1");
    let (trace, span) = (delivery["traceId"].as_str().unwrap(), delivery["spanId"].as_str().unwrap());
    assert!(contexts(&records).contains(&format!("00-{trace}-{span}-01")), "{:?}", contexts(&records));

    // What is refused, made up or not there, with a canary wherever a caller can put one.
    let refused = format!("{{\"resourceType\": \"{CANARY}\"}}");
    service.client.send(Method::POST, &service.fhir_url, &headers, refused).await;
    drop(service.client.get(&service.url(&format!("Observation/{CANARY}"))).await.expect(404));
    service.client.get(&service.url(&format!("RiskAssessment?subject:identifier={CANARY}|{CANARY}"))).await;
    let method = Method::from_bytes(CANARY.as_bytes()).unwrap();
    service.client.send(method, &service.fhir_url, &[], "").await;
    collector.span("intake", "solewire.submission.result", "refused").await;
    collector.span("request", "http.request.method", "_OTHER").await;
    // Whoever began a trace without recording it is not recorded here either.
    let before = collector.spans().len();
    let silent = [("traceparent", "00-5bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00")];
    drop(service.client.send(Method::GET, &service.url("metadata"), &silent, "").await.expect(200));
    drop(service.client.get(&service.url("Observation")).await.expect(200));
    let deadline = Instant::now() + LIMIT;
    while collector.spans().len() == before {
        assert!(Instant::now() < deadline, "the span of the last request comes");
        tokio::time::sleep(POLL).await;
    }
    let all = collector.text();
    assert!(!all.contains("5bf92f3577b34da6a3ce929d0e0e4736"), "{all}");
    assert!(!all.contains(CANARY) && !all.to_lowercase().contains(&CANARY.to_lowercase()), "{all}");
    service.kill();
}

#[tokio::test]
async fn nothing_is_traced_and_no_context_is_passed_on_unless_a_collector_is_named() {
    let case = case("category-2");
    let records = LoopbackRecordSystem::start(&[person(&case.json())]).unwrap();
    let service = Service::start(Setup::with(records.base_url())).await;
    drop(service.client.post(&service.fhir_url, case.input).await.expect(200));
    service.delivered(1, LIMIT).await;
    assert_eq!(contexts(&records), Vec::<String>::new());
}

#[tokio::test]
async fn a_collector_that_is_away_holds_nothing_up() {
    let case = case("category-2");
    let records = LoopbackRecordSystem::start(&[person(&case.json())]).unwrap();
    // Nobody listens on a port that was just let go.
    let port = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port();
    let more = format!("[telemetry]\notlp_url = \"http://127.0.0.1:{port}/v1/traces\"\n");
    let service = Service::start(Setup { more, ..Setup::with(records.base_url()) }).await;
    drop(service.client.post(&service.fhir_url, case.input).await.expect(200));
    service.delivered(1, LIMIT).await;
    let deadline = Instant::now() + LIMIT;
    while !service.log().contains("does not take traces") {
        assert!(Instant::now() < deadline, "{}", service.log());
        tokio::time::sleep(POLL).await;
    }
}
