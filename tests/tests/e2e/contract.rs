//! The service against `openapi.yaml`: every documented operation is served, under its documented statuses.

use std::path::Path;

use reqwest::Method;
use solewire_tests::client::FHIR_JSON;
use solewire_tests::service::{Service, Setup};

struct Operation {
    path: String,
    method: Method,
    statuses: Vec<u16>,
}

/// The operations, read from the layout that the file keeps: paths at two spaces, methods at four, statuses at eight.
fn documented() -> Vec<Operation> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../openapi.yaml");
    let text = std::fs::read_to_string(file).unwrap();
    let paths = text.split("\npaths:\n").nth(1).unwrap().split("\ncomponents:").next().unwrap();
    let mut operations: Vec<Operation> = Vec::new();
    let mut path = String::new();
    for line in paths.lines() {
        if let Some(found) = line.strip_prefix("  /") {
            path = format!("/{}", found.trim_end_matches(':'));
        } else if let Some(found) = line.strip_prefix("    ").filter(|rest| !rest.starts_with(' ')) {
            let method = match found.trim_end_matches(':') {
                "get" => Method::GET,
                "post" => Method::POST,
                "put" => Method::PUT,
                _ => continue,
            };
            operations.push(Operation { path: path.clone(), method, statuses: Vec::new() });
        } else if let Some(found) = line.strip_prefix("        '") {
            let status = found.split('\'').next().unwrap().parse().unwrap();
            operations.last_mut().unwrap().statuses.push(status);
        }
    }
    operations
}

#[tokio::test]
async fn every_documented_operation_is_served_with_a_documented_status() {
    let operations = documented();
    assert!(operations.len() >= 17, "the document was not read: {} operations", operations.len());
    let service = Service::start(Setup::default()).await;
    let main = service.fhir_url.strip_suffix("/fhir").unwrap();
    for operation in operations {
        let of_operators = ["/operations", "/metrics", "/fhir/AuditEvent"]
            .iter()
            .any(|prefix| operation.path.starts_with(prefix));
        let base = if of_operators { &service.operations_url } else { main };
        let path = operation
            .path
            .replace("{type}", "Observation")
            .replace("{version}", "1")
            .replace("{id}", if of_operators { "1" } else { "0b9d5c4e-7a55-4f3a-9f0e-2f6a1f9a7c11" });
        let url = format!("{base}{path}");
        let request = reqwest::Client::new().request(operation.method.clone(), &url);
        let request = if operation.method == Method::POST && path.ends_with("_search") {
            request.header("content-type", "application/x-www-form-urlencoded").body("_id=1")
        } else if operation.method != Method::GET {
            request.header("content-type", FHIR_JSON).body("{}")
        } else {
            request
        };
        let answer = request.send().await.unwrap();
        let status = answer.status().as_u16();
        let text = answer.text().await.unwrap();
        let name = format!("{} {}", operation.method, operation.path);
        assert!(operation.statuses.contains(&status), "{name}: {status} is not documented: {text}");
        assert_ne!(status, 405, "{name} is documented and not served");
        assert!(
            !text.contains("There is nothing at this address"),
            "{name} is documented and not served: {text}"
        );
    }
}
