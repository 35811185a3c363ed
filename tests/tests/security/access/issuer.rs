//! An issuer of tokens with a JWKS route. It signs whatever a test wants signed.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use jiff::Timestamp;
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;

pub(crate) const AUDIENCE: &str = "https://harbourlane.example/feet";
pub(crate) const NAME: &str = "https://harbourlane.example/login";

/// A key pair with its id.
#[derive(Clone)]
pub(crate) struct Key {
    pub(crate) id: String,
    pub(crate) algorithm: Algorithm,
    pub(crate) private: EncodingKey,
}

impl Key {
    /// A new key for an algorithm.
    pub(crate) fn new(id: &str, algorithm: Algorithm) -> Key {
        let (pair, elliptic) = match algorithm {
            Algorithm::ES256 => (rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P256_SHA256), true),
            Algorithm::ES384 => (rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P384_SHA384), true),
            _ => (rcgen::KeyPair::generate_rsa_for(&rcgen::PKCS_RSA_SHA256, rcgen::RsaKeySize::_2048), false),
        };
        let pem = pair.unwrap().serialize_pem();
        let read = if elliptic { EncodingKey::from_ec_pem } else { EncodingKey::from_rsa_pem };
        Key { id: id.to_owned(), algorithm, private: read(pem.as_bytes()).unwrap() }
    }

    /// Its public half, without `alg`.
    pub(crate) fn public(&self) -> Value {
        let mut jwk =
            serde_json::to_value(Jwk::from_encoding_key(&self.private, self.algorithm).unwrap()).unwrap();
        let members = jwk.as_object_mut().unwrap();
        members.shift_remove("alg");
        members.insert("kid".to_owned(), json!(self.id));
        members.insert("use".to_owned(), json!("sig"));
        jwk
    }

    pub(crate) fn header(&self) -> Header {
        Header { kid: Some(self.id.clone()), ..Header::new(self.algorithm) }
    }

    /// A token with these claims in the place of the usual ones; a null leaves a claim out.
    pub(crate) fn sign(&self, claims: &Value) -> String {
        jsonwebtoken::encode(&self.header(), &with_usual(claims), &self.private).unwrap()
    }
}

/// The usual claims of a system that may hand in and read, changed so.
pub(crate) fn with_usual(claims: &Value) -> Value {
    let now = Timestamp::now().as_second();
    let mut usual = json!({
        "iss": NAME, "aud": AUDIENCE, "sub": "ward-system", "client_id": "ward-system",
        "scope": "system/*.cruds", "iat": now, "nbf": now - 5, "exp": now + 300
    });
    let members = usual.as_object_mut().unwrap();
    for (name, value) in claims.as_object().unwrap() {
        match value {
            Value::Null => drop(members.shift_remove(name)),
            other => drop(members.insert(name.clone(), other.clone())),
        }
    }
    usual
}

/// The route at which the keys are.
pub(crate) struct KeyRoute {
    url: String,
    body: Arc<Mutex<Option<String>>>,
    requests: Arc<AtomicUsize>,
    task: tokio::task::JoinHandle<()>,
}

impl KeyRoute {
    pub(crate) async fn start(keys: &[&Key]) -> KeyRoute {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/jwks.json", listener.local_addr().unwrap());
        let (body, requests) = (Arc::new(Mutex::new(None)), Arc::new(AtomicUsize::new(0)));
        let (current, count) = (Arc::clone(&body), Arc::clone(&requests));
        let task = tokio::spawn(async move {
            while let Ok((mut stream, _)) = listener.accept().await {
                count.fetch_add(1, Ordering::SeqCst);
                let answer: Option<String> = current.lock().unwrap().clone();
                tokio::spawn(async move {
                    let mut request = [0_u8; 4096];
                    drop(stream.read(&mut request).await);
                    let (status, body) = match answer {
                        Some(body) => ("200 OK", body),
                        None => ("503 Service Unavailable", String::new()),
                    };
                    let head = format!(
                        "HTTP/1.1 {status}\r\ncontent-type: application/jwk-set+json\r\ncontent-length: {}\r\n\
                         connection: close\r\n\r\n",
                        body.len()
                    );
                    drop(stream.write_all(format!("{head}{body}").as_bytes()).await);
                });
            }
        });
        let route = KeyRoute { url, body, requests, task };
        route.shows(keys);
        route
    }

    /// Publishes these keys, and one of a kind that nobody knows.
    pub(crate) fn shows(&self, keys: &[&Key]) {
        let mut all: Vec<Value> = keys.iter().map(|key| key.public()).collect();
        all.push(json!({ "kty": "none-of-these", "kid": "strange" }));
        *self.body.lock().unwrap() = Some(json!({ "keys": all }).to_string());
    }

    /// Publishes this text.
    pub(crate) fn shows_text(&self, text: &str) {
        *self.body.lock().unwrap() = Some(text.to_owned());
    }

    /// Answers nothing but errors.
    pub(crate) fn fails(&self) {
        *self.body.lock().unwrap() = None;
    }

    pub(crate) fn requests(&self) -> usize {
        self.requests.load(Ordering::SeqCst)
    }

    /// The settings of a service that trusts this issuer.
    pub(crate) fn settings(&self) -> String {
        format!("issuer = \"{NAME}\"\naudience = \"{AUDIENCE}\"\njwks_url = \"{}\"\n", self.url)
    }
}

impl Drop for KeyRoute {
    fn drop(&mut self) {
        self.task.abort();
    }
}
