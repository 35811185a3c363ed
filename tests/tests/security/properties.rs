//! S3: what only the service decides is decided by the service, whatever a caller writes.

use reqwest::Method;
use serde_json::{Value, json};

use crate::access::site::{Site, ask, assessment, exam, rule, stored};

struct Taken {
    site: Site,
    token: String,
}

impl Taken {
    async fn start() -> Taken {
        let site = Site::start("").await;
        let token = site.token("--right submit --right read").await;
        Taken { site, token }
    }

    async fn send(&self, method: Method, path: &str, body: &Value) -> solewire_tests::client::Answer {
        let match_any = [("if-match", "W/\"1\"")];
        let client = reqwest::Client::new();
        let url = self.site.url(path);
        ask(&client, method, &url, &self.token, &match_any, &body.to_string()).await
    }

    async fn read(&self, place: &str) -> Value {
        self.site.get(&self.token, &format!("/fhir/{place}")).await.expect(200).json()
    }

    async fn total(&self, kind: &str) -> u64 {
        let path = format!("/fhir/{kind}?_count=0");
        self.site.get(&self.token, &path).await.expect(200).json()["total"].as_u64().unwrap()
    }
}

#[tokio::test]
async fn s03_ids_versions_and_times_of_a_caller_are_not_taken_over() {
    let taken = Taken::start().await;
    let mut bundle: Value = serde_json::from_str(&exam(1)).unwrap();
    for entry in bundle["entry"].as_array_mut().unwrap() {
        if entry["resource"]["resourceType"] == "Observation" {
            entry["resource"]["id"] = json!("chosen-by-the-caller");
            entry["resource"]["meta"] =
                json!({ "lastUpdated": "2001-01-01T00:00:00Z", "source": "urn:x-made-up" });
        }
    }
    let answer = taken.site.post(&taken.token, &bundle.to_string()).await.expect(200);
    for place in stored(&answer) {
        assert!(!place.contains("chosen-by-the-caller"), "{place}");
        let resource = taken.read(&place).await;
        assert_eq!(resource["id"], place.split_once('/').unwrap().1);
        if place.starts_with("Observation/") {
            assert_eq!(resource["meta"]["versionId"], "1");
            assert!(resource["meta"]["lastUpdated"].as_str().unwrap() > "2026-01-01", "{resource:#}");
        }
    }
    drop(taken.site.get(&taken.token, "/fhir/Observation/chosen-by-the-caller").await.expect(404));
    // An update by the id that a caller would like is none of ours.
    let mut panel = bundle["entry"][0]["resource"].clone();
    panel["id"] = json!("chosen-by-the-caller");
    let refused = taken.send(Method::PUT, "/fhir/Observation/chosen-by-the-caller", &panel).await;
    assert!(matches!(refused.status, 404 | 422), "{}: {}", refused.status, refused.text);
}

#[tokio::test]
async fn s03_what_is_derived_and_what_is_audited_is_never_written_by_a_caller() {
    let taken = Taken::start().await;
    let answer = taken.site.post(&taken.token, &exam(1)).await.expect(200);
    let place = assessment(&answer);
    let before = taken.read(&place).await;
    let counts = [taken.total("RiskAssessment").await, taken.total("ServiceRequest").await];
    let mut others = 0;
    let mut passed_over = Vec::new();
    let mut forged = before.clone();
    forged["status"] = json!("final");
    forged["prediction"] = json!([{ "qualitativeRisk": { "text": "very low" } }]);
    forged["note"] = json!([{ "text": "Nothing was found." }]);
    let request = json!({ "resourceType": "ServiceRequest", "status": "active", "intent": "order",
                          "subject": { "identifier": { "system": "https://harbourlane.example/person", "value": "HL-PERSON-0001" } } });
    let provenance = json!({ "resourceType": "Provenance", "recorded": "2026-01-01T00:00:00Z",
                             "target": [{ "reference": place }], "agent": [{ "who": { "display": "somebody" } }] });
    let event = json!({ "resourceType": "AuditEvent", "type": { "code": "rest" }, "recorded": "2026-01-01T00:00:00Z",
                        "agent": [{ "requestor": true }], "source": { "observer": { "display": "somebody" } } });
    for (resource, status) in [(&forged, 405), (&request, 405), (&provenance, 405), (&event, 404)] {
        let kind = resource["resourceType"].as_str().unwrap();
        let posted = taken.send(Method::POST, &format!("/fhir/{kind}"), resource).await.expect(status);
        assert!(posted.text.contains("OperationOutcome") && !posted.text.contains("Nothing was found"));
        let id = before["id"].as_str().unwrap();
        drop(taken.send(Method::PUT, &format!("/fhir/{kind}/{id}"), resource).await.expect(status));
        // Inside a transaction, beside an exam and alone.
        let mut beside: Value = serde_json::from_str(&exam(2)).unwrap();
        let entry = json!({ "fullUrl": "urn:uuid:5e1e0000-9999-4000-8000-000000000001", "resource": resource,
                            "request": { "method": "POST", "url": kind } });
        beside["entry"].as_array_mut().unwrap().push(entry);
        let refused = taken.site.post(&taken.token, &beside.to_string()).await;
        assert!(!refused.text.contains("Nothing was found"));
        // What is not refused is passed over by name: no place was made for it.
        if refused.status != 422 {
            let answer = refused.expect(200).json();
            let response = answer["entry"].as_array().unwrap().last().unwrap()["response"].clone();
            assert!(
                response["status"] == "202 Accepted" && response["location"].is_null(),
                "{kind}: {response}"
            );
            let said = &response["outcome"]["issue"];
            let named = said.as_array().unwrap().iter().find(|issue| {
                issue["details"]["coding"][0]["code"] == "submit-derived" && issue["severity"] == "warning"
            });
            let named = named.unwrap_or_else(|| panic!("{kind}: {response}"));
            let number = beside["entry"].as_array().unwrap().len() - 1;
            assert_eq!(named["expression"][0], format!("Bundle.entry[{number}].resource"), "{kind}");
            passed_over.push(kind.to_owned());
            others = 1;
        }
    }
    assert_eq!(taken.read(&place).await, before);
    let after = [taken.total("RiskAssessment").await, taken.total("ServiceRequest").await];
    assert_eq!(after, counts.map(|one| one + others * one), "each exam has what was derived of it");
    assert!(passed_over.contains(&"ServiceRequest".to_owned()), "{passed_over:?}");
}

#[tokio::test]
async fn s03_an_answer_holds_what_was_sent_and_what_the_service_says_and_nothing_of_its_inside() {
    let taken = Taken::start().await;
    let bundle: Value = serde_json::from_str(&exam(1)).unwrap();
    let answer = taken.site.post(&taken.token, &bundle.to_string()).await.expect(200);
    let sent = bundle["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]);
    let panel = sent.clone().find(|resource| resource["hasMember"].is_array()).unwrap();
    let place = stored(&answer).into_iter().find(|place| place.starts_with("Observation/")).unwrap();
    let mut names: Vec<String> = taken.read(&place).await.as_object().unwrap().keys().cloned().collect();
    let mut allowed: Vec<String> = panel.as_object().unwrap().keys().cloned().collect();
    allowed.extend(["id".to_owned(), "meta".to_owned()]);
    names.sort();
    allowed.sort();
    allowed.dedup();
    assert_eq!(names, allowed);
    let meta = taken.read(&place).await["meta"].clone();
    let known = ["versionId", "lastUpdated", "profile", "security", "tag"];
    assert!(meta.as_object().unwrap().keys().all(|name| known.contains(&name.as_str())), "{meta}");
    for entry in answer.json()["entry"].as_array().unwrap() {
        let response = entry["response"].as_object().unwrap();
        let known = ["status", "location", "etag", "lastModified", "outcome"];
        assert!(response.keys().all(|name| known.contains(&name.as_str())), "{response:?}");
    }
    // A delivery is shown without the way it is stored: neither the clinic nor the key of the caller, nor the lease.
    let refused = taken.site.get(&taken.token, "/fhir/Observation/1").await.expect(404);
    assert_eq!(rule(&refused), "http-not-found");
}
