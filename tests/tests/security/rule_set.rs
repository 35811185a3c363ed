//! H16: which rules made a result stands in it, and rules that are not what they say are not used.

use std::path::{Path, PathBuf};

use serde_json::Value;
use solewire_tests::service::{Service, Setup, serve_once};

use crate::access::site::exam;

fn shipped() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../profiles/guidelines/iwgdf-2023.json");
    std::fs::read_to_string(file).unwrap()
}

/// The shipped guideline under a version of the site.
fn of_the_site() -> String {
    let document: Value = serde_json::from_str(&shipped()).unwrap();
    let version = document["version"].as_str().unwrap();
    let text =
        shipped().replacen(&format!("\"version\": \"{version}\""), "\"version\": \"harbour-lane-1\"", 1);
    assert_ne!(text, shipped());
    text
}

fn put(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("guideline.json");
    std::fs::write(&path, text).unwrap();
    path
}

fn settings(folder: &Path) -> String {
    format!("[profiles]\ndir = \"{}\"\n", folder.display())
}

/// What a result says about the rules that made it.
async fn method(more: &str) -> String {
    let service = Service::start(Setup { more: more.to_owned(), ..Setup::default() }).await;
    let taken = service.client.post(&service.fhir_url, exam(1)).await.expect(200);
    let link = taken.header("link").unwrap();
    let address = link.split_once('<').unwrap().1.split_once('>').unwrap().0;
    service.client.get(address).await.expect(200).json()["method"]["text"].as_str().unwrap().to_owned()
}

fn hash(text: &str) -> String {
    use sha2::Digest as _;
    sha2::Sha256::digest(text).iter().map(|byte| format!("{byte:02x}")).collect()
}

#[tokio::test]
async fn h16_every_result_names_the_bytes_of_its_rules() {
    let told = method("").await;
    assert!(told.contains(&hash(&shipped())), "{told}");
    let folder = tempfile::tempdir().unwrap();
    let text = of_the_site();
    put(folder.path(), &text);
    let first = method(&settings(folder.path())).await;
    assert!(first.contains("harbour-lane-1") && first.contains(&hash(&text)), "{first}");
    // One byte of a word that no rule depends on.
    let altered = text.replacen("diabetes", "diabetez", 1);
    assert_ne!(altered, text);
    put(folder.path(), &altered);
    let second = method(&settings(folder.path())).await;
    assert!(second.contains(&hash(&altered)) && second != first, "{second}");
}

#[test]
fn h16_rules_that_are_not_what_they_say_keep_the_service_from_starting() {
    let folder = tempfile::tempdir().unwrap();
    let text = of_the_site();
    let cases = [
        // Other rules under the version of the shipped ones: results of both would look alike.
        ("another content under a shipped version", shipped().replacen("diabetes", "diabetez", 1)),
        ("a fact that nobody knows", text.replacen("\"active-problem\" }", "\"active-problen\" }", 1)),
        ("no source", text.replacen("\"source\": \"table-1\"", "\"source\": \"table-9\"", 1)),
        ("half of a file", text[..text.len() / 2].to_owned()),
    ];
    for (what, text) in cases {
        assert!(text != shipped() && text != of_the_site(), "{what}");
        put(folder.path(), &text);
        let ran = serve_once(&settings(folder.path()));
        assert_eq!(ran.code, Some(2), "{what}: {ran:?}");
        assert!(
            ran.err.contains("profiles.dir") && ran.err.contains("guideline.json"),
            "{what}: {}",
            ran.err
        );
    }
}
