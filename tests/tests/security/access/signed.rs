//! Tokens that an issuer signs, and those that somebody else would like to have signed.

use jiff::Timestamp;
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use serde_json::{Value, json};

use super::issuer::{AUDIENCE, Key, KeyRoute, NAME, with_usual};
use super::site::{Site, exam, rule, shown};

const LIST: &str = "/fhir/Observation?_count=0";

#[tokio::test]
async fn s02_every_signature_of_the_list_is_taken() {
    let algorithms = [Algorithm::ES256, Algorithm::ES384, Algorithm::RS256, Algorithm::RS384];
    let keys: Vec<Key> =
        algorithms.iter().enumerate().map(|(number, name)| Key::new(&format!("k{number}"), *name)).collect();
    let route = KeyRoute::start(&keys.iter().collect::<Vec<_>>()).await;
    let site = Site::start(&route.settings()).await;
    for key in &keys {
        drop(site.get(&key.sign(&json!({})), LIST).await.expect(200));
    }
    drop(site.post(&keys[0].sign(&json!({ "aud": ["other", AUDIENCE] })), &exam(1)).await.expect(200));
    let narrow = format!("{}algorithms = [\"ES384\"]", route.settings());
    let site = Site::start(&narrow).await;
    for (key, status) in keys.iter().zip([401, 200, 401, 401]) {
        drop(site.get(&key.sign(&json!({})), LIST).await.expect(status));
    }
}

/// A token from parts, signed by nobody or by anybody.
fn encoded(header: &Value, claims: &Value) -> String {
    // The library encodes what it is given; the header is put in its place.
    let secret = EncodingKey::from_secret(b"any");
    let part = |value: &Value| {
        let token = jsonwebtoken::encode(&Header::new(Algorithm::HS256), value, &secret).unwrap();
        token.split('.').nth(1).unwrap().to_owned()
    };
    format!("{}.{}", part(header), part(claims))
}

#[tokio::test]
async fn s02_a_token_that_does_not_hold_is_refused_alike_whatever_is_wrong_with_it() {
    let (key, rsa) = (Key::new("k1", Algorithm::ES256), Key::new("r1", Algorithm::RS256));
    let stranger = Key::new("k1", Algorithm::ES256);
    let unknown = Key::new("k2", Algorithm::ES256);
    let route = KeyRoute::start(&[&key, &rsa]).await;
    let site = Site::start(&route.settings()).await;
    drop(site.get(&key.sign(&json!({})), LIST).await.expect(200));
    let now = Timestamp::now().as_second();
    let usual = with_usual(&json!({}));
    let none =
        |name: &str| format!("{}.", encoded(&json!({ "alg": name, "typ": "JWT", "kid": "k1" }), &usual));
    let secret = |text: &[u8], id: &str| {
        let header = Header { kid: Some(id.to_owned()), ..Header::new(Algorithm::HS256) };
        jsonwebtoken::encode(&header, &usual, &EncodingKey::from_secret(text)).unwrap()
    };
    let signed = |header: Header, key: &Key| jsonwebtoken::encode(&header, &usual, &key.private).unwrap();
    let good = key.sign(&json!({}));
    let (start, _) = good.rsplit_once('.').unwrap();
    let mut altered: Vec<&str> = good.split('.').collect();
    let other = key.sign(&json!({ "scope": "solewire/operate" }));
    altered[1] = other.split('.').nth(1).unwrap();
    let table = [
        ("alg none", none("none")),
        ("alg None", none("None")),
        ("no signature", format!("{start}.")),
        ("a public key taken for a secret", secret(key.public()["x"].as_str().unwrap().as_bytes(), "k1")),
        ("a public key in PEM taken for a secret", secret(rsa.public().to_string().as_bytes(), "r1")),
        ("another audience", key.sign(&json!({ "aud": "https://harbourlane.example/other" }))),
        ("no audience", key.sign(&json!({ "aud": null }))),
        ("another issuer", key.sign(&json!({ "iss": format!("{NAME}/") }))),
        ("no issuer", key.sign(&json!({ "iss": null }))),
        ("expired", key.sign(&json!({ "exp": now - 31 }))),
        ("no end", key.sign(&json!({ "exp": null }))),
        ("an end that is no number", key.sign(&json!({ "exp": "tomorrow" }))),
        ("not yet", key.sign(&json!({ "nbf": now + 60 }))),
        ("nobody", key.sign(&json!({ "sub": null, "client_id": null }))),
        ("another key of the same name", stranger.sign(&json!({}))),
        ("a key that is not published", unknown.sign(&json!({}))),
        ("no key named", signed(Header { kid: None, ..key.header() }, &key)),
        ("the key of another algorithm", signed(Header { kid: Some("k1".into()), ..rsa.header() }, &rsa)),
        ("a token of another type", signed(Header { typ: Some("logout+jwt".into()), ..key.header() }, &key)),
        ("other claims under the signature", altered.join(".")),
        ("three dots", "a.b.c".to_owned()),
        ("too long", format!("{}.{}.c", "a".repeat(9000), "b".repeat(9000))),
    ];
    let refused = site.get("nonsense", LIST).await.expect(401);
    assert_eq!(rule(&refused), "http-login");
    assert!(refused.header("www-authenticate").unwrap().contains("invalid_token"));
    for (what, token) in table {
        assert_eq!(shown(&site.get(&token, LIST).await), shown(&refused), "{what}");
    }
    // Within the leeway, either way.
    drop(site.get(&key.sign(&json!({ "exp": now - 10 })), LIST).await.expect(200));
    drop(site.get(&key.sign(&json!({ "nbf": now + 20 })), LIST).await.expect(200));
}

#[tokio::test]
async fn s02_new_keys_are_found_old_ones_outlast_an_outage_and_made_up_ones_cost_little() {
    let (old, new) = (Key::new("old", Algorithm::ES256), Key::new("new", Algorithm::ES384));
    let route = KeyRoute::start(&[&old]).await;
    let site = Site::start(&route.settings()).await;
    assert_eq!(route.requests(), 1, "read at start");
    drop(site.get(&old.sign(&json!({})), LIST).await.expect(200));
    route.shows(&[&old, &new]);
    drop(site.get(&new.sign(&json!({})), LIST).await.expect(200));
    drop(site.get(&new.sign(&json!({})), LIST).await.expect(200));
    assert_eq!(route.requests(), 2, "read once for the key that was not known");
    route.fails();
    for number in 0..20 {
        let made_up = Key { id: format!("made-up-{number}"), ..new.clone() };
        drop(site.get(&made_up.sign(&json!({})), LIST).await.expect(401));
    }
    assert!(route.requests() <= 6, "{} requests for keys that nobody has", route.requests());
    for key in [&old, &new] {
        drop(site.get(&key.sign(&json!({})), LIST).await.expect(200));
    }
}

#[tokio::test]
async fn s02_without_any_key_signed_tokens_wait_and_other_callers_do_not() {
    let key = Key::new("k1", Algorithm::ES256);
    let route = KeyRoute::start(&[]).await;
    for nonsense in ["", "[]", "{\"keys\": 1}", "<keys/>"] {
        route.shows_text(nonsense);
        let site = Site::start(&route.settings()).await;
        let waits = site.get(&key.sign(&json!({})), LIST).await.expect(503);
        assert_eq!((rule(&waits).as_str(), waits.header("retry-after")), ("http-issuer", Some("5")));
        let token = site.token("--right read").await;
        drop(site.get(&token, LIST).await.expect(200));
    }
}

#[tokio::test]
async fn s02_keys_in_a_file_are_read_again() {
    let (old, new) = (Key::new("old", Algorithm::ES256), Key::new("new", Algorithm::ES256));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("keys.json");
    let write = |key: &Key| std::fs::write(&path, json!({ "keys": [key.public()] }).to_string()).unwrap();
    write(&old);
    let settings =
        format!("issuer = \"{NAME}\"\naudience = \"{AUDIENCE}\"\njwks_file = \"{}\"", path.display());
    let site = Site::start(&settings).await;
    drop(site.get(&old.sign(&json!({})), LIST).await.expect(200));
    write(&new);
    drop(site.get(&new.sign(&json!({})), LIST).await.expect(200));
    drop(site.get(&old.sign(&json!({})), LIST).await.expect(401));
}
