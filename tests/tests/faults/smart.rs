//! Tokens by SMART Backend Services, against an issuer that checks every assertion.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};

use super::bench::{Bench, exam, once, quick, records};

fn ec() -> String {
    rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P384_SHA384).unwrap().serialize_pem()
}

fn rsa() -> String {
    let (kind, size) = (&rcgen::PKCS_RSA_SHA384, rcgen::RsaKeySize::_2048);
    rcgen::KeyPair::generate_rsa_for(kind, size).unwrap().serialize_pem()
}

fn settings(key: &Path, more: &str) -> String {
    format!("auth = \"smart\"\nclient_id = \"harbour-lane\"\nkey_file = \"{}\"\n{more}", key.display())
}

fn key_file(pem: &str) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("key.pem");
    std::fs::write(&path, pem).unwrap();
    (folder, path)
}

impl Bench {
    async fn public_keys(&self) -> Value {
        let url = self.fhir_url().replace("/fhir", "/.well-known/jwks.json");
        self.client.get(&url).await.expect(200).json()
    }

    /// Lets the issuer know this service by the keys that it shows.
    async fn registered(&self, lifetime: Duration) {
        let keys = self.public_keys().await;
        self.records.issue_tokens("harbour-lane", &keys, lifetime).unwrap();
    }
}

#[tokio::test]
async fn both_kinds_of_keys_get_a_token_and_one_token_serves_many() {
    for (pem, algorithm) in [(ec(), "ES384"), (rsa(), "RS384")] {
        let (_folder, key) = key_file(&pem);
        let bench = Bench::start(records(), &settings(&key, ""), quick()).await;
        let keys = bench.public_keys().await;
        assert_eq!(keys["keys"][0]["alg"], algorithm);
        assert!(!keys.to_string().contains("\"d\""), "the private part stays here");
        bench.registered(Duration::from_secs(300)).await;
        let url = bench.fhir_url();
        let posts: Vec<_> = (1..=6)
            .map(|number| {
                let (client, url) = (bench.client.clone(), url.clone());
                tokio::spawn(async move { client.post(&url, exam(number).to_string()).await.expect(200) })
            })
            .collect();
        for post in posts {
            post.await.unwrap();
        }
        for id in 1..=6 {
            bench.until(id, "delivered").await;
        }
        assert_eq!(bench.records.token_requests(), 1);
        let until = bench.metric("solewire_record_system_expiry_timestamp_seconds{what=\"token\"}").await;
        assert!(until > 1.7e9, "{until}");
        bench.assert_once(6);
    }
}

#[tokio::test]
async fn the_token_endpoint_and_the_name_of_the_key_can_be_set() {
    let (_folder, key) = key_file(&ec());
    let records = records();
    let more = format!("key_id = \"lane-7\"\ntoken_url = \"{}\"", records.token_url());
    let bench = Bench::start(records, &settings(&key, &more), quick()).await;
    assert_eq!(bench.public_keys().await["keys"][0]["kid"], "lane-7");
    bench.registered(Duration::from_secs(300)).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    let discovered =
        bench.records.requests().iter().any(|request| request.target.contains("smart-configuration"));
    assert!(!discovered);
}

#[tokio::test]
async fn f05_a_token_that_was_taken_back_is_replaced_once_and_the_request_sent_again() {
    let (_folder, key) = key_file(&ec());
    let bench = Bench::start(records(), &settings(&key, ""), quick()).await;
    bench.registered(Duration::from_secs(300)).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.records.expire_tokens();
    bench.submit(&exam(2)).await;
    assert_eq!(bench.until(2, "delivered").await["attempts"], 1);
    assert_eq!(bench.records.token_requests(), 2);
    bench.assert_once(2);
}

#[tokio::test]
async fn f05_a_second_refusal_pauses_everything_and_parks_nothing() {
    let (_folder, key) = key_file(&ec());
    let bench = Bench::start(records(), &settings(&key, ""), once()).await;
    bench.registered(Duration::from_secs(300)).await;
    // Its tokens are good for the issuer and never for the record system.
    bench.records.require_authorization(Some("Bearer of-nobody"));
    bench.submit(&exam(1)).await;
    bench.submit(&exam(2)).await;
    bench.paused_for("unauthorized").await;
    for id in [1, 2] {
        bench.until(id, "pending").await;
    }
    assert!(bench.records.token_requests() >= 2);
}

#[tokio::test]
async fn a_client_that_the_issuer_does_not_know_gets_no_token_and_sends_nothing() {
    let (_folder, key) = key_file(&ec());
    let bench = Bench::start(records(), &settings(&key, ""), once()).await;
    let stranger = json!({ "keys": [] });
    bench.records.issue_tokens("harbour-lane", &stranger, Duration::from_secs(300)).unwrap();
    bench.submit(&exam(1)).await;
    bench.paused_for("token-refused").await;
    let writes = bench.records.requests().iter().filter(|request| request.target == "/fhir").count();
    assert_eq!(writes, 0);
}

#[tokio::test]
async fn a_short_token_is_replaced_before_it_runs_out() {
    let (_folder, key) = key_file(&ec());
    let bench = Bench::start(records(), &settings(&key, ""), quick()).await;
    // Half of nothing is usable, so each request asks anew, and none is sent with a token that has run out.
    bench.registered(Duration::ZERO).await;
    bench.submit(&exam(1)).await;
    bench.until(1, "delivered").await;
    bench.submit(&exam(2)).await;
    bench.until(2, "delivered").await;
    assert_eq!(bench.records.token_requests(), 2);
    assert_eq!(bench.records.requests().iter().filter(|request| request.target == "/fhir").count(), 2);
}
