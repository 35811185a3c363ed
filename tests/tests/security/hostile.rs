//! S4, H5, H6, H15: documents made to cost much, or to show other than they read.

use std::time::Duration;

use reqwest::Method;
use serde_json::{Value, json};
use solewire_profiles::json::DEEPEST;
use solewire_tests::client::{Answer, FHIR_JSON};
use solewire_tests::service::{Service, Setup};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use crate::access::site::{LIMIT, exam, rule};

const MIB: usize = 1024 * 1024;
/// Far above what an exam needs, far below what a body of 1 MiB could make of itself.
const MEMORY_KIB: u64 = 400 * 1024;

fn nested(opening: &str, core: &str, closing: &str, depth: usize) -> String {
    let (opening, closing) = (opening.repeat(depth), closing.repeat(depth));
    format!("{{\"resourceType\":\"Observation\",\"x\":{opening}{core}{closing}}}")
}

fn filled(before: &str, after: &str, size: usize) -> String {
    format!("{before}{}{after}", "a".repeat(size - before.len() - after.len()))
}

async fn sent(service: &Service, headers: &[(&str, &str)], body: impl Into<Vec<u8>>) -> Answer {
    let mut request = reqwest::Client::new().post(&service.fhir_url).timeout(LIMIT).body(body.into());
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let answer = request.send().await.unwrap();
    let (status, headers) = (answer.status().as_u16(), answer.headers().clone());
    Answer { status, headers, text: answer.text().await.unwrap() }
}

#[tokio::test]
async fn s04_a_body_over_a_cap_is_refused_by_name_in_bounded_memory_while_others_are_served() {
    let service = Service::start(Setup::default()).await;
    let extension = r#""extension":[{"url":"https://harbourlane.example/e","#;
    let (opening, closing) = (extension.repeat(3200), "}]".repeat(3200));
    let extensions = format!(r#"{{"resourceType":"Observation",{opening}"valueString":"1"{closing}}}"#);
    let number = |digits: &str| format!(r#"{{"resourceType":"Observation","valueInteger":{digits}}}"#);
    let observation = json!({ "resource": { "resourceType": "Observation", "status": "final", "code": { "text": "x" } },
                              "request": { "method": "POST", "url": "Observation" } });
    let entries = |number: usize| {
        json!({ "resourceType": "Bundle", "type": "transaction", "entry": vec![observation.clone(); number] })
            .to_string()
    };
    let same = [r#""status":"final""#; 60_000].join(",");
    let largest = filled(r#"{"resourceType":"Observation","id":""#, r#""}"#, MIB);
    let table = [
        ("170 KB of nested extensions", extensions, 400, "json-limit"),
        ("500,000 arrays", nested("[", "1", "]", 500_000), 400, "json-limit"),
        ("100,000 objects", nested(r#"{"x":"#, "1", "}", 100_000), 400, "json-limit"),
        ("a number of 999,000 digits", number(&"9".repeat(999_000)), 400, "http-request"),
        ("an exponent of 999999", number("1e999999"), 400, "http-request"),
        ("a string of 1 MiB", largest, 400, "http-request"),
        ("6,000 entries", entries(6000), 422, "submit-"),
        (
            "one key 60,000 times",
            format!(r#"{{"resourceType":"Observation",{same}}}"#),
            400,
            "json-duplicate-key",
        ),
    ];
    for (what, body, status, named) in table {
        assert!(body.len() <= MIB, "{what}: {}", body.len());
        let (hurt, exam) = tokio::join!(
            sent(&service, &[("content-type", FHIR_JSON)], body),
            sent(&service, &[("content-type", FHIR_JSON)], exam(1))
        );
        assert_eq!(exam.status, 200, "others are served beside {what}");
        assert!(hurt.status == status || hurt.status == 422, "{what}: {} {}", hurt.status, &hurt.text[..300]);
        assert!(hurt.text.contains("OperationOutcome") && hurt.text.len() < 4 * MIB, "{what}");
        if named.starts_with("json-") {
            assert_eq!(rule(&hurt), named, "{what}");
        }
    }
    let url = service.url("Observation/$validate");
    let deep = |depth: usize| nested("[", "1", "]", depth - 1);
    drop(service.client.post(&url, deep(DEEPEST)).await.expect(200));
    assert_eq!(rule(&service.client.post(&url, deep(DEEPEST + 1)).await.expect(400)), "json-limit");
    let over = filled(r#"{"resourceType":"Observation","id":""#, r#""}"#, MIB + 1);
    let url = service.fhir_url.clone();
    assert_eq!(rule(&service.client.post(&url, over).await.expect(413)), "http-body-limit");
    assert!(service.highest_kib() < MEMORY_KIB, "{} KiB", service.highest_kib());
}

#[tokio::test]
async fn s04_a_body_that_is_compressed_is_not_unpacked() {
    let service = Service::start(Setup::default()).await;
    for encoding in ["gzip", "br", "deflate", "zstd", "gzip, identity", "GZIP"] {
        let headers = [("content-type", FHIR_JSON), ("content-encoding", encoding)];
        let refused = sent(&service, &headers, vec![0x1f, 0x8b, 8, 0]).await.expect(415);
        assert_eq!(rule(&refused), "http-media-type", "{encoding}");
    }
    let plain = [("content-type", FHIR_JSON), ("content-encoding", "identity")];
    drop(sent(&service, &plain, exam(1)).await.expect(200));
}

/// What comes back over one connection until it closes, or until nothing more comes for a while.
async fn raw(service: &Service, pieces: &[&[u8]], pause: Duration) -> Vec<u8> {
    let url = url::Url::parse(&service.fhir_url).unwrap();
    let mut stream = TcpStream::connect(("127.0.0.1", url.port().unwrap())).await.unwrap();
    let (mut reader, mut writer) = stream.split();
    let send = async {
        for piece in pieces {
            if writer.write_all(piece).await.is_err() {
                break;
            }
            tokio::time::sleep(pause).await;
        }
    };
    let mut answer = Vec::new();
    let receive = async {
        let mut buffer = [0; 4096];
        while let Ok(Ok(read @ 1..)) = tokio::time::timeout(LIMIT, reader.read(&mut buffer)).await {
            answer.extend_from_slice(&buffer[..read]);
        }
    };
    tokio::select! {
        // The answer counts; once it has come to its end nothing more needs to be sent.
        () = async { tokio::join!(send, receive); } => {}
        () = tokio::time::sleep(LIMIT) => panic!("the connection stays open"),
    }
    answer
}

#[tokio::test]
async fn s04_a_header_without_end_is_not_collected() {
    let service = Service::start(Setup::default()).await;
    let mut request = b"GET /fhir/metadata HTTP/1.1\r\nHost: x\r\nX-Much: ".to_vec();
    request.extend(vec![b'a'; 2 * MIB]);
    request.extend(b"\r\n\r\n");
    let answer = raw(&service, &[&request], Duration::ZERO).await;
    assert!(!answer.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&answer));
    assert!(service.highest_kib() < MEMORY_KIB);
    drop(service.client.get(&service.url("metadata")).await.expect(200));
}

#[tokio::test]
async fn s04_a_body_that_only_drips_is_cut_off() {
    let setup = Setup { server: "body_seconds = 1\n".to_owned(), ..Setup::default() };
    let service = Service::start(setup).await;
    for path in ["/fhir", "/fhir/Observation", "/fhir/$assess", "/fhir/Observation/_search"] {
        let media = if path.ends_with("_search") { "application/x-www-form-urlencoded" } else { FHIR_JSON };
        let head = format!(
            "POST {path} HTTP/1.1\r\nHost: x\r\nContent-Type: {media}\r\nContent-Length: 4000\r\n\r\n"
        );
        // Nobody hangs up here: the connection ends because the service ends it.
        let answer =
            raw(&service, &[head.as_bytes(), b"{", b" ", b" ", b" "], Duration::from_millis(300)).await;
        let text = String::from_utf8_lossy(&answer).into_owned();
        assert!(text.starts_with("HTTP/1.1 408") && text.contains("http-body-time"), "{path}: {text}");
    }
    drop(service.client.post(&service.fhir_url, exam(1)).await.expect(200));
}

/// A value that costs much where a rule reads it more than once for each of its characters.
/// What a case is called, and a document of so many bytes.
type Adversary = (&'static str, fn(usize) -> Value);

fn adversarial() -> Vec<Adversary> {
    vec![
        ("id", |n| json!({ "id": format!("{}!", "a".repeat(n)) })),
        ("dateTime", |n| json!({ "effectiveDateTime": format!("2026-01-01T10:00:00.{}", "0".repeat(n)) })),
        ("instant", |n| json!({ "issued": "2026-01-01T10:00:00".repeat(n / 19) })),
        ("code", |n| json!({ "status": "a ".repeat(n / 2) })),
        ("uri", |n| json!({ "implicitRules": format!("{} ", "urn:".repeat(n / 4)) })),
        ("oid", |n| json!({ "implicitRules": format!("urn:oid:1{}", ".1".repeat(n / 2)) })),
        ("language", |n| json!({ "language": "aa-".repeat(n / 3) })),
        ("string", |n| json!({ "valueString": format!("{}\u{1}", " ".repeat(n)) })),
        ("reference", |n| json!({ "subject": { "reference": "Patient/../".repeat(n / 11) } })),
        (
            "base64",
            |n| json!({ "extension": [{ "url": "urn:x:e", "valueBase64Binary": "aa= ".repeat(n / 4) }] }),
        ),
        ("narrative", |n| {
            let text = "<b>&amp;".repeat(n / 8);
            json!({ "text": { "status": "generated", "div": format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{text}</div>") } })
        }),
        (
            "narrative of ampersands",
            |n| json!({ "text": { "status": "generated", "div": format!("<div>{}</div>", "&#".repeat(n / 2)) } }),
        ),
    ]
}

#[cfg(target_os = "linux")]
#[tokio::test]
async fn h05_no_value_takes_more_than_linear_work() {
    let service = Service::start(Setup::default()).await;
    let url = service.url("Observation/$validate");
    type Case = (&'static str, Box<dyn Fn(usize) -> String>);
    let mut cases: Vec<Case> = Vec::new();
    for (name, make) in adversarial() {
        cases.push((
            name,
            Box::new(move |n| {
                let mut resource =
                    json!({ "resourceType": "Observation", "status": "final", "code": { "text": "pulse" } });
                resource.as_object_mut().unwrap().extend(make(n).as_object().unwrap().clone());
                resource.to_string()
            }),
        ));
    }
    // A number with so many digits does not go through a `Value`.
    cases.push((
        "decimal",
        Box::new(|n| {
            format!(
                r#"{{"resourceType":"Observation","status":"final","code":{{"text":"pulse"}},"valueQuantity":{{"value":0.{}}}}}"#,
                "1".repeat(n)
            )
        }),
    ));
    for (name, make) in cases {
        let work = |n: usize| {
            let (url, body, service) = (&url, make(n), &service);
            async move {
                assert!(body.len() <= MIB, "{name}: {}", body.len());
                let before = service.work();
                for _ in 0..8 {
                    let answer = service.client.post(url, body.clone()).await;
                    assert!(matches!(answer.status, 200 | 400 | 422), "{name}: {}", answer.status);
                }
                service.work() - before
            }
        };
        // A quarter of the size is a quarter of the work, and a sixteenth where the work grows with the square. A tick is
        // a hundredth of a second, so little work is not told apart.
        let (quarter, whole) = (work(250_000).await, work(1_000_000).await);
        assert!(whole <= 8 * quarter.max(12), "{name}: {quarter} ticks for a quarter, {whole} for the whole");
    }
}

#[tokio::test]
async fn h06_xml_is_answered_415_wherever_a_body_is_taken() {
    let service = Service::start(Setup::default()).await;
    let entity = "<?xml version=\"1.0\"?><!DOCTYPE x [<!ENTITY e SYSTEM \"file:///etc/hosts\">]><x>&e;</x>";
    let fhir = ["", "Observation", "$assess", "$progress", "Observation/$validate", "Observation/_search"];
    let places = fhir.map(|path| service.url(path).trim_end_matches('/').to_owned());
    let discard = format!("{}/operations/deliveries/1/discard", service.operations_url);
    for url in places.into_iter().chain([discard]) {
        for media in ["application/fhir+xml", "application/xml", "text/xml", "image/svg+xml"] {
            let request = reqwest::Client::new().post(&url).header("content-type", media).body(entity);
            let answer = request.send().await.unwrap();
            assert_eq!(answer.status(), 415, "{url} {media}");
            assert!(!answer.text().await.unwrap().contains("localhost"));
        }
        let answer =
            reqwest::Client::new().get(&url).header("accept", "application/fhir+xml").send().await.unwrap();
        assert_ne!(answer.status(), 200, "{url}: XML is not given either");
    }
}

#[test]
fn h06_no_parser_of_xml_is_linked_into_either_program() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    for package in ["solewire-service", "solewire-check"] {
        let mut command = std::process::Command::new(&cargo);
        command.args([
            "tree",
            "--package",
            package,
            "--edges",
            "normal",
            "--prefix",
            "none",
            "--format",
            "{lib}",
        ]);
        command.args(["--locked", "--offline"]).current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."));
        let ran = command.output().unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
        let list = String::from_utf8(ran.stdout).unwrap();
        let names: Vec<&str> = list.lines().map(str::trim).filter(|name| !name.is_empty()).collect();
        assert!(names.len() > 30 && names.contains(&"serde_json"), "{names:?}");
        for name in names {
            let name = name.to_ascii_lowercase();
            // Other readers of markup that do not say so in their names (memory).
            let known = ["minidom", "sxd_document", "html5ever", "markup5ever", "xot", "select", "scraper"];
            assert!(!name.contains("xml") && !known.contains(&name.as_str()), "{package} links {name}");
        }
    }
}

#[tokio::test]
async fn h15_text_that_shows_other_than_it_reads_is_refused_by_place() {
    let service = Service::start(Setup::default()).await;
    let with = |text: &str| {
        let mut bundle: Value = serde_json::from_str(&exam(1)).unwrap();
        bundle["entry"][0]["resource"]["code"]["coding"][0]["display"] = json!(text);
        bundle.to_string()
    };
    let hidden = [
        "Foot \u{202e}noitanimaxe\u{202c}",
        "\u{202d}Foot examination",
        "Foot\u{202b} examination",
        "\u{2066}Foot\u{2069} examination",
        "\u{2067}Foot examination",
        "Foot examination\u{9b}2J",
        "Foot\u{7f} examination",
        "Foot examination\u{e0041}",
    ];
    for text in hidden {
        let refused = service.client.post(&service.fhir_url, with(text)).await.expect(422);
        assert_eq!(rule(&refused), "structure-hidden-text", "{text:?}");
        let place = "Bundle.entry[0].resource.code.coding[0].display";
        assert_eq!(refused.json()["issue"][0]["expression"][0], place);
        assert!(!refused.text.contains(text), "the text itself is not shown");
    }
    for control in ["Foot\u{1b}[2J", "Foot\u{0} examination", "Foot\u{8}"] {
        let refused = service.client.post(&service.fhir_url, with(control)).await.expect(422);
        assert_eq!(rule(&refused), "structure-primitive", "{control:?}");
    }
    // Marks are part of how Arabic and Hebrew are written.
    drop(service.client.post(&service.fhir_url, with("Foot examination \u{200f}(L)")).await.expect(200));
}

#[tokio::test]
async fn h15_a_narrative_that_runs_or_hides_something_is_refused() {
    let service = Service::start(Setup::default()).await;
    let url = service.url("Observation/$validate");
    let with = |inner: &str| {
        let div = format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">Foot {inner}</div>");
        json!({ "resourceType": "Observation", "status": "final", "code": { "text": "pulse" },
                "text": { "status": "generated", "div": div } })
        .to_string()
    };
    let refuses = |answer: &Answer| answer.text.contains("\"severity\":\"error\"");
    let bad = [
        "<script>alert(1)</script>",
        "<img src=\"x\" onerror=\"alert(1)\"/>",
        "<a href=\"javascript:alert(1)\">x</a>",
        "<a href=\"java&#x09;script:alert(1)\">x</a>",
        "<iframe src=\"https://harbourlane.example/\"></iframe>",
        "<form action=\"https://harbourlane.example/\"></form>",
        "<object data=\"x\"></object>",
        "<style>p { display: none }</style>",
        "&#x202e;tlef",
        "&#8238;tlef",
        "\u{202e}tlef",
        "<!DOCTYPE x>",
        "&e;",
    ];
    for inner in bad {
        let answer = service.client.send(Method::POST, &url, &[], with(inner)).await;
        assert!(refuses(&answer), "{inner}: {}", answer.text);
        let mut bundle: Value = serde_json::from_str(&exam(1)).unwrap();
        let resource: Value = serde_json::from_str(&with(inner)).unwrap();
        bundle["entry"][0]["resource"]["text"] = resource["text"].clone();
        drop(service.client.post(&service.fhir_url, bundle.to_string()).await.expect(422));
    }
    let answer = service.client.post(&url, with("<b>examination</b>")).await;
    assert!(!refuses(&answer), "{}", answer.text);
}
