//! S9: what is served is what `openapi.yaml` lists, and nothing beside it.

use std::collections::BTreeMap;
use std::path::Path;

use reqwest::Method;
use serde_json::Value;
use solewire_tests::client::{Answer, FHIR_JSON};
use solewire_tests::contract::contract;
use solewire_tests::service::{Service, Setup};

/// Each path with its methods and their statuses, and the version of the document.
fn documented() -> (BTreeMap<String, BTreeMap<String, Vec<u16>>>, String) {
    let document = contract().document();
    let version = document["info"]["version"].as_str().unwrap().to_owned();
    let methods = |item: &Value| {
        let operations =
            item.as_object().unwrap().iter().filter(|(_, about)| about.get("responses").is_some());
        let statuses = |about: &Value| {
            about["responses"].as_object().unwrap().keys().map(|status| status.parse().unwrap()).collect()
        };
        operations.map(|(method, about)| (method.to_ascii_uppercase(), statuses(about))).collect()
    };
    let paths = document["paths"].as_object().unwrap();
    (paths.iter().map(|(path, item)| (path.clone(), methods(item))).collect(), version)
}

fn is_of_operators(path: &str) -> bool {
    ["/operations", "/metrics", "/fhir/AuditEvent"].iter().any(|prefix| path.starts_with(prefix))
}

fn named(path: &str) -> String {
    let id = if is_of_operators(path) { "1" } else { "0b9d5c4e-7a55-4f3a-9f0e-2f6a1f9a7c11" };
    let path = path.replace("{type}", "Observation").replace("{version}", "1").replace("{id}", id);
    let path = path.replace("OperationDefinition/{name}", "OperationDefinition/assess");
    path.replace("{list}", "recalls")
        .replace("{name}", "recalls")
        .replace("{file}", "style.css")
        .replace("{page}", "inspect")
}

async fn asked(service: &Service, operators: bool, method: &str, path: &str) -> Answer {
    let main = service.fhir_url.strip_suffix("/fhir").unwrap();
    let base = if operators { &service.operations_url } else { main };
    let method = Method::from_bytes(method.as_bytes()).unwrap();
    let mut request = reqwest::Client::new().request(method.clone(), format!("{base}{path}"));
    if method != Method::GET {
        let form = path.ends_with("_search");
        let media = if form { "application/x-www-form-urlencoded" } else { FHIR_JSON };
        request = request.header("content-type", media).body(if form { "_id=1" } else { "{}" });
    }
    let answer = request.send().await.unwrap();
    let (status, headers) = (answer.status().as_u16(), answer.headers().clone());
    Answer { status, headers, text: answer.text().await.unwrap() }
}

fn is_nothing(answer: &Answer) -> bool {
    answer.status == 404 && (answer.text.is_empty() || answer.text.contains("There is nothing at this path."))
}

#[tokio::test]
async fn s09_every_listed_path_is_served_by_its_methods_and_by_no_other() {
    let (paths, _) = documented();
    assert!(paths.len() >= 25, "the document was not read: {} paths", paths.len());
    let service = Service::start(Setup::default()).await;
    for (path, methods) in &paths {
        let operators = is_of_operators(path);
        for method in ["GET", "POST", "PUT", "DELETE", "PATCH"] {
            let answer = asked(&service, operators, method, &named(path)).await;
            let name = format!("{method} {path}: {} {}", answer.status, answer.text);
            assert!(!is_nothing(&answer), "listed and not served: {name}");
            match methods.get(method) {
                Some(statuses) => assert!(statuses.contains(&answer.status), "not documented: {name}"),
                None => {
                    assert_eq!(answer.status, 405, "not listed and served: {name}");
                    let mut allowed: Vec<&str> =
                        answer.header("allow").expect("Allow").split(',').map(str::trim).collect();
                    allowed.sort_unstable();
                    // A path with a type in it takes by POST and PUT what it takes of Observation.
                    assert_eq!(allowed, methods.keys().map(String::as_str).collect::<Vec<_>>(), "{name}");
                }
            }
        }
        // Where the other listener is, it is not.
        for method in methods.keys().filter(|_| !path.starts_with("/health")) {
            let answer = asked(&service, !operators, method, &named(path)).await;
            assert_eq!(answer.status, 404, "{method} {path} is served there: {}", answer.text);
        }
    }
}

#[tokio::test]
async fn s09_beside_the_listed_paths_there_is_nothing() {
    let (paths, _) = documented();
    let service = Service::start(Setup::default()).await;
    let mut beside: Vec<(bool, String)> = Vec::new();
    for template in paths.keys() {
        let (operators, path) = (is_of_operators(template), named(template));
        let under_types = path.starts_with("/fhir");
        for other in
            [format!("{path}/x/y/z/w"), format!("/v1{path}"), format!("/api{path}"), format!("{path}.bak")]
        {
            // Below /fhir a name may be that of a type or of an id, which is another kind of nothing.
            let names = template.ends_with('}') && other.ends_with(".bak");
            if !(names || under_types && other.starts_with("/fhir")) {
                beside.push((operators, other));
            }
        }
    }
    for path in [
        "/admin",
        "/debug",
        "/debug/vars",
        "/actuator",
        "/console",
        "/graphql",
        "/swagger",
        "/internal",
        "/.env",
        "/.git/HEAD",
        "/server-status",
        "/fhir/x/y/z/w",
        "/health",
        "/health/x",
        "/metrics/x",
        "//",
    ] {
        beside.push((false, path.to_owned()));
        beside.push((true, path.to_owned()));
    }
    for (operators, path) in beside {
        for method in ["GET", "POST"] {
            let answer = asked(&service, operators, method, &path).await;
            let told = format!("{method} {path} (operators: {operators}): {}", answer.text);
            assert_eq!(answer.status, 404, "{told}");
        }
    }
}

#[tokio::test]
async fn s09_the_version_is_told_and_is_that_of_the_document() {
    let (_, version) = documented();
    let service = Service::start(Setup::default()).await;
    let statement = service.client.get(&service.url("metadata")).await.expect(200).json();
    assert_eq!(statement["software"]["version"], version.as_str());
    let main = service.fhir_url.strip_suffix("/fhir").unwrap();
    let served = service.client.get(&format!("{main}/openapi.yaml")).await.expect(200).text;
    let kept =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../openapi.yaml")).unwrap();
    assert!(served == kept, "another document is served than is kept");
}
