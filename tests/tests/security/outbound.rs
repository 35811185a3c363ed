//! S7, S10, H2, H10: where the service goes by itself, what it lets stand in an address there, and how it reads what
//! comes back.

use std::io::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use solewire_service::loopback::{Answer, Behaviour, LoopbackRecordSystem, When};
use solewire_tests::process::POLL;
use solewire_tests::service::{Service, Setup, serve_once};

use crate::access::site::{LIMIT, exam};
use crate::record_system::{person, until_state};

/// A listener that nobody has any business with. It counts who comes.
struct Trap {
    address: String,
    visits: Arc<AtomicUsize>,
}

impl Trap {
    async fn set() -> Trap {
        Trap::set_at("127.0.0.1").await.unwrap()
    }

    /// At another address of this machine, which may have none of its kind.
    async fn set_at(host: &str) -> std::io::Result<Trap> {
        let listener = tokio::net::TcpListener::bind(format!("{host}:0")).await?;
        let address = format!("http://{host}:{}", listener.local_addr()?.port());
        let visits = Arc::new(AtomicUsize::new(0));
        let counted = Arc::clone(&visits);
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                counted.fetch_add(1, Ordering::SeqCst);
                drop(stream);
            }
        });
        Ok(Trap { address, visits })
    }

    /// The same listener under the name of this machine.
    fn by_name(&self) -> String {
        self.address.replace("127.0.0.1", "localhost")
    }

    #[track_caller]
    fn assert_untouched(&self, what: &str) {
        assert_eq!(self.visits.load(Ordering::SeqCst), 0, "{what}: somebody came");
    }
}

#[tokio::test]
async fn s07_nothing_that_a_document_refers_to_is_fetched() {
    let trap = Trap::set().await;
    let at = |tail: &str| format!("{}/{tail}", trap.address);
    let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
    let service = Service::start(Setup::with(records.base_url())).await;
    let mut bundle: Value = serde_json::from_str(&exam(1)).unwrap();
    bundle["meta"] = json!({ "profile": [at("StructureDefinition/bundle")] });
    bundle["link"] = json!([{ "relation": "self", "url": at("self") }]);
    let panel = &mut bundle["entry"][0]["resource"];
    panel["meta"] = json!({ "profile": [at("StructureDefinition/panel")], "source": at("source") });
    panel["implicitRules"] = json!(at("rules"));
    panel["derivedFrom"] = json!([{ "reference": at("Observation/1") }]);
    panel["focus"] = json!([{ "reference": at("Device/1") }]);
    panel["code"]["coding"]
        .as_array_mut()
        .unwrap()
        .push(json!({ "system": at("CodeSystem/s"), "code": "x" }));
    panel["extension"] = json!([
        { "url": at("StructureDefinition/extension"), "valueAttachment": { "contentType": "image/png", "url": at("picture.png") } },
        { "url": "urn:x:e", "valueReference": { "reference": at("Binary/1") } },
        { "url": "urn:x:u", "valueUrl": at("u") }
    ]);
    panel["contained"] = json!([{ "resourceType": "Device", "id": "pen", "url": at("device"),
                                  "patient": { "reference": at("Patient/1") } }]);
    panel["device"] = json!({ "reference": "#pen" });
    let image = at("pixel.png");
    panel["text"] = json!({ "status": "generated", "div":
        format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">Foot <img src=\"{image}\" alt=\"x\"/></div>") });
    let mut few: Value = serde_json::from_str(&exam(1)).unwrap();
    few["entry"][0]["resource"]["focus"] = json!([{ "reference": at("Device/1") }]);
    few["entry"][0]["resource"]["performer"] = json!([{ "reference": at("Practitioner/1") }]);
    for document in [&bundle, &few] {
        let text = document.to_string();
        for place in ["Bundle/$validate", "$assess", ""] {
            let url = service.url(place);
            let answer = service.client.post(url.trim_end_matches('/'), text.clone()).await;
            assert!(matches!(answer.status, 200 | 422), "{place}: {} {}", answer.status, answer.text);
        }
        let panel = document["entry"][0]["resource"].to_string();
        drop(service.client.post(&service.url("Observation/$validate"), panel).await);
    }
    // An exam that is taken is also sent on, and looked for there.
    drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
    until_state(&service, 1, "delivered").await;
    trap.assert_untouched("a document");
}

#[tokio::test]
async fn s07_the_record_system_leads_nowhere_else() {
    let trap = Trap::set().await;
    for status in [301, 302, 303, 307, 308] {
        let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
        let elsewhere = Answer::status(status).header("location", &format!("{}/fhir", trap.address));
        records.script_always(When::Any, Behaviour::Answer(elsewhere));
        let service = Service::start(Setup::with(records.base_url())).await;
        drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
        assert!(records.wait_until(LIMIT, |records| !records.requests().is_empty()));
        trap.assert_untouched("a redirect");
    }
    // A page of a search that lies elsewhere: after an unknown outcome the exam is searched for.
    let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
    let page = json!({ "resourceType": "Bundle", "type": "searchset", "total": 1,
                       "link": [{ "relation": "next", "url": format!("{}/fhir/Observation?page=2", trap.address) }] });
    records.script(When::Writes, Behaviour::CloseAfterCommit);
    records.script_always(When::Reads, Behaviour::Answer(Answer::status(200).json(&page)));
    let service = Service::start(Setup::with(records.base_url())).await;
    drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
    let searched =
        |records: &LoopbackRecordSystem| records.requests().iter().any(|request| !request.is_write());
    assert!(records.wait_until(LIMIT, searched), "{}", service.log());
    trap.assert_untouched("the next page");
}

/// Waits until deliveries pause, and gives what operators see of it.
async fn paused(service: &Service) -> Value {
    let deadline = Instant::now() + LIMIT;
    let url = format!("{}/operations/deliveries", service.operations_url);
    loop {
        let lane = service.client.get(&url).await.expect(200).json()["lane"].clone();
        if lane["state"] == "paused" {
            return lane;
        }
        assert!(Instant::now() < deadline, "no pause: {lane}\n{}", service.log());
        tokio::time::sleep(POLL).await;
    }
}

#[tokio::test]
async fn s07_the_keys_of_an_issuer_are_not_fetched_from_where_it_leads() {
    let trap = Trap::set().await;
    for status in [301, 302, 303, 307, 308] {
        let issuer = LoopbackRecordSystem::start(&[]).unwrap();
        let elsewhere = Answer::status(status).header("location", &format!("{}/keys", trap.address));
        issuer.script_always(When::Any, Behaviour::Answer(elsewhere));
        let access = format!(
            "[access]\nissuer = \"https://issuer.harbourlane.example/\"\naudience = \"feet\"\njwks_url = \"{}/keys\"\n",
            issuer.base_url()
        );
        let service = Service::start(Setup { access: Some(access), ..Setup::default() }).await;
        let deadline = Instant::now() + LIMIT;
        while !service.log().contains("the keys of the issuer cannot be read") {
            assert!(Instant::now() < deadline, "{status}: {}", service.log());
            tokio::time::sleep(POLL).await;
        }
        assert!(!issuer.requests().is_empty(), "{status}");
        trap.assert_untouched("a redirect of the issuer");
    }
}

/// The settings of SMART Backend Services with a new key in a file of the folder.
fn smart(folder: &std::path::Path, base_url: &str, more: &str) -> String {
    let key = rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P384_SHA384).unwrap();
    let path = folder.join("key.pem");
    std::fs::write(&path, key.serialize_pem()).unwrap();
    format!(
        "[record_system]\nbase_url = \"{base_url}\"\nauth = \"smart\"\nclient_id = \"harbour-lane\"\n\
         key_file = \"{}\"\n{more}\n",
        path.display()
    )
}

#[tokio::test]
async fn s07_a_token_endpoint_that_the_record_system_names_is_not_a_private_place() {
    let folder = tempfile::tempdir().unwrap();
    let trap = Trap::set().await;
    let second = Trap::set_at("127.0.0.2").await.unwrap();
    let sixth = Trap::set_at("[::1]").await;
    if sixth.is_err() {
        // Not through a macro, whose output is kept from who looks at a test that passes.
        std::io::stderr().write_all(b"left out: IPv6, of which this machine has no address\n").unwrap();
    }
    // By its name the address is known only after looking it up, as with a name that was made to lead inside.
    let private = [(trap.by_name(), &trap), (second.address.clone(), &second)];
    for (named, trap) in private.into_iter().chain(sixth.iter().map(|trap| (trap.address.clone(), trap))) {
        let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
        let configuration = json!({ "token_endpoint": format!("{named}/token") });
        records.script_always(When::Any, Behaviour::Answer(Answer::status(200).json(&configuration)));
        let more = smart(folder.path(), records.base_url(), "");
        let service = Service::start(Setup { more, ..Setup::default() }).await;
        drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
        // The pause begins when an attempt has come to its end, so whoever was asked in it was asked by then.
        let lane = paused(&service).await;
        assert!(
            ["token-unavailable", "name-resolution"].contains(&lane["failure"].as_str().unwrap()),
            "{lane}"
        );
        assert!(!records.requests().is_empty(), "{named}: the configuration was read");
        trap.assert_untouched(&named);
    }
    // Where the settings name it, it is asked.
    let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
    let token_url = format!("token_url = \"{}/token\"", trap.by_name());
    let more = smart(folder.path(), records.base_url(), &token_url);
    let service = Service::start(Setup { more, ..Setup::default() }).await;
    drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
    let came = tokio::time::timeout(LIMIT, async {
        while trap.visits.load(Ordering::SeqCst) == 0 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    came.await.expect("the endpoint of the settings is asked");
}

#[test]
fn s07_an_address_where_machines_keep_their_own_secrets_is_no_setting() {
    for host in [
        "169.254.169.254",
        "[fe80::1]",
        "[fd00:ec2::254]",
        "0.0.0.0",
        "[::]",
        "224.0.0.1",
        "2852039166",
        "0xa9fea9fe",
    ] {
        for (key, settings) in [
            ("record_system.base_url", format!("[record_system]\nbase_url = \"https://{host}/fhir\"\n")),
            (
                "record_system.base_url",
                format!("[record_system]\nbase_url = \"http://{host}/fhir\"\nallow_plaintext = true\n"),
            ),
            (
                "access.jwks_url",
                format!(
                    "[access]\nissuer = \"https://harbourlane.example/\"\naudience = \"feet\"\njwks_url = \"https://{host}/k\"\n"
                ),
            ),
        ] {
            let ran = serve_once(&settings);
            assert_eq!(ran.code, Some(2), "{settings}: {ran:?}");
            assert!(
                ran.err.contains(key) && ran.err.contains("no service is asked at"),
                "{settings}: {}",
                ran.err
            );
        }
    }
}

const ECHOED: &str = "Qanaryx";

#[tokio::test]
async fn s10_whatever_the_record_system_says_is_bounded_told_in_our_words_and_logged_nowhere() {
    let outcome = |more: Value| {
        let mut issue = json!({ "severity": "error", "code": "invalid", "diagnostics": ECHOED,
            "details": { "text": format!("<script>alert('{ECHOED}')</script>"),
                         "coding": [{ "system": format!("https://{ECHOED}.example/"), "code": ECHOED }] },
            "expression": [format!("Patient.where(name='{ECHOED}')"), ECHOED] });
        issue.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!({ "resourceType": "OperationOutcome", "issue": [issue],
                "text": { "status": "generated", "div": format!("<div><script>{ECHOED}</script></div>") } })
    };
    let giant = {
        let issue = outcome(json!({}))["issue"][0].clone();
        json!({ "resourceType": "OperationOutcome", "issue": vec![issue; 20_000] }).to_string()
    };
    let past_the_limit =
        format!("{{\"resourceType\":\"OperationOutcome\",\"x\":\"{}\"}}", ECHOED.repeat(8_000_000));
    let deep = format!(
        "{{\"resourceType\":\"OperationOutcome\",\"issue\":{}1{}}}",
        "[".repeat(500_000),
        "]".repeat(500_000)
    );
    let html = format!("<html><script>alert('{ECHOED}')</script></html>");
    let fhir = "application/fhir+json";
    let answers: Vec<(&str, Answer)> = vec![
        ("PHI echoed", Answer::status(422).json(&outcome(json!({})))),
        ("many issues", Answer::status(422).body(fhir, giant)),
        ("56 MB", Answer::status(422).body(fhir, past_the_limit.clone())),
        ("deep JSON", Answer::status(422).body(fhir, deep)),
        ("a page", Answer::status(400).body("text/html", html.clone())),
        ("not UTF-8", Answer::status(400).body(fhir, vec![0xff; 100_000])),
        (
            "another resource",
            Answer::status(422).json(&json!({ "resourceType": "Patient", "name": [{ "family": ECHOED }] })),
        ),
        (
            "codes of no list",
            Answer::status(422).json(&outcome(json!({ "severity": ECHOED, "code": ECHOED }))),
        ),
    ];
    let persons: Vec<Value> = (1..=answers.len() as u32 + 2).map(person).collect();
    let records = LoopbackRecordSystem::start(&persons).unwrap();
    let more = "[log]\nfilter = \"trace\"\n".to_owned();
    let service = Service::start(Setup { more, ..Setup::with(records.base_url()) }).await;
    let mut shown = Vec::new();
    for (number, (what, answer)) in (1..).zip(answers) {
        let answer =
            answer.header("x-told", ECHOED).header("www-authenticate", &format!("Bearer realm=\"{ECHOED}\""));
        records.clear_script();
        records.script_always(When::Writes, Behaviour::Answer(answer));
        drop(service.client.post(&service.fhir_url, exam(number)).await.expect(200));
        let parked = until_state(&service, i64::from(number), "parked").await;
        assert_eq!(parked["failure"], "message-refused", "{what}");
        assert!(parked.to_string().len() < 100_000, "{what}: {} bytes", parked.to_string().len());
        shown.push((what, parked.to_string()));
        let page = service.client.get(&service.url("../pages/deliveries")).await.expect(200);
        shown.push((what, page.text));
        let page = format!("{}/pages/deliveries/{number}", service.fhir_url.trim_end_matches("/fhir"));
        shown.push((what, service.client.get(&page).await.expect(200).text));
    }
    // A success that is none: looked up, and delivered once the record system talks sense again.
    let number = u32::try_from(persons.len()).unwrap() - 1;
    records.clear_script();
    for body in [past_the_limit, html] {
        records.script(When::Writes, Behaviour::Answer(Answer::status(200).body(fhir, body)));
    }
    drop(service.client.post(&service.fhir_url, exam(number)).await.expect(200));
    let delivered = until_state(&service, i64::from(number), "delivered").await;
    shown.push(("a success", delivered.to_string()));
    shown.push(("metrics", service.client.get(&format!("{}/metrics", service.operations_url)).await.text));
    shown.push(("the log", service.log()));
    for (what, text) in shown {
        let text = text.to_lowercase();
        for raw in [&ECHOED.to_lowercase(), "<script", "alert("] {
            assert!(!text.contains(raw), "{what} holds {raw}");
        }
    }
    assert!(service.log().contains("TRACE"), "the log is not at its most verbose");
    assert!(service.highest_kib() < 400 * 1024, "{} KiB", service.highest_kib());
}

#[tokio::test]
async fn h02_no_address_holds_what_identifies_a_person_neither_there_nor_in_our_log() {
    for write in ["transaction", "create"] {
        let records = LoopbackRecordSystem::start(&[person(1)]).unwrap();
        let more = format!(
            "[record_system]\nbase_url = \"{}\"\nwrite = \"{write}\"\n[log]\nfilter = \"trace\"\n",
            records.base_url()
        );
        let service = Service::start(Setup { more, ..Setup::default() }).await;
        drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
        until_state(&service, 1, "delivered").await;
        // A correction is updated there, under a condition, and one answer that is lost is looked up.
        records.script(When::Writes, Behaviour::CloseAfterCommit);
        let corrected = exam(1).replacen("\"final\"", "\"corrected\"", 1);
        drop(service.client.post(&service.fhir_url, corrected).await.expect(200));
        until_state(&service, 2, "delivered").await;
        // What callers put into an address of ours is theirs; it is not logged.
        for query in
            ["subject:identifier=https://harbourlane.example/person|HL-PERSON-0001", "code=HL-SECRET"]
        {
            drop(service.client.get(&service.url(&format!("Observation?{query}"))).await);
        }
        drop(service.client.get(&service.url("Observation/HL-SECRET")).await.expect(404));
        let targets: Vec<String> = records.requests().into_iter().map(|request| request.target).collect();
        assert!(targets.iter().any(|target| target.ends_with("_search")), "{targets:?}");
        for target in &targets {
            for word in ["PERSON", "person", "subject", "patient"] {
                assert!(!target.contains(word), "{write}: {target}");
            }
            // R4 has no other place for the condition of an update than the address (RESTful API, conditional update): the
            // identifier of the exam, where resources go one by one. A transaction carries its conditions inside.
            let named = target.contains("harbourlane");
            assert!(!named || (write == "create" && target.contains("?identifier=")), "{write}: {target}");
        }
        let log = service.log();
        assert!(log.contains("TRACE") && log.contains("/fhir/{type}"), "nothing is logged");
        for word in ["HL-PERSON", "HL-SECRET", "HL-EXAM", "subject:identifier", "subject%3Aidentifier"] {
            assert!(!log.contains(word), "{write}: the log holds {word}");
        }
    }
}

#[tokio::test]
async fn h10_a_scope_that_asks_for_everything_is_warned_of_at_start() {
    let folder = tempfile::tempdir().unwrap();
    let records = LoopbackRecordSystem::start(&[]).unwrap();
    for (scope, warned) in [
        ("scope = \"system/*.*\"", true),
        ("scope = \"system/*.cruds\"", true),
        ("scope = \"system/Patient.s system/Observation.*\"", true),
        ("scope = \"system/Patient.s system/Observation.cus\"", false),
        ("", false),
    ] {
        let more = smart(folder.path(), records.base_url(), scope);
        let service = Service::start(Setup { more, ..Setup::default() }).await;
        let log = service.log();
        let line = log.lines().find(|line| line.contains("record_system.scope"));
        assert_eq!(line.is_some(), warned, "{scope}: {log}");
        assert!(line.is_none_or(|line| line.contains("WARN") && line.contains('*')), "{log}");
    }
}
