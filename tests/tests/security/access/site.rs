//! A service in this process with a store of its own, and callers who show who they are.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use reqwest::Method;
use serde_json::Value;
use solewire_service::clock::Clock;
use solewire_service::config::Config;
use solewire_service::startup::{self, Running};
use solewire_tests::binaries;
use solewire_tests::client::{Answer, FHIR_JSON};
use solewire_tests::corpus::case;
use solewire_tests::process::{self, POLL, Ran};
use tokio::runtime::Runtime;

/// How long anything may take that takes no time on an idle machine.
pub(crate) const LIMIT: Duration = Duration::from_secs(60);
/// A port that nothing listens on: what is to be delivered stays in the queue.
const NOBODY: &str = "[record_system]\nbase_url = \"http://127.0.0.1:9/fhir\"\n";

/// Where the services run. A test that waits for a program beside its service stands still meanwhile, and a service on
/// the same thread would stand still with the store locked.
static SERVICES: LazyLock<Runtime> = LazyLock::new(|| Runtime::new().unwrap());

pub(crate) struct Site {
    folder: tempfile::TempDir,
    running: Option<Running>,
    scheme: &'static str,
}

impl Site {
    /// With these lines below `[access]`, on a fresh file.
    pub(crate) async fn start(access: &str) -> Site {
        Site::with("", access, None).await
    }

    /// With these lines below `[server]` as well, and perhaps a shared store.
    pub(crate) async fn with(server: &str, access: &str, store: Option<&str>) -> Site {
        let folder = tempfile::tempdir().unwrap();
        let file = format!("sqlite:{}", folder.path().join("solewire.db").display());
        let text = format!(
            "[server]\nlisten = \"127.0.0.1:0\"\noperations_listen = \"127.0.0.1:0\"\n{server}\n[access]\n{access}\n\
             [store]\nurl = \"{}\"\n{NOBODY}",
            store.unwrap_or(&file)
        );
        std::fs::write(folder.path().join("solewire.toml"), &text).unwrap();
        let config = Config::parse(&text, Path::new("the settings of the test"), []).unwrap();
        let start = || SERVICES.block_on(startup::start(config, Clock::system()));
        let running = tokio::task::spawn_blocking(start).await.unwrap().unwrap();
        let scheme = if server.contains("\ncertificate_file") { "https" } else { "http" };
        Site { folder, running: Some(running), scheme }
    }

    pub(crate) fn folder(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    /// Runs `solewire` beside the service, on its settings.
    pub(crate) fn solewire(&self, arguments: &[&str]) -> Ran {
        process::run(&binaries::solewire(), arguments, self.folder.path(), LIMIT)
    }

    /// Makes a token and waits until the service knows it. `arguments` are separated by spaces.
    pub(crate) async fn token(&self, arguments: &str) -> String {
        let token = self.made(arguments);
        self.until(&token, |status| status != 401).await;
        token
    }

    /// Makes a token.
    pub(crate) fn made(&self, arguments: &str) -> String {
        let mut all = vec!["token", "create", "--name", "a system"];
        all.extend(arguments.split(' '));
        let ran = self.solewire(&all);
        assert_eq!(ran.code, Some(0), "{ran:#?}");
        ran.out.trim().to_owned()
    }

    /// The ids of all tokens that hold, the oldest first.
    pub(crate) fn ids(&self) -> Vec<String> {
        let lines = self.solewire(&["token", "list"]).out;
        let holding = lines.lines().filter(|line| !line.contains("revoked"));
        holding.map(|line| line.split_once(' ').unwrap().0.to_owned()).collect()
    }

    /// Takes a token back.
    pub(crate) fn revoke(&self, id: &str) {
        assert_eq!(self.solewire(&["token", "revoke", id]).code, Some(0));
    }

    /// Waits until the service answers a token so.
    pub(crate) async fn until(&self, token: &str, fits: impl Fn(u16) -> bool) {
        let deadline = Instant::now() + LIMIT;
        while !fits(self.get(token, "/fhir/Observation?_count=0").await.status) {
            assert!(Instant::now() < deadline, "a token is not followed");
            tokio::time::sleep(POLL).await;
        }
    }

    /// An address of the FHIR listener. Certificates are for `localhost`.
    pub(crate) fn url(&self, path: &str) -> String {
        format!("{}://localhost:{}{path}", self.scheme, self.running.as_ref().unwrap().listen.port())
    }

    /// An address of the operators' listener.
    pub(crate) fn operations(&self, path: &str) -> String {
        format!("http://localhost:{}{path}", self.running.as_ref().unwrap().operations_listen.port())
    }

    pub(crate) async fn get(&self, token: &str, path: &str) -> Answer {
        ask(&reqwest::Client::new(), Method::GET, &self.url(path), token, &[], "").await
    }

    /// Hands an exam in.
    pub(crate) async fn post(&self, token: &str, exam: &str) -> Answer {
        self.post_with(token, &[], exam).await
    }

    pub(crate) async fn post_with(&self, token: &str, headers: &[(&str, &str)], exam: &str) -> Answer {
        ask(&reqwest::Client::new(), Method::POST, &self.url("/fhir"), token, headers, exam).await
    }

    pub(crate) async fn operate(&self, method: Method, token: &str, path: &str) -> Answer {
        ask(&reqwest::Client::new(), method, &self.operations(path), token, &[], "").await
    }

    pub(crate) async fn stop(mut self) {
        self.running.take().unwrap().stop().await;
    }
}

/// One request; without a token when it is empty.
pub(crate) async fn ask(
    client: &reqwest::Client,
    method: Method,
    url: &str,
    token: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Answer {
    asked(client, method, url, token, headers, body).await.unwrap_or_else(|error| panic!("{url}: {error:?}"))
}

/// The same, where there may be no answer.
pub(crate) async fn asked(
    client: &reqwest::Client,
    method: Method,
    url: &str,
    token: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> reqwest::Result<Answer> {
    let mut request = client.request(method, url).timeout(LIMIT);
    if !body.is_empty() {
        request = request.header("content-type", FHIR_JSON).body(body.to_owned());
    }
    if !token.is_empty() {
        request = request.bearer_auth(token);
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let response = request.send().await?;
    let (status, headers) = (response.status().as_u16(), response.headers().clone());
    Ok(Answer { status, headers, text: response.text().await? })
}

/// An exam of another person for each number.
pub(crate) fn exam(number: u32) -> String {
    let text = String::from_utf8(case("category-2").input).unwrap();
    text.replace("-0004", &format!("-{number:04}"))
}

/// The rule that an answer names.
pub(crate) fn rule(answer: &Answer) -> String {
    answer.json()["issue"][0]["details"]["coding"][0]["code"].as_str().unwrap_or_default().to_owned()
}

/// `Type/id` of every resource that was stored, and of the assessment.
pub(crate) fn stored(answer: &Answer) -> Vec<String> {
    let body = answer.json();
    let entries = body["entry"].as_array().unwrap();
    let places = entries.iter().filter_map(|entry| entry["response"]["location"].as_str());
    let mut stored: Vec<String> = places
        .map(|place| place.split_once("/fhir/").unwrap().1.split_once("/_history").unwrap().0.to_owned())
        .collect();
    stored.push(assessment(answer));
    stored
}

/// `RiskAssessment/id` of what was derived.
pub(crate) fn assessment(answer: &Answer) -> String {
    let link = answer.header("link").unwrap();
    let address = link.split_once('<').unwrap().1.split_once('>').unwrap().0;
    address.split_once("/fhir/").unwrap().1.to_owned()
}

/// What an answer shows: status, headers but those that differ each time, body.
pub(crate) fn shown(answer: &Answer) -> (u16, Vec<(String, String)>, Value) {
    let mut headers: Vec<(String, String)> = answer
        .headers
        .iter()
        .filter(|(name, _)| !matches!(name.as_str(), "x-request-id" | "date"))
        .map(|(name, value)| (name.to_string(), value.to_str().unwrap().to_owned()))
        .collect();
    headers.sort();
    (answer.status, headers, answer.json())
}
