use actix_web::body::to_bytes;
use actix_web::dev::ServiceResponse;
use actix_web::http::header::HeaderMap;
use actix_web::test::{TestRequest, call_service, init_service};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use std::time::Duration;

use super::*;
use crate::config::{Access, Callers, Right, Token, Unsent};
use crate::intake::tests::bench;

/// An answer, taken apart.
struct Answered {
    status: u16,
    headers: HeaderMap,
    body: Vec<u8>,
}

impl Answered {
    async fn of(response: ServiceResponse) -> Answered {
        let status = response.status().as_u16();
        let headers = response.headers().clone();
        let body = to_bytes(response.into_body()).await.unwrap().to_vec();
        Answered { status, headers, body }
    }

    fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|_| panic!("no JSON: {}", String::from_utf8_lossy(&self.body)))
    }

    fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    fn rule(&self) -> String {
        self.json()["issue"][0]["details"]["coding"][0]["code"].as_str().unwrap_or_default().to_owned()
    }
}

fn state(intake: Intake, access: Access) -> web::Data<State> {
    let wake = Arc::new(Notify::new());
    let pages = Pages { idle: Duration::from_secs(900), unsent: Unsent::Keep };
    web::Data::new(State {
        access: Gate::new(access, intake.clock.clone(), pages.idle, intake.store.clone()),
        pages,
        intake,
        body_limit: Duration::from_secs(30),
        public_url: None,
        lane: Arc::new(Lane::new(true)),
        wake,
        metrics: Arc::new(Metrics::default()),
        traces: crate::traces::Traces::default(),
        record_system: None,
        public_keys: None,
    })
}

fn token(rights: Vec<Right>) -> Token {
    Token { hash: Sha256::digest(b"opaque").into(), rights, clinic: None, device: None }
}

/// Sends requests to one listener's application.
macro_rules! ask {
    ($state:expr, $routes:path, $request:expr) => {{
        let app = init_service(application!($state.clone(), $routes)).await;
        Answered::of(call_service(&app, $request.to_request()).await.map_into_boxed_body()).await
    }};
}

fn get(uri: &str) -> TestRequest {
    TestRequest::get().uri(uri).insert_header(("host", "clinic.example"))
}

fn post(uri: &str, body: impl Into<Vec<u8>>) -> TestRequest {
    TestRequest::post()
        .uri(uri)
        .insert_header(("host", "clinic.example"))
        .insert_header(("content-type", "application/fhir+json"))
        .set_payload(body.into())
}

#[actix_web::test]
async fn every_refusal_has_its_status_and_an_outcome() {
    let bench = bench().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let bundle = r#"{"resourceType":"Bundle","type":"collection"}"#;
    let batch = |entries: &str| {
        format!(r#"{{"resourceType":"Bundle","type":"batch","entry":{entries}}}"#).into_bytes()
    };
    let xml = || post("/fhir", "<Bundle/>").insert_header(("content-type", "application/fhir+xml"));
    let table: Vec<(TestRequest, u16, &str)> = vec![
        (get("/nothing"), 404, "http-not-found"),
        (get("/fhir/Patient/1"), 404, "http-not-found"),
        (get("/fhir/Observation/1"), 404, "http-not-found"),
        (get("/fhir/Observation/1/_history"), 404, "http-not-found"),
        (get("/fhir/Patient?_id=1"), 404, "http-not-found"),
        (get("/fhir"), 405, "http-method"),
        (TestRequest::delete().uri("/fhir/Observation/1"), 405, "http-method"),
        (post("/fhir/RiskAssessment", "{}"), 405, "http-method"),
        (post("/fhir/Patient", "{}"), 404, "http-not-found"),
        (xml(), 415, "http-media-type"),
        (post("/fhir", bundle).insert_header(("content-encoding", "gzip")), 415, "http-media-type"),
        (get("/fhir/metadata").insert_header(("accept", "application/fhir+xml")), 406, "http-accept"),
        (get("/fhir/metadata?_format=xml"), 406, "http-accept"),
        (post("/fhir", "{"), 400, "json-syntax"),
        (post("/fhir/Observation", "{\"a\":1,\"a\":2}"), 400, "json-duplicate-key"),
        (post("/fhir/Patient/$validate", "{"), 400, "json-syntax"),
        (post("/fhir/Observation", bundle), 400, "submit-resource-type"),
        (post("/fhir/Patient/$validate", bundle), 400, "http-request"),
        (post("/fhir", bundle), 422, "submit-bundle-type"),
        (post("/fhir/Observation", "{}").insert_header(("if-none-exist", "code=1")), 400, "http-request"),
        (post("/fhir", bundle).insert_header(("idempotency-key", "k".repeat(256))), 400, "http-request"),
        (post("/fhir", bundle).insert_header(("idempotency-key", "sch\u{fc}ssel")), 400, "http-header"),
        (
            post("/fhir", bundle)
                .append_header(("idempotency-key", "a"))
                .append_header(("idempotency-key", "b")),
            400,
            "http-header",
        ),
        (
            post("/fhir/Observation", "{}").insert_header(("if-none-exist", "identifier=s|\u{fc}")),
            400,
            "http-header",
        ),
        (
            TestRequest::put().uri("/fhir/Observation/1").insert_header(("if-match", "\"\u{fc}\"")),
            400,
            "http-header",
        ),
        (post("/fhir", batch("[]")).insert_header(("idempotency-key", "\u{fc}")), 400, "http-header"),
        (post("/fhir", batch("{}")), 400, "http-request"),
        (get("/fhir/Observation/1/_history?_count=many"), 400, "http-search-parameter"),
        (post("/fhir/$assess?at=now", bundle), 400, "http-request"),
        (post("/fhir", vec![b' '; LARGEST_BODY + 1]), 413, "http-body-limit"),
        (get("/fhir/Observation?date=soon"), 400, "http-search-parameter"),
        (
            get("/fhir/Observation?colour=1").insert_header(("prefer", "handling=strict")),
            400,
            "http-search-parameter",
        ),
        (post("/fhir/Observation/_search", "code=1"), 415, "http-media-type"),
    ];
    for (number, (request, status, rule)) in table.into_iter().enumerate() {
        let answered = ask!(state, fhir, request);
        assert_eq!((answered.status, answered.rule().as_str()), (status, rule), "row {number}");
        assert_eq!(answered.header("content-type"), "application/fhir+json");
        assert_eq!(answered.json()["resourceType"], "OperationOutcome");
        assert!(!answered.header("x-request-id").is_empty());
    }
    let refused = ask!(state, fhir, TestRequest::put().uri("/fhir/Observation"));
    assert_eq!((refused.status, refused.header("allow")), (405, "GET, POST"));
}

#[actix_web::test]
async fn tokens_are_known_by_their_hash_and_have_rights() {
    let bench = bench().await;
    let token = token(vec![Right::Read]);
    let state = state(
        bench.intake.clone_for_test(),
        Access::Tokens(Callers { tokens: vec![token], ..Callers::default() }),
    );
    let with = |request: TestRequest, token: &str| {
        request.insert_header(("authorization", format!("Bearer {token}")))
    };
    let answered = ask!(state, fhir, get("/fhir/Observation"));
    assert_eq!((answered.status, answered.rule().as_str()), (401, "http-login"));
    assert!(answered.header("www-authenticate").starts_with("Bearer"));
    assert_eq!(ask!(state, fhir, with(get("/fhir/Observation"), "guess")).status, 401);
    assert_eq!(ask!(state, fhir, with(get("/fhir/Observation"), "opaque")).status, 200);
    let answered = ask!(state, fhir, with(post("/fhir", "{}"), "opaque"));
    assert_eq!((answered.status, answered.rule().as_str()), (403, "http-right"));
    assert_eq!(ask!(state, operations, with(get("/operations/deliveries"), "opaque")).status, 403);
    for open in ["/fhir/metadata", "/health/live", "/health/ready", "/openapi.yaml"] {
        assert_eq!(ask!(state, fhir, get(open)).status, 200, "{open}");
    }
}

#[actix_web::test]
async fn what_is_stored_is_read_back_with_its_version() {
    let bench = bench().await;
    let ids = bench.with_exam().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let answered = ask!(state, fhir, get(&format!("/fhir/Observation/{}", ids[0])));
    assert_eq!((answered.status, answered.header("etag")), (200, "W/\"1\""));
    assert_eq!(answered.header("last-modified"), "Wed, 25 Nov 2026 12:00:00 GMT");
    assert_eq!(answered.json()["meta"], json!({ "versionId": "1", "lastUpdated": "2026-11-25T12:00:00Z" }));
    let known = get(&format!("/fhir/Observation/{}", ids[0])).insert_header(("if-none-match", "W/\"1\""));
    assert_eq!(ask!(state, fhir, known).status, 304);
    assert_eq!(ask!(state, fhir, get(&format!("/fhir/Observation/{}/_history/1", ids[0]))).status, 200);
    assert_eq!(ask!(state, fhir, get(&format!("/fhir/Observation/{}/_history/2", ids[0]))).status, 404);
    let history = ask!(state, fhir, get(&format!("/fhir/Observation/{}/_history", ids[0]))).json();
    assert_eq!((history["type"].as_str(), history["total"].as_u64()), (Some("history"), Some(1)));
    assert_eq!(history["entry"][0]["request"]["method"], "POST");
}

#[actix_web::test]
async fn search_gives_pages_that_link_to_one_another() {
    let bench = bench().await;
    bench.with_exam().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let person = "subject:identifier=https://harbourlane.example/people%7CMoth-1";
    let first =
        ask!(state, fhir, get(&format!("/fhir/Observation?{person}&_count=2&_sort=_id&colour=blue"))).json();
    assert_eq!((first["total"].as_u64(), first["entry"].as_array().map(Vec::len)), (Some(3), Some(2)));
    let link = |bundle: &Value, relation: &str| {
        let links = bundle["link"].as_array().unwrap().clone();
        links
            .iter()
            .find(|link| link["relation"] == relation)
            .map(|link| link["url"].as_str().unwrap().to_owned())
    };
    let own = link(&first, "self").unwrap();
    assert!(own.starts_with("http://clinic.example/fhir/Observation?") && !own.contains("colour"), "{own}");
    let next = link(&first, "next").unwrap();
    let second = ask!(state, fhir, get(next.trim_start_matches("http://clinic.example"))).json();
    assert_eq!(second["entry"].as_array().map(Vec::len), Some(1));
    assert!(link(&second, "next").is_none() && link(&second, "previous").is_some());
    let form = TestRequest::post()
        .uri("/fhir/Observation/_search")
        .insert_header(("content-type", "application/x-www-form-urlencoded"))
        .set_payload("identifier=https://harbourlane.example/results|left");
    assert_eq!(ask!(state, fhir, form).json()["total"], 1);
    let none = ask!(state, fhir, get("/fhir/RiskAssessment?_id=x")).json();
    assert_eq!((none["total"].as_u64(), none.get("entry")), (Some(0), None));
    let count = ask!(state, fhir, get("/fhir/Observation?_summary=count")).json();
    assert_eq!((count["total"].as_u64(), count.get("entry")), (Some(3), None));
    for (wish, total) in [("none", None), ("estimate", Some(3)), ("accurate", Some(3))] {
        let found = ask!(state, fhir, get(&format!("/fhir/Observation?_count=2&_total={wish}"))).json();
        assert_eq!((found["total"].as_u64(), link(&found, "next").is_some()), (total, true), "{wish}");
        assert!(link(&found, "next").unwrap().contains(&format!("_total={wish}")));
    }
    assert_eq!(ask!(state, fhir, get("/fhir/Observation?_total=some")).status, 400);
}

#[actix_web::test]
async fn operators_see_deliveries_without_values_and_say_why() {
    let bench = bench().await;
    let ids = bench.with_exam().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let list = ask!(state, operations, get("/operations/deliveries?state=pending"));
    assert_eq!(list.json()["counts"], json!({ "pending": 1 }));
    assert_eq!(list.json()["lane"]["state"], "open");
    let one = ask!(state, operations, get("/operations/deliveries/1"));
    assert_eq!(one.json()["entries"][0], format!("Observation/{}", ids[0]));
    for answered in [&list, &one] {
        assert!(!String::from_utf8_lossy(&answered.body).contains("Moth"));
    }
    assert_eq!(ask!(state, operations, get("/operations/deliveries?state=lost")).status, 400);
    assert_eq!(ask!(state, operations, get("/operations/deliveries/2")).status, 404);
    assert_eq!(ask!(state, operations, post("/operations/deliveries/1/replay", "")).status, 409);
    assert_eq!(ask!(state, operations, post("/operations/deliveries/1/discard", "")).status, 400);
    let reason = || json!({ "reason": "sent by hand" }).to_string();
    let with_length = |uri: &str| {
        let body = reason();
        post(uri, body.clone()).insert_header(("content-length", body.len().to_string()))
    };
    let discarded = ask!(state, operations, with_length("/operations/deliveries/1/discard"));
    assert_eq!((discarded.status, discarded.json()["state"].as_str()), (200, Some("discarded")));
    let replayed = ask!(state, operations, with_length("/operations/deliveries/1/replay"));
    assert_eq!((replayed.status, replayed.json()["state"].as_str()), (200, Some("pending")));
    let preview = ask!(state, operations, get("/operations/replay?state=parked"));
    assert_eq!(
        preview.json(),
        json!({ "state": "parked", "deliveries": 0, "exams": 0, "superseded": 0, "purged": 0 })
    );
    let unsaid = ask!(state, operations, post("/operations/replay?state=parked", ""));
    assert_eq!(unsaid.status, 400);
    let seen = |state: &str, number: u64| {
        let body = json!({ "deliveries": number }).to_string();
        let length = body.len().to_string();
        post(&format!("/operations/replay?state={state}"), body).insert_header(("content-length", length))
    };
    assert_eq!(ask!(state, operations, seen("parked", 1)).status, 409);
    let all = ask!(state, operations, seen("parked", 0));
    assert_eq!(all.json(), json!({ "state": "parked", "replayed": 0 }));
    assert_eq!(ask!(state, operations, seen("delivered", 0)).status, 409);
    assert_eq!(ask!(state, operations, get("/operations/replay")).status, 400);
    let metrics = ask!(state, operations, get("/metrics"));
    let text = String::from_utf8(metrics.body).unwrap();
    assert!(text.contains("solewire_deliveries{state=\"pending\"} 1"), "{text}");
    assert!(text.contains("solewire_http_answers_total{class=\"4xx\"} 8"), "{text}");
}

#[actix_web::test]
async fn a_resource_in_parameters_is_validated_like_a_bare_one() {
    let bench = bench().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let parameters = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "resource", "resource": { "resourceType": "Observation" } }
    ]});
    let answered = ask!(state, fhir, post("/fhir/Observation/$validate", parameters.to_string()));
    assert_eq!((answered.status, answered.json()["resourceType"].as_str()), (200, Some("OperationOutcome")));
    assert!(!answered.json()["issue"].as_array().unwrap().is_empty());
}

#[actix_web::test]
async fn the_capability_statement_names_what_is_served() {
    let bench = bench().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let statement = ask!(state, fhir, get("/fhir/metadata")).json();
    assert_eq!(
        (statement["kind"].as_str(), statement["fhirVersion"].as_str()),
        (Some("instance"), Some("4.0.1"))
    );
    assert_eq!(statement["implementation"]["url"], "http://clinic.example/fhir");
    let observation = &statement["rest"][0]["resource"][0];
    let names: Vec<&str> = observation["searchParam"]
        .as_array()
        .unwrap()
        .iter()
        .map(|parameter| parameter["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["_id", "_lastUpdated", "identifier", "code", "status", "subject", "patient", "date"]);
}

#[actix_web::test]
async fn a_page_signs_in_once_and_its_session_ends_when_it_rests() {
    let bench = bench().await;
    let clock = bench.intake.clock.clone();
    let token = token(vec![Right::Read, Right::Submit]);
    let process = |tokens| {
        let callers = Callers { tokens, ..Callers::default() };
        state(bench.intake.clone_for_test(), Access::Tokens(callers))
    };
    let (beside, without) = (process(vec![token.clone()]), process(vec![]));
    let state = process(vec![token]);
    let page = |request: TestRequest| request.insert_header(("x-solewire-page", "1"));
    let sign_in = |token: &str| post("/pages/session", json!({ "token": token }).to_string());

    assert_eq!(ask!(state, fhir, sign_in("opaque")).rule(), "http-other-site");
    let foreign = page(sign_in("opaque")).insert_header(("sec-fetch-site", "cross-site"));
    assert_eq!(ask!(state, fhir, foreign).rule(), "http-other-site");
    assert_eq!(ask!(state, fhir, page(sign_in("guess"))).status, 401);
    assert_eq!(ask!(state, fhir, page(post("/pages/session", "{}"))).status, 400);

    let opened = ask!(state, fhir, page(sign_in("opaque")));
    assert_eq!((opened.status, opened.header("cache-control")), (200, "no-store"));
    assert_eq!(opened.json()["rights"], json!(["read", "submit"]));
    let cookie = opened.header("set-cookie").to_owned();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let id = cookie.split(';').next().unwrap().to_owned();
    let with = |request: TestRequest| request.insert_header(("cookie", format!("other=1; {id}")));

    let observations = || with(get("/fhir/Observation"));
    let assess = || with(post("/fhir/$assess", "{"));
    assert_eq!(ask!(state, fhir, observations()).status, 200);
    assert_eq!(ask!(state, fhir, assess()).rule(), "http-other-site");
    assert_eq!(ask!(state, fhir, page(assess())).rule(), "json-syntax");
    assert_eq!(ask!(state, fhir, with(get("/pages/deliveries"))).rule(), "http-right");
    assert_eq!(
        ask!(state, fhir, get("/fhir/Observation").insert_header(("cookie", "solewire_session=x"))).status,
        401
    );

    assert_eq!(ask!(beside, fhir, observations()).status, 200, "another process knows it");
    assert_eq!(ask!(without, fhir, observations()).status, 401, "it ends with its token");

    clock.advance(Duration::from_secs(900));
    assert_eq!(ask!(state, fhir, observations()).status, 200, "use keeps it open");
    clock.advance(Duration::from_secs(900));
    assert_eq!(ask!(state, fhir, observations()).status, 200);
    clock.advance(Duration::from_secs(901));
    assert_eq!(ask!(state, fhir, observations()).status, 401, "rest ends it");

    let again = ask!(state, fhir, page(sign_in("opaque"))).header("set-cookie").to_owned();
    let id = again.split(';').next().unwrap().to_owned();
    let mine = |request: TestRequest| request.insert_header(("cookie", id.clone()));
    assert_eq!(ask!(state, fhir, mine(post("/pages/session/end", ""))).rule(), "http-other-site");
    assert_eq!(ask!(state, fhir, page(mine(post("/pages/session/end", "")))).status, 200);
    assert_eq!(ask!(state, fhir, mine(get("/fhir/Observation"))).status, 401);
    assert_eq!(ask!(beside, fhir, mine(get("/fhir/Observation"))).status, 401);
    assert!(ask!(state, fhir, mine(get("/pages/session"))).json()["rights"].is_null());
}

#[actix_web::test]
async fn without_tokens_another_site_still_cannot_send() {
    let bench = bench().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let from = |site: &str| post("/fhir/$assess", "{").insert_header(("sec-fetch-site", site.to_owned()));
    for site in ["cross-site", "same-site"] {
        assert_eq!(ask!(state, fhir, from(site)).rule(), "http-other-site", "{site}");
    }
    for site in ["same-origin", "none"] {
        assert_eq!(ask!(state, fhir, from(site)).rule(), "json-syntax", "{site}");
    }
    assert_eq!(ask!(state, fhir, get("/pages/session")).json()["signIn"], false);
}

#[actix_web::test]
async fn page_files_have_a_strict_policy_and_are_sent_once() {
    let bench = bench().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    for (path, content_type) in [
        ("/", "text/html; charset=utf-8"),
        ("/assets/exam.js", "text/javascript; charset=utf-8"),
        ("/assets/style.css", "text/css; charset=utf-8"),
        ("/assets/mark.svg", "image/svg+xml"),
    ] {
        let sent = ask!(state, fhir, get(path));
        assert_eq!((sent.status, sent.header("content-type")), (200, content_type), "{path}");
        let policy = sent.header("content-security-policy");
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
        assert_eq!(sent.header("x-content-type-options"), "nosniff");
        let known = get(path).insert_header(("if-none-match", sent.header("etag").to_owned()));
        let known = ask!(state, fhir, known);
        assert_eq!((known.status, known.body.len()), (304, 0), "{path}");
    }
}

#[actix_web::test]
async fn a_worklist_stands_for_the_latest_exam_of_each_person() {
    let bench = bench().await;
    let state = state(bench.intake.clone_for_test(), Access::Open);
    let exam: Value = serde_json::from_str(include_str!("../demo/exam.json")).unwrap();
    let answered = ask!(state, fhir, post("/fhir", exam.to_string()));
    assert_eq!(answered.status, 200, "{}", answered.json());
    let list = |name: &str| get(&format!("/pages/worklists/{name}"));
    let recalls = ask!(state, fhir, list("recalls")).json();
    assert_eq!(recalls["total"], 1);
    let entry = &recalls["entries"][0];
    assert_eq!(entry["risks"][0]["code"], "iwgdf-2023.2");
    assert_eq!(entry["when"], "later");
    let whole = ask!(state, fhir, get(&format!("/pages/exams/{}", entry["assessment"].as_str().unwrap())));
    assert_eq!(whole.json()["deliveries"][0]["state"], "pending");
    let file = ask!(state, fhir, list("recalls.csv"));
    assert_eq!(file.header("content-type"), "text/csv; charset=utf-8");
    assert_eq!(String::from_utf8(file.body).unwrap().lines().count(), 2);
    assert_eq!(ask!(state, fhir, list("recalls?when=overdue")).json()["total"], 0);
    assert_eq!(ask!(state, fhir, list("recalls?risk=iwgdf-2023.3")).json()["total"], 0);
    assert_eq!(ask!(state, fhir, list("recalls?when=soon")).rule(), "http-request");
    assert_eq!(ask!(state, fhir, list("others")).rule(), "http-not-found");

    let later = exam.to_string().replace("2026-09-16T", "2026-11-16T").replace("HL-EXAM-", "HL-EXAM-9");
    let later = later.replace("HL-VISIT-", "HL-VISIT-9");
    assert_eq!(ask!(state, fhir, post("/fhir", later)).status, 200);
    let recalls = ask!(state, fhir, list("recalls")).json();
    assert_eq!(recalls["total"], 1);
    assert!(recalls["entries"][0]["examined"].as_str().unwrap().starts_with("2026-11-16"));
}
