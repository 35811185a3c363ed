//! Tokens of the store: made, honoured, taken back, and known to nobody but their holder.

use std::process::Command;
use std::time::{Duration, Instant};

use reqwest::Method;
use solewire_tests::process::{self, POLL};
use solewire_tests::{binaries, postgres};

use super::site::{LIMIT, Site, ask, asked, exam, rule};

#[tokio::test]
async fn s02_a_fresh_service_lets_nobody_in_and_a_new_token_within_seconds() {
    let site = Site::start("").await;
    for token in ["", "solewire", "admin", &"0".repeat(64)] {
        let refused = site.get(token, "/fhir/Observation").await.expect(401);
        assert_eq!(rule(&refused), "http-login");
        assert!(refused.header("www-authenticate").unwrap().starts_with("Bearer realm"));
    }
    let token = site.made("--right read");
    let made = Instant::now();
    site.until(&token, |status| status == 200).await;
    let known = made.elapsed();
    site.revoke(&site.ids()[0]);
    let revoked = Instant::now();
    site.until(&token, |status| status == 401).await;
    let forgotten = revoked.elapsed();
    assert!(known.max(forgotten) < Duration::from_secs(5), "{known:?} {forgotten:?}");
}

#[tokio::test]
async fn s02_a_token_ends_and_its_session_at_a_page_ends_with_it() {
    let site = Site::start("").await;
    let token = site.token("--right read --expires-in-days 1").await;
    let client = reqwest::Client::new();
    let page = [("x-solewire-page", "1")];
    let body = format!("{{\"token\": \"{token}\"}}");
    let opened = ask(&client, Method::POST, &site.url("/pages/session"), "", &page, &body).await.expect(200);
    let cookie = opened.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
    let session = [("cookie", cookie.as_str())];
    let list = site.url("/fhir/Observation?_count=0");
    drop(ask(&client, Method::GET, &list, "", &session, "").await.expect(200));
    site.revoke(&site.ids()[0]);
    site.until(&token, |status| status == 401).await;
    drop(ask(&client, Method::GET, &list, "", &session, "").await.expect(401));
    // It stands in the list with its end, and cannot be taken back twice as if it were new.
    let listed = site.solewire(&["token", "list"]).out;
    assert!(listed.contains("revoked") && listed.contains("read"), "{listed}");
    assert_eq!(site.solewire(&["token", "revoke", "000000000000"]).code, Some(2));
}

#[tokio::test]
async fn s02_every_process_of_a_shared_store_follows_tokens() {
    let Some(store) = postgres::fresh_database("tokens of a store that two processes share").await else {
        return;
    };
    let (first, second) = (Site::with("", "", Some(&store)).await, Site::with("", "", Some(&store)).await);
    let token = first.made("--right submit --right read");
    for site in [&first, &second] {
        site.until(&token, |status| status == 200).await;
    }
    drop(second.post(&token, &exam(1)).await.expect(200));
    second.revoke(&second.ids()[0]);
    for site in [&first, &second] {
        site.until(&token, |status| status == 401).await;
    }
}

#[tokio::test]
async fn h09_a_token_is_kept_nowhere_but_with_its_holder() {
    let site = Site::start("").await;
    let token = site.token("--right submit --right read --clinic north --device lab-2").await;
    drop(site.post(&token, &exam(1)).await.expect(200));
    let listed = site.solewire(&["token", "list"]);
    assert!(listed.out.contains("clinic north") && listed.out.contains("device lab-2"), "{listed:?}");
    let secret = token.strip_prefix("solewire_").unwrap().to_owned();
    assert_eq!(secret.len(), 64);
    assert!(!listed.out.contains(&secret) && !listed.err.contains(&secret));
    let folder = site.folder();
    let mut files = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        let found = bytes.windows(secret.len()).any(|window| window == secret.as_bytes());
        assert!(!found, "a file of the store holds a token");
        files += 1;
    }
    assert!(files >= 3, "settings, store and its log");
    site.stop().await;
}

#[tokio::test]
async fn h09_no_token_is_logged_even_at_the_most_verbose_level() {
    let folder = tempfile::tempdir().unwrap();
    let ports: Vec<u16> = {
        // Both are held until both are known, so they differ.
        let held = [0, 1].map(|_| std::net::TcpListener::bind("127.0.0.1:0").unwrap());
        held.iter().map(|listener| listener.local_addr().unwrap().port()).collect()
    };
    let settings = format!(
        "[server]\nlisten = \"127.0.0.1:{}\"\noperations_listen = \"127.0.0.1:{}\"\n[log]\nfilter = \"trace\"\n",
        ports[0], ports[1]
    );
    std::fs::write(folder.path().join("solewire.toml"), settings).unwrap();
    let arguments = ["token", "create", "--name", "ward", "--right", "read", "--right", "submit"];
    let token = process::run(&binaries::solewire(), &arguments, folder.path(), LIMIT).out.trim().to_owned();
    let log = std::fs::File::create(folder.path().join("log")).unwrap();
    let mut service = Command::new(binaries::solewire())
        .arg("serve")
        .current_dir(folder.path())
        .stdout(log.try_clone().unwrap())
        .stderr(log)
        .spawn()
        .unwrap();
    let at = |path: &str| format!("http://127.0.0.1:{}{path}", ports[0]);
    let (client, deadline) = (reqwest::Client::new(), Instant::now() + LIMIT);
    let list = at("/fhir/Observation?_count=0");
    while asked(&client, Method::GET, &list, &token, &[], "").await.map_or(0, |answer| answer.status) != 200 {
        assert!(Instant::now() < deadline, "the service does not answer");
        tokio::time::sleep(POLL).await;
    }
    let secret = token.strip_prefix("solewire_").unwrap();
    let wrong = secret.chars().rev().collect::<String>();
    for presented in [wrong.clone(), format!("{wrong}.{wrong}.{wrong}")] {
        drop(ask(&client, Method::GET, &list, &presented, &[], "").await.expect(401));
    }
    let basic = format!("Basic {wrong}");
    drop(ask(&client, Method::GET, &list, "", &[("authorization", &basic)], "").await.expect(401));
    let page = [("x-solewire-page", "1")];
    for (presented, status) in [(token.as_str(), 200), (wrong.as_str(), 401)] {
        let body = format!("{{\"token\": \"{presented}\"}}");
        drop(ask(&client, Method::POST, &at("/pages/session"), "", &page, &body).await.expect(status));
    }
    let query = at(&format!("/fhir/Observation?access_token={secret}"));
    drop(ask(&client, Method::GET, &query, "", &[], "").await.expect(401));
    service.kill().unwrap();
    service.wait().unwrap();
    let log = std::fs::read_to_string(folder.path().join("log")).unwrap();
    assert!(log.contains("TRACE") && log.contains("answered"), "nothing is logged: {log}");
    assert!(!log.contains(secret) && !log.contains(&wrong), "a token is logged");
}
