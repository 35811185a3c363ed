//! Settings that would leave a door open are refused, and answers tell no more than they have to.

use reqwest::Method;
use solewire_tests::service::serve_once;

use super::site::{Site, ask};

#[test]
fn s08_a_setting_that_leaves_a_door_open_keeps_the_service_from_starting() {
    let hash = "a".repeat(64);
    let issuer = "[access]\nissuer = \"https://harbourlane.example/\"\naudience = \"feet\"\n";
    let keys = "jwks_file = \"keys.json\"\n";
    let table = [
        ("[access]\nmode = \"open\"\n[server]\nlisten = \"0.0.0.0:0\"".to_owned(), "`access.mode`"),
        ("[access]\nmode = \"open\"\n[server]\noperations_listen = \"[::]:0\"".to_owned(), "`access.mode`"),
        ("[access]\nmode = \"none\"".to_owned(), "`access.mode`"),
        ("[access]\ntoken = \"x\"".to_owned(), "`access.token`"),
        ("[access]\ntokens = [\"secret submit\"]".to_owned(), "not a SHA-256"),
        (format!("[access]\ntokens = [\"{hash} everything\"]"), "no right"),
        (format!("[access]\ntokens = [\"{hash} read clinic=\"]"), "names a clinic"),
        (format!("[access]\ntokens = [\"{hash} read clinic=a clinic=b\"]"), "no right"),
        (format!("[access]\ntokens = [\"{hash} read device=a/b\"]"), "names a device"),
        (format!("[access]\ncertificates = [\"{hash} read\"]"), "`server.client_ca_file`"),
        ("[access]\nrequests_per_minute = -1".to_owned(), "`access.requests_per_minute`"),
        ("[access]\nissuer = \"https://harbourlane.example/\"".to_owned(), "`access.audience`"),
        ("[access]\nclinic_claim = \"clinic\"".to_owned(), "`access.issuer`"),
        (issuer.to_owned(), "`access.jwks_url`"),
        (format!("{issuer}{keys}jwks_url = \"https://harbourlane.example/k\""), "both set"),
        (format!("{issuer}jwks_url = \"http://harbourlane.example/k\""), "plain http"),
        (format!("{issuer}jwks_url = \"https://u:p@harbourlane.example/k\""), "credentials"),
        (format!("{issuer}{keys}algorithms = [\"none\"]"), "`access.algorithms`"),
        (format!("{issuer}{keys}algorithms = [\"HS256\"]"), "`access.algorithms`"),
        (format!("{issuer}{keys}leeway_seconds = 86400"), "`access.leeway_seconds`"),
        ("[server]\ncertificate_file = \"a.pem\"".to_owned(), "`server.key_file`"),
        ("[server]\nclient_ca_file = \"a.pem\"".to_owned(), "plain HTTP"),
        (
            "[server]\nlisten = \"127.0.0.1:0\"\noperations_listen = \"127.0.0.1:0\"\ncertificate_file = \"a.pem\"\n\
             key_file = \"a.pem\""
                .to_owned(),
            "`server.certificate_file`",
        ),
    ];
    for (settings, said) in table {
        let ran = serve_once(&settings);
        assert_eq!(ran.code, Some(2), "{settings}: {ran:?}");
        assert!(ran.err.contains(said) && ran.err.lines().count() == 1, "{settings}: {}", ran.err);
        assert!(!ran.err.contains("secret") && !ran.err.contains("u:p"), "{}", ran.err);
    }
}

#[tokio::test]
async fn s08_answers_name_no_program_allow_no_other_site_and_show_no_inside() {
    let site = Site::start("").await;
    let token = site.token("--right submit --right read --right operate").await;
    let client = reqwest::Client::new();
    let origin = [("origin", "https://elsewhere.harbourlane.example")];
    let paths = [
        "/",
        "/fhir/metadata",
        "/fhir/Observation",
        "/fhir/Observation/1",
        "/fhir/Observation?date=soon",
        "/openapi.yaml",
        "/pages/session",
        "/health/ready",
        "/.well-known/jwks.json",
    ];
    for path in paths {
        for token in [token.as_str(), ""] {
            for method in [Method::GET, Method::OPTIONS] {
                let answer = ask(&client, method, &site.url(path), token, &origin, "").await;
                for name in answer.headers.keys() {
                    let name = name.as_str();
                    let told = matches!(name, "server" | "x-powered-by" | "via");
                    assert!(!told && !name.starts_with("access-control-"), "{path} carries {name}");
                }
                for word in ["panicked", "stack backtrace", "src/", ".rs:", "sqlx", "actix"] {
                    assert!(
                        path == "/" || !answer.text.contains(word),
                        "{path} tells {word}: {}",
                        answer.text
                    );
                }
            }
        }
    }
    for path in [
        "/debug",
        "/debug/pprof",
        "/env",
        "/config",
        "/.git/config",
        "/admin",
        "/trace",
        "/operations/deliveries",
    ] {
        drop(ask(&client, Method::GET, &site.url(path), &token, &[], "").await.expect(404));
    }
    drop(ask(&client, Method::TRACE, &site.url("/fhir/Observation/1"), &token, &[], "").await.expect(405));
}
