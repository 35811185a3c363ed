//! The CapabilityStatement beside what is served: whatever it says is answered, and whatever it does not say is refused.

use reqwest::Method;
use serde_json::{Value, json};
use solewire_tests::client::Answer;
use solewire_tests::corpus::case;
use solewire_tests::service::{Service, Setup};

const INTERACTIONS: [&str; 8] =
    ["read", "vread", "history-instance", "search-type", "create", "update", "delete", "patch"];
/// The types that are stored, and some that are not.
const TYPES: [&str; 10] = [
    "Observation",
    "RiskAssessment",
    "ServiceRequest",
    "Provenance",
    "Condition",
    "Procedure",
    "Patient",
    "Encounter",
    "Device",
    "Bundle",
];

/// Whether the service takes an interaction of a type: by the way it refuses an id that nobody has.
async fn taken(service: &Service, resource_type: &str, interaction: &str) -> bool {
    let (method, path, body) = match interaction {
        "read" => (Method::GET, "/none", ""),
        "vread" => (Method::GET, "/none/_history/1", ""),
        "history-instance" => (Method::GET, "/none/_history", ""),
        "search-type" => (Method::GET, "?_count=1", ""),
        "create" => (Method::POST, "", "{}"),
        "update" => (Method::PUT, "/none", "{}"),
        "delete" => (Method::DELETE, "/none", ""),
        "patch" => (Method::PATCH, "/none", "{}"),
        other => panic!("{other}"),
    };
    let url = service.url(&format!("{resource_type}{path}"));
    let answer = service.client.send(method, &url, &[], body).await;
    let not_kept = answer.text.contains("Resources of this type");
    match answer.status {
        405 => false,
        404 => !not_kept,
        200 | 400 | 422 | 428 => true,
        other => panic!("{interaction} of {resource_type}: {other} {}", answer.text),
    }
}

#[tokio::test]
async fn the_statement_names_exactly_what_is_served() {
    let service = Service::start(Setup::default()).await;
    let statement = service.client.get(&service.url("metadata")).await.expect(200).json();
    let rest = &statement["rest"][0];
    let resources = rest["resource"].as_array().unwrap();
    for resource in resources {
        let name = resource["type"].as_str().unwrap();
        assert!(TYPES.contains(&name), "{name} is not tried");
    }
    for name in TYPES {
        let said = resources.iter().find(|resource| resource["type"] == name);
        for interaction in INTERACTIONS {
            let said = said.is_some_and(|resource| {
                resource["interaction"].as_array().unwrap().iter().any(|one| one["code"] == interaction)
            });
            assert_eq!(said, taken(&service, name, interaction).await, "{interaction} of {name}");
        }
        for parameter in said.and_then(|resource| resource["searchParam"].as_array()).into_iter().flatten() {
            let value = match parameter["type"].as_str().unwrap() {
                "date" => "2026-01-01",
                _ => "x",
            };
            let url = service.url(&format!("{name}?{}={value}", parameter["name"].as_str().unwrap()));
            let strict = [("prefer", "handling=strict")];
            service.client.send(Method::GET, &url, &strict, "").await.expect(200);
        }
    }
    let system: Vec<&str> =
        rest["interaction"].as_array().unwrap().iter().map(|one| one["code"].as_str().unwrap()).collect();
    assert_eq!(system, ["transaction", "batch"]);
    for kind in system {
        let body = json!({ "resourceType": "Bundle", "type": kind }).to_string();
        let answer = service.client.post(&service.fhir_url, body).await;
        assert!(!answer.text.contains("submit-bundle-type"), "{kind}: {}", answer.text);
    }
}

#[tokio::test]
async fn each_operation_of_the_statement_is_defined_and_served() {
    let service = Service::start(Setup::default()).await;
    let statement = service.client.get(&service.url("metadata")).await.expect(200).json();
    let rest = &statement["rest"][0];
    let of_types = rest["resource"].as_array().unwrap().iter().map(|resource| &resource["operation"]);
    let mut tried = 0;
    for operation in
        std::iter::once(&rest["operation"]).chain(of_types).flat_map(|list| list.as_array().unwrap())
    {
        let canonical = operation["definition"].as_str().unwrap();
        let id = canonical.rsplit('/').next().unwrap();
        let definition =
            service.client.get(&service.url(&format!("OperationDefinition/{id}"))).await.expect(200).json();
        assert_eq!(definition["url"], canonical);
        assert_eq!(definition["code"], operation["name"]);
        let place = if definition["system"] == json!(true) { "" } else { "Observation/" };
        let url = service.url(&format!("{place}${}", definition["code"].as_str().unwrap()));
        let answer = service.client.post(&url, "{").await;
        assert_eq!(answer.status, 400, "{url}: {}", answer.text);
        let checked =
            service.client.post(&service.url("OperationDefinition/$validate"), definition.to_string()).await;
        let outcome = checked.expect(200).json();
        let refusing =
            outcome["issue"].as_array().unwrap().iter().filter(|issue| issue["severity"] == "error");
        assert_eq!(refusing.collect::<Vec<&Value>>(), Vec::<&Value>::new());
        tried += 1;
    }
    assert!(tried >= 3);
}

#[tokio::test]
async fn elements_and_counts_are_answered_as_asked_for() {
    let service = Service::start(Setup::default()).await;
    service.client.post(&service.fhir_url, case("category-2").input).await.expect(200);
    let url = service.url("Observation?_count=5&_elements=subject,value");
    let page = service.client.get(&url).await.expect(200);
    for resource in page.resources() {
        for name in resource.as_object().unwrap().keys() {
            let wanted = ["resourceType", "id", "meta", "status", "code", "subject"].contains(&name.as_str());
            assert!(wanted || name.starts_with("value"), "{name} was not asked for");
        }
        assert_eq!(resource["meta"]["tag"][0]["code"], "SUBSETTED");
    }
    let body = page.json();
    let next = body["link"].as_array().unwrap().iter().find(|link| link["relation"] == "next").unwrap();
    assert!(next["url"].as_str().unwrap().contains("_elements=subject"), "{next}");
    let assessment = service.client.get(&service.url("RiskAssessment?_elements=status")).await.expect(200);
    let assessment = &assessment.resources()[0];
    assert!(assessment.get("prediction").is_none() && assessment["subject"].is_object());
    let id = assessment["id"].as_str().unwrap();
    let one = service.client.get(&service.url(&format!("RiskAssessment/{id}?_elements=prediction"))).await;
    let one = one.expect(200).json();
    assert!(one["prediction"].is_array() && one.get("basis").is_none());
    let count =
        service.client.get(&service.url("Observation?_summary=count&_elements=status")).await.expect(200);
    assert!(count.resources().is_empty() && count.json()["total"].as_u64().unwrap() > 5);
}

#[tokio::test]
async fn a_wish_that_is_granted_is_named_in_the_answer() {
    let service = Service::start(Setup::default()).await;
    let applied = |answer: &Answer| answer.header("preference-applied").map(str::to_owned);
    let exam = String::from_utf8(case("category-2").input).unwrap();
    let device = case("device-result").json();
    let send = |method: Method, path: &str, wish: &'static str, body: String| {
        let (client, url, headers) = (&service.client, service.url(path), [("prefer", wish)]);
        async move { client.send(method, url.trim_end_matches('/'), &headers, body).await }
    };
    for wish in ["return=minimal", "return=representation", "return=OperationOutcome"] {
        let answer = send(Method::POST, "", wish, exam.clone()).await.expect(200);
        assert_eq!(applied(&answer).as_deref(), Some(wish));
        let entry = &answer.json()["entry"][0];
        assert_eq!(entry.get("resource").is_some(), wish == "return=representation", "{wish}");
        let answer = send(Method::POST, "Observation", wish, device.to_string()).await;
        assert_eq!(applied(&answer).as_deref(), Some(wish), "{}", answer.text);
        let body = (!answer.text.is_empty()).then(|| answer.json()["resourceType"].clone());
        let expected = match wish {
            "return=minimal" => None,
            "return=representation" => Some(json!("Observation")),
            _ => Some(json!("OperationOutcome")),
        };
        assert_eq!(body, expected);
    }
    for (wish, granted) in [
        ("return=everything", None),
        ("respond-async, wait=10", None),
        ("handling=strict", None),
        ("RETURN=minimal; note=\"a, b\", handling=strict", Some("return=minimal")),
    ] {
        let answer = send(Method::POST, "Observation", wish, device.to_string()).await.expect(200);
        assert_eq!(applied(&answer).as_deref(), granted, "{wish}");
    }
    for (wish, granted) in [
        ("handling=strict", Some("handling=strict")),
        ("handling=lenient, return=minimal", Some("handling=lenient")),
        ("return=minimal", None),
    ] {
        let answer = send(Method::GET, "Observation?_count=1", wish, String::new()).await.expect(200);
        assert_eq!(applied(&answer).as_deref(), granted, "{wish}");
    }
    let refused =
        send(Method::GET, "Observation?colour=1", "handling=strict", String::new()).await.expect(400);
    assert_eq!(applied(&refused), None);

    let search = json!({ "request": { "method": "GET", "url": "Observation?_count=1" } });
    let create = json!({ "request": { "method": "POST", "url": "Observation" }, "resource": device });
    let both = "return=representation, handling=strict";
    for (entries, wish, granted) in [
        (json!([search, create]), both, Some("return=representation, handling=strict")),
        (json!([search]), both, Some("handling=strict")),
        (json!([create]), both, Some("return=representation")),
        (json!([search, create]), "respond-async", None),
    ] {
        let body = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries }).to_string();
        let answer = send(Method::POST, "", wish, body).await.expect(200);
        assert_eq!(applied(&answer).as_deref(), granted, "{entries}");
    }
}

#[tokio::test]
async fn a_history_comes_in_pages_and_counts_all_versions() {
    let service = Service::start(Setup::default()).await;
    let device = case("device-result").json();
    let mut result =
        service.client.post(&service.url("Observation"), device.to_string()).await.expect(201).json();
    let place = format!("Observation/{}", result["id"].as_str().unwrap());
    for version in 1..5 {
        result["status"] = json!(if version % 2 == 0 { "amended" } else { "corrected" });
        result["note"] = json!([{ "text": format!("Looked at {version} times.") }]);
        let tag = format!("W/\"{version}\"");
        let headers = [("if-match", tag.as_str())];
        let put = service.client.send(Method::PUT, &service.url(&place), &headers, result.to_string()).await;
        put.expect(200);
    }
    let mut next = Some(service.url(&format!("{place}/_history?_count=2")));
    let mut pages = Vec::new();
    while let Some(url) = next {
        let page = service.client.get(&url).await.expect(200);
        assert_eq!(page.json()["total"], 5);
        let versions = page.resources();
        pages.push(
            versions
                .iter()
                .map(|one| one["meta"]["versionId"].as_str().unwrap().to_owned())
                .collect::<Vec<_>>(),
        );
        let links = page.json()["link"].as_array().unwrap().clone();
        let link = links.iter().find(|link| link["relation"] == "next");
        next = link.map(|link| link["url"].as_str().unwrap().to_owned());
    }
    assert_eq!(pages, [vec!["5", "4"], vec!["3", "2"], vec!["1"]]);
    for (number, status) in [("5", 200), ("1", 200), ("6", 404), ("0", 404), ("x", 404)] {
        let url = service.url(&format!("{place}/_history/{number}"));
        drop(service.client.get(&url).await.expect(status));
    }
    let paged = json!({ "request": { "method": "GET", "url": format!("{place}/_history?_count=1") } });
    let body = json!({ "resourceType": "Bundle", "type": "batch", "entry": [paged] }).to_string();
    let answer = service.client.post(&service.fhir_url, body).await.expect(200).json();
    assert_eq!(answer["entry"][0]["resource"]["entry"].as_array().unwrap().len(), 1);
}
