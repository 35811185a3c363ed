//! Two clinics and somebody who oversees both.

use std::time::Instant;

use reqwest::Method;
use serde_json::Value;

use super::issuer::{Key, KeyRoute};
use super::site::{Site, ask, assessment, exam, rule, shown, stored};

struct Clinics {
    site: Site,
    north: String,
    south: String,
    both: String,
}

impl Clinics {
    async fn start() -> Clinics {
        let site = Site::start("requests_per_minute = 0").await;
        let rights = "--right submit --right read --right operate";
        let north = site.token(&format!("{rights} --clinic north")).await;
        let south = site.token(&format!("{rights} --clinic south")).await;
        let both = site.token(rights).await;
        Clinics { site, north, south, both }
    }

    async fn total(&self, token: &str, path: &str) -> u64 {
        self.site.get(token, path).await.expect(200).json()["total"].as_u64().unwrap()
    }
}

#[tokio::test]
async fn s01_what_belongs_to_another_clinic_is_answered_like_what_does_not_exist() {
    let clinics = Clinics::start().await;
    let site = &clinics.site;
    let taken = site.post(&clinics.north, &exam(1)).await.expect(200);
    for place in stored(&taken) {
        let (kind, id) = place.split_once('/').unwrap();
        let nowhere = "5d0e1c5a-0000-5000-8000-000000000000";
        for tail in ["", "/_history", "/_history/1"] {
            let url = format!("/fhir/{kind}/{id}{tail}");
            drop(site.get(&clinics.north, &url).await.expect(200));
            drop(site.get(&clinics.both, &url).await.expect(200));
            let forbidden = site.get(&clinics.south, &url).await.expect(404);
            let unknown = site.get(&clinics.south, &format!("/fhir/{kind}/{nowhere}{tail}")).await;
            assert_eq!(shown(&forbidden), shown(&unknown), "{url}");
        }
        for query in [format!("_id={id}"), "_count=0".to_owned()] {
            let url = format!("/fhir/{kind}?{query}");
            assert!(clinics.total(&clinics.north, &url).await > 0);
            assert_eq!(clinics.total(&clinics.south, &url).await, 0, "{url}");
        }
    }
    let wanted = "subject%3Aidentifier=https%3A%2F%2Fharbourlane.example%2Fperson%7CHL-PERSON-0001";
    for kind in ["Observation", "RiskAssessment", "ServiceRequest"] {
        let url = site.url(&format!("/fhir/{kind}/_search"));
        let client = reqwest::Client::new();
        for (token, seen) in [(&clinics.north, true), (&clinics.both, true), (&clinics.south, false)] {
            let form = "application/x-www-form-urlencoded";
            let answer = client.post(&url).bearer_auth(token).header("content-type", form).body(wanted);
            let found: Value =
                serde_json::from_str(&answer.send().await.unwrap().text().await.unwrap()).unwrap();
            assert_eq!(found["total"].as_u64().unwrap() > 0, seen, "{kind}");
        }
    }
    // The pages read through their own routes.
    let id = assessment(&taken).split_once('/').unwrap().1.to_owned();
    drop(site.get(&clinics.north, &format!("/pages/exams/{id}")).await.expect(200));
    let forbidden = site.get(&clinics.south, &format!("/pages/exams/{id}")).await.expect(404);
    let unknown = site.get(&clinics.south, "/pages/exams/nobody").await;
    assert_eq!(shown(&forbidden), shown(&unknown));
    for list in ["recalls", "referrals", "incomplete"] {
        assert_eq!(clinics.total(&clinics.south, &format!("/pages/worklists/{list}")).await, 0);
        let file = site.get(&clinics.south, &format!("/pages/worklists/{list}.csv")).await.expect(200).text;
        assert!(!file.contains("HL-PERSON"), "{file}");
    }
    assert_eq!(clinics.total(&clinics.north, "/pages/worklists/recalls").await, 1);
}

#[tokio::test]
async fn s01_an_operator_of_one_clinic_sees_and_moves_its_own_deliveries_alone() {
    let clinics = Clinics::start().await;
    let site = &clinics.site;
    drop(site.post(&clinics.north, &exam(1)).await.expect(200));
    drop(site.post(&clinics.south, &exam(2)).await.expect(200));
    for (token, own) in [(&clinics.north, vec![1]), (&clinics.south, vec![2]), (&clinics.both, vec![1, 2])] {
        for url in [site.operations("/operations/deliveries"), site.url("/pages/deliveries")] {
            let client = reqwest::Client::new();
            let list = ask(&client, Method::GET, &url, token, &[], "").await.expect(200).json();
            let deliveries = list["deliveries"].as_array().unwrap();
            assert_eq!(deliveries.iter().map(|one| one["id"].as_i64().unwrap()).collect::<Vec<_>>(), own);
            let counted: i64 =
                list["counts"].as_object().unwrap().values().map(|one| one.as_i64().unwrap()).sum();
            assert_eq!(counted, i64::try_from(own.len()).unwrap());
        }
    }
    let client = reqwest::Client::new();
    let reason = r#"{"reason": "looked at"}"#;
    for (method, tail) in [(Method::GET, ""), (Method::POST, "/replay"), (Method::POST, "/discard")] {
        let body = if method == Method::POST { reason } else { "" };
        let at = |id: u32| site.operations(&format!("/operations/deliveries/{id}{tail}"));
        let forbidden = ask(&client, method.clone(), &at(2), &clinics.north, &[], body).await.expect(404);
        let unknown = ask(&client, method, &at(77), &clinics.north, &[], body).await;
        assert_eq!(shown(&forbidden), shown(&unknown), "{tail}");
    }
    let url = site.operations("/operations/deliveries/1/discard");
    drop(ask(&client, Method::POST, &url, &clinics.north, &[], reason).await.expect(200));
}

#[tokio::test]
async fn s01_the_same_identifiers_in_two_clinics_are_two_exams() {
    let clinics = Clinics::start().await;
    let site = &clinics.site;
    let north = site.post(&clinics.north, &exam(1)).await.expect(200);
    let south = site.post(&clinics.south, &exam(1)).await.expect(200);
    let (of_north, of_south) = (stored(&north), stored(&south));
    assert!(of_north.iter().all(|place| !of_south.contains(place)), "no id is shared");
    let entries = south.json();
    let placed = entries["entry"].as_array().unwrap().iter().map(|entry| &entry["response"]);
    for response in placed.filter(|response| response["location"].is_string()) {
        assert_eq!(response["status"], "201 Created", "nothing of another clinic is found");
    }
    // What one clinic corrects or withdraws stays as it was in the other.
    let withdrawn = exam(1).replace("\"final\"", "\"entered-in-error\"");
    drop(site.post(&clinics.south, &withdrawn).await.expect(200));
    let place = format!("/fhir/{}", assessment(&north));
    assert_eq!(site.get(&clinics.north, &place).await.expect(200).json()["status"], "final");
    assert_eq!(clinics.total(&clinics.both, "/fhir/RiskAssessment?_count=0").await, 2);
    // An id of another clinic cannot be taken over, and answers like one of nobody.
    let taken = stored(&north).into_iter().find(|place| place.starts_with("Observation/")).unwrap();
    let replaced = |id: &str| {
        let mut bundle: Value = serde_json::from_str(&exam(1)).unwrap();
        bundle["entry"][0]["request"] =
            serde_json::json!({ "method": "PUT", "url": format!("Observation/{id}") });
        bundle.to_string()
    };
    let foreign = taken.split_once('/').unwrap().1;
    let nobody = "5d0e1c5a-0000-5000-8000-000000000000";
    let forbidden = site.post(&clinics.south, &replaced(foreign)).await.expect(404);
    let unknown = site.post(&clinics.south, &replaced(nobody)).await;
    assert_eq!(shown(&forbidden), shown(&unknown));
    drop(site.post(&clinics.north, &replaced(foreign)).await.expect(200));
}

#[tokio::test]
async fn s01_a_signed_token_is_of_the_clinic_that_its_issuer_names() {
    let key = Key::new("k1", jsonwebtoken::Algorithm::ES256);
    let route = KeyRoute::start(&[&key]).await;
    let site = Site::start(&format!("{}clinic_claim = \"clinic\"", route.settings())).await;
    let of = |clinic: Value| key.sign(&serde_json::json!({ "clinic": clinic }));
    let taken = site.post(&of("north".into()), &exam(1)).await.expect(200);
    let place = format!("/fhir/{}", assessment(&taken));
    drop(site.get(&of("north".into()), &place).await.expect(200));
    drop(site.get(&of("south".into()), &place).await.expect(404));
    for none in [Value::Null, "".into(), "no name".into(), 7.into(), serde_json::json!(["north"])] {
        drop(site.get(&of(none.clone()), &place).await.expect(401));
    }
}

#[tokio::test]
async fn h13_ids_tell_nothing_and_unknown_takes_as_long_as_forbidden() {
    let clinics = Clinics::start().await;
    let site = &clinics.site;
    let mut ids = Vec::new();
    for number in 1..=20 {
        ids.extend(stored(&site.post(&clinics.north, &exam(number)).await.expect(200)));
    }
    ids.sort();
    ids.dedup();
    let bits: u32 = ids
        .iter()
        .map(|place| {
            let id = place.split_once('/').unwrap().1.replace('-', "");
            assert_eq!(id.len(), 32, "{place}");
            u128::from_str_radix(&id, 16).unwrap().count_ones()
        })
        .sum();
    // Of 122 random bits half are set, and two of the six others.
    let mean = f64::from(bits) / ids.len() as f64;
    assert!((60.0..66.0).contains(&mean), "{mean} of {} ids", ids.len());

    let client = reqwest::Client::new();
    let (mut forbidden, mut unknown) = (Vec::new(), Vec::new());
    for round in 0..300_usize {
        let place = &ids[round % ids.len()];
        let (kind, id) = place.split_once('/').unwrap();
        let nobody = uuid_like(round);
        for (id, times) in [(id, &mut forbidden), (nobody.as_str(), &mut unknown)] {
            let began = Instant::now();
            let url = site.url(&format!("/fhir/{kind}/{id}"));
            let answer = ask(&client, Method::GET, &url, &clinics.south, &[], "").await.expect(404);
            times.push(began.elapsed());
            assert!(!answer.text.contains(id), "the text repeats what was asked for");
        }
    }
    let median = |times: &mut Vec<std::time::Duration>| {
        times.sort();
        times[times.len() / 2].as_secs_f64()
    };
    let ratio = median(&mut forbidden) / median(&mut unknown);
    assert!((0.67..1.5).contains(&ratio), "forbidden takes {ratio} times as long as unknown");
}

fn uuid_like(number: usize) -> String {
    format!("{number:08x}-1c5a-5000-8000-{:012x}", number * 7919)
}

#[tokio::test]
async fn h14_a_key_belongs_to_the_caller_who_used_it() {
    let clinics = Clinics::start().await;
    let site = &clinics.site;
    let colleague = site.token("--right submit --right read --clinic north").await;
    let key = [("idempotency-key", "a-key-of-north")];
    let first = site.post_with(&clinics.north, &key, &exam(1)).await.expect(200);
    let again = site.post_with(&clinics.north, &key, &exam(1)).await.expect(200);
    assert_eq!(first.json(), again.json());
    let reused = site.post_with(&clinics.north, &key, &exam(2)).await.expect(422);
    assert_eq!(rule(&reused), "http-idempotency-key");
    // Whoever captured the request gets no answer of it: neither that it was used, nor what came of it.
    let other = site.post_with(&clinics.south, &key, &exam(1)).await.expect(200);
    assert!(stored(&other).iter().all(|place| !stored(&first).contains(place)));
    drop(site.post_with(&colleague, &key, &exam(3)).await.expect(200));
    for answer in [site.post_with("", &key, &exam(1)).await, site.post_with("guess", &key, &exam(1)).await] {
        assert_eq!(rule(&answer.expect(401)), "http-login");
    }
}
