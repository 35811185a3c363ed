//! Traces: what a collector gets of intake and delivery, how the context goes on, and what it never gets.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use reqwest::Method;
use serde_json::Value;
use solewire_service::loopback::{Answer, Behaviour, LoopbackRecordSystem, When};
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

/// The different contexts that the record system was sent, place and state, in their order. Every request has one, or
/// none has.
fn contexts(records: &LoopbackRecordSystem) -> Vec<(String, String)> {
    let requests = records.requests();
    let text = |header: Option<&str>| header.unwrap_or_default().to_owned();
    let mut contexts: Vec<_> = requests
        .iter()
        .map(|request| (text(request.header("traceparent")), text(request.header("tracestate"))))
        .collect();
    assert!(!contexts.is_empty(), "the record system was asked");
    contexts.dedup();
    contexts
}

/// The settings of a service that sends nothing but deliveries there: what it delivered it does not look for.
fn forwarding(records: &LoopbackRecordSystem) -> Setup {
    let more = format!("[record_system]\nbase_url = \"{}\"\nverify = false\n", records.base_url());
    Setup { more, ..Setup::default() }
}

/// The same with a collector.
fn traced(collector: &Collector, records: &LoopbackRecordSystem) -> Setup {
    let mut setup = forwarding(records);
    setup.more.push_str(&format!("[telemetry]\notlp_url = \"{}\"\n", collector.url));
    setup
}

#[tokio::test]
async fn intake_and_delivery_are_traced_within_the_callers_trace_and_without_anything_of_the_exam() {
    let collector = Collector::start();
    let case = case("category-2");
    let text = String::from_utf8(case.input.clone()).unwrap().replace("HL-", &format!("{CANARY}-"));
    let document: Value = serde_json::from_str(&text).unwrap();
    let records = LoopbackRecordSystem::start(&[person(&document)]).unwrap();
    let mut service = Service::start(traced(&collector, &records)).await;
    let context = format!("00-{TRACE}-{ABOVE}-01");
    let state = format!("harbourlane={CANARY}");
    let headers =
        [("traceparent", context.as_str()), ("tracestate", state.as_str()), ("x-request-id", CANARY)];
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
    assert_eq!((&delivery["traceId"], &delivery["parentSpanId"]), (&request["traceId"], &intake["spanId"]));
    let span = delivery["spanId"].as_str().unwrap();
    assert_eq!(contexts(&records), [(format!("00-{TRACE}-{span}-01"), format!("harbourlane={CANARY}"))]);

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
async fn each_attempt_is_a_span_below_the_submission_however_much_later_it_is_made() {
    let collector = Collector::start();
    let case = case("category-2");
    let records = LoopbackRecordSystem::start(&[person(&case.json())]).unwrap();
    records.script_always(When::Any, Behaviour::Answer(Answer::status(503)));
    let mut service = Service::start(traced(&collector, &records)).await;
    let context = format!("00-{TRACE}-{ABOVE}-01");
    let headers = [("traceparent", context.as_str())];
    service.client.send(Method::POST, &service.fhir_url, &headers, case.input).await.expect(200);
    let intake = collector.span("intake", "solewire.submission.result", "accepted").await;
    collector.span("delivery", "solewire.delivery.verdict", "unknown-outcome").await;
    // The next attempt is made by another process.
    service.kill();
    records.clear_script();
    service.restart().await;
    service.delivered(1, LIMIT).await;
    collector.span("delivery", "solewire.delivery.verdict", "delivered").await;
    let attempts: Vec<Value> =
        collector.spans().into_iter().filter(|span| span["name"] == "delivery").collect();
    assert!(attempts.len() > 1, "{attempts:?}");
    for attempt in attempts {
        assert_eq!((&attempt["traceId"], &attempt["parentSpanId"]), (&intake["traceId"], &intake["spanId"]));
        let sent = format!("00-{TRACE}-{}-01", attempt["spanId"].as_str().unwrap());
        assert!(contexts(&records).contains(&(sent, String::new())), "{attempt}");
    }
}

#[tokio::test]
async fn a_trace_that_is_not_recorded_is_passed_on_as_it_came() {
    let collector = Collector::start();
    let case = case("category-2");
    let records = LoopbackRecordSystem::start(&[person(&case.json())]).unwrap();
    let service = Service::start(traced(&collector, &records)).await;
    let (context, state) = (format!("00-{TRACE}-{ABOVE}-00"), "harbourlane=a b");
    let headers = [("traceparent", context.as_str()), ("tracestate", state)];
    service.client.send(Method::POST, &service.fhir_url, &headers, case.input).await.expect(200);
    service.delivered(1, LIMIT).await;
    assert_eq!(contexts(&records), [(context.clone(), state.to_owned())]);
}

#[tokio::test]
async fn without_a_collector_a_context_is_passed_on_as_it_came_and_none_is_made_up() {
    let (with, without) = (case("category-2"), case("category-3"));
    let records = LoopbackRecordSystem::start(&[person(&with.json()), person(&without.json())]).unwrap();
    let mut service = Service::start(forwarding(&records)).await;
    let (context, state) = (format!("00-{TRACE}-{ABOVE}-03"), "harbourlane=a b");
    let headers = [("traceparent", context.as_str()), ("tracestate", state)];
    service.client.send(Method::POST, &service.fhir_url, &headers, with.input).await.expect(200);
    service.delivered(1, LIMIT).await;
    let nothing = (String::new(), String::new());
    drop(service.client.post(&service.fhir_url, without.input.clone()).await.expect(200));
    service.delivered(2, LIMIT).await;
    assert_eq!(contexts(&records), [(context, state.to_owned()), nothing]);
    // Two of them are none.
    let context = format!("00-{TRACE}-{ABOVE}-01");
    let twice = [("traceparent", context.as_str()); 2];
    let corrected = String::from_utf8(without.input).unwrap().replace("\"final\"", "\"amended\"");
    service.client.send(Method::POST, &service.fhir_url, &twice, corrected).await.expect(200);
    service.delivered(3, LIMIT).await;
    assert_eq!(contexts(&records).len(), 2);
    service.kill();
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
