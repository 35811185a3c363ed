//! H11, H12: who did what is kept, nobody changes it unseen, and what cannot be kept does not take place.

use std::path::PathBuf;

use reqwest::Method;
use serde_json::Value;
use sha2::Digest as _;
use solewire_tests::process;
use solewire_tests::{binaries, postgres};
use sqlx::{Connection as _, PgConnection, SqliteConnection};

use crate::access::site::{LIMIT, Site, ask, assessment, exam};

struct Audited {
    site: Site,
    operate: String,
    submit: String,
    read: String,
}

impl Audited {
    async fn start() -> Audited {
        let site = Site::start("").await;
        let submit = site.token("--right submit").await;
        let read = site.token("--right read").await;
        let operate = site.token("--right operate").await;
        Audited { site, operate, submit, read }
    }

    async fn events(&self, query: &str) -> Vec<Value> {
        let path = format!("/fhir/AuditEvent?_count=200{query}");
        let answer = self.site.operate(Method::GET, &self.operate, &path).await.expect(200);
        let entries = answer.json()["entry"].as_array().cloned().unwrap_or_default();
        entries.into_iter().map(|entry| entry["resource"].clone()).collect()
    }

    fn file(&self) -> PathBuf {
        self.site.folder().join("solewire.db")
    }

    /// What `audit check` says, and its exit status.
    fn check(&self) -> (Option<i32>, String) {
        let ran = self.site.solewire(&["audit", "check"]);
        (ran.code, ran.out)
    }

    /// Somebody with the file in hand, who also takes away what keeps the rows from being changed.
    async fn tampered(&self, statements: &[&str]) {
        let mut connection =
            SqliteConnection::connect(&format!("sqlite:{}", self.file().display())).await.unwrap();
        for statement in statements {
            sqlx::query(sqlx::AssertSqlSafe(*statement)).execute(&mut connection).await.unwrap();
        }
    }
}

fn words(events: &[Value]) -> Vec<&str> {
    events.iter().map(|event| event["subtype"][0]["code"].as_str().unwrap()).collect()
}

const UNLOCK: [&str; 2] = ["DROP TRIGGER audit_is_not_changed", "DROP TRIGGER audit_is_not_deleted"];

#[tokio::test]
async fn h12_what_was_done_to_an_exam_is_found_by_its_assessment() {
    let audited = Audited::start().await;
    let taken = audited.site.post(&audited.submit, &exam(41)).await.expect(200);
    let reference = assessment(&taken);
    drop(audited.site.get(&audited.read, &format!("/fhir/{reference}")).await.expect(200));
    assert_eq!(audited.site.get(&audited.submit, &format!("/fhir/{reference}")).await.status, 403);
    assert_eq!(audited.site.get("no-token-of-ours", "/fhir/Observation").await.status, 401);
    drop(audited.site.operate(Method::POST, &audited.operate, "/operations/deliveries/1/replay").await);

    let about = audited.events(&format!("&entity={reference}")).await;
    for word in ["accept", "derive", "read"] {
        assert!(words(&about).contains(&word), "{word}: {about:#?}");
    }
    let all = audited.events("").await;
    for word in ["accept", "derive", "read", "deny", "token-made"] {
        assert!(words(&all).contains(&word), "{word}: {:?}", words(&all));
    }
    let text = serde_json::to_string(&all).unwrap();
    for secret in ["HL-PERSON", "HL-EXAM", audited.read.as_str(), "no-token-of-ours"] {
        assert!(!text.contains(secret), "{secret}");
    }
    // Not on the listener of everybody else, and not without the right.
    assert_eq!(audited.site.get(&audited.read, "/fhir/AuditEvent").await.status, 404);
    let refused = audited.site.operate(Method::GET, &audited.read, "/fhir/AuditEvent").await;
    assert_eq!(refused.status, 403);
    let (code, said) = audited.check();
    assert_eq!(code, Some(0), "{said}");
    audited.site.stop().await;
}

#[tokio::test]
async fn h12_a_row_that_is_changed_removed_or_moved_breaks_the_chain() {
    let change = "UPDATE audit SET body = replace(body, '\"outcome\":', '\"outcome\": ') WHERE seq = 2";
    for (what, statements, fault) in [
        ("changed", vec![change], "fault at event 2: it was changed"),
        ("its time", vec!["UPDATE audit SET at = at + 1 WHERE seq = 3"], "fault at event 3: it was changed"),
        ("removed", vec!["DELETE FROM audit WHERE seq = 2"], "fault at event 2: it is missing"),
        (
            "moved",
            vec![
                "UPDATE audit SET seq = 1000 WHERE seq = 2",
                "UPDATE audit SET seq = 2 WHERE seq = 3",
                "UPDATE audit SET seq = 3 WHERE seq = 1000",
            ],
            "fault at event 2: it does not follow",
        ),
        (
            "cut off",
            vec!["DELETE FROM audit WHERE seq = (SELECT max(seq) FROM audit)"],
            "the end is not where it was noted",
        ),
    ] {
        let audited = Audited::start().await;
        drop(audited.site.post(&audited.submit, &exam(42)).await.expect(200));
        assert_eq!(audited.check().0, Some(0));
        audited.tampered(&UNLOCK).await;
        audited.tampered(&statements).await;
        let (code, said) = audited.check();
        assert_eq!(code, Some(1), "{what}: {said}");
        assert!(said.contains(fault), "{what}: {said}");
        audited.site.stop().await;
    }
}

#[tokio::test]
async fn h12_every_column_of_a_row_is_in_its_hash_and_so_is_the_hash_before_it() {
    let audited = Audited::start().await;
    drop(audited.site.post(&audited.submit, &exam(48)).await.expect(200));
    audited.tampered(&UNLOCK).await;
    for column in ["id", "clinic", "exam", "action", "body"] {
        audited.tampered(&[&format!("UPDATE audit SET {column} = {column} || 'x' WHERE seq = 2")]).await;
        let (code, said) = audited.check();
        assert!(code == Some(1) && said.contains("fault at event 2: it was changed"), "{column}: {said}");
        let back =
            format!("UPDATE audit SET {column} = substr({column}, 1, length({column}) - 1) WHERE seq = 2");
        audited.tampered(&[&back]).await;
        assert_eq!(audited.check().0, Some(0), "{column}");
    }
    // Somebody who knows how the hash is made, and gives a changed row a new one that the next row names, has that
    // row's hash against him, and so on to the end.
    let mut connection =
        SqliteConnection::connect(&format!("sqlite:{}", audited.file().display())).await.unwrap();
    let columns = "previous, CAST(seq AS TEXT), id, CAST(at AS TEXT), clinic, exam, action, body || ' '";
    let parts: String = sqlx::query_scalar(sqlx::AssertSqlSafe(format!(
        "SELECT concat_ws(char(10), {columns}, '') FROM audit WHERE seq = 2"
    )))
    .fetch_one(&mut connection)
    .await
    .unwrap();
    connection.close().await.unwrap();
    let hash: String = sha2::Sha256::digest(parts).iter().map(|byte| format!("{byte:02x}")).collect();
    let forged = format!("UPDATE audit SET body = body || ' ', hash = '{hash}' WHERE seq = 2");
    audited.tampered(&[&forged]).await;
    let (code, said) = audited.check();
    assert!(code == Some(1) && said.contains("fault at event 3: it does not follow"), "{said}");
    audited.tampered(&[&format!("UPDATE audit SET previous = '{hash}' WHERE seq = 3")]).await;
    let (code, said) = audited.check();
    assert!(code == Some(1) && said.contains("fault at event 3: it was changed"), "{said}");
    audited.site.stop().await;
}

#[tokio::test]
async fn h12_the_store_refuses_to_change_or_remove_an_event() {
    let audited = Audited::start().await;
    let mut connection =
        SqliteConnection::connect(&format!("sqlite:{}", audited.file().display())).await.unwrap();
    for statement in ["UPDATE audit SET at = 0", "DELETE FROM audit"] {
        let refused = sqlx::query(statement).execute(&mut connection).await.unwrap_err().to_string();
        assert!(refused.contains("only added to"), "{refused}");
    }
    audited.site.stop().await;
}

#[tokio::test]
async fn h12_what_cannot_be_audited_does_not_take_place() {
    let audited = Audited::start().await;
    let taken = audited.site.post(&audited.submit, &exam(43)).await.expect(200);
    let place = format!("/fhir/{}", assessment(&taken));
    let block = "CREATE TRIGGER no_more BEFORE INSERT ON audit BEGIN SELECT RAISE(ABORT, 'no more'); END";
    audited.tampered(&[block]).await;
    assert!(audited.site.get(&audited.read, &place).await.status >= 500);
    assert!(audited.site.get(&audited.read, "/fhir/RiskAssessment").await.status >= 500);
    assert!(audited.site.post(&audited.submit, &exam(44)).await.status >= 500);
    audited.tampered(&["DROP TRIGGER no_more"]).await;
    let found = audited.site.get(&audited.read, "/fhir/RiskAssessment").await.expect(200).json();
    assert_eq!(found["total"], 1, "the exam that could not be audited was not stored");
    audited.site.stop().await;
}

#[tokio::test]
async fn h12_postgresql_refuses_to_change_or_remove_an_event_and_what_it_cannot_audit_does_not_take_place() {
    let Some(store) = postgres::fresh_database("an audit that cannot be written").await else { return };
    let site = Site::with("", "", Some(&store)).await;
    let token = site.token("--right submit --right read").await;
    let taken = site.post(&token, &exam(46)).await.expect(200);
    let place = format!("/fhir/{}", assessment(&taken));
    let mut connection = PgConnection::connect(&store).await.unwrap();
    for statement in ["UPDATE audit SET at = 0", "DELETE FROM audit", "TRUNCATE audit"] {
        let refused = sqlx::query(statement).execute(&mut connection).await.unwrap_err().to_string();
        assert!(refused.contains("only added to"), "{statement}: {refused}");
    }
    for statement in [
        "CREATE FUNCTION no_more() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'no more'; END $$",
        "CREATE TRIGGER no_more BEFORE INSERT ON audit FOR EACH ROW EXECUTE FUNCTION no_more()",
    ] {
        sqlx::query(statement).execute(&mut connection).await.unwrap();
    }
    assert!(site.get(&token, &place).await.status >= 500);
    assert!(site.get(&token, "/fhir/RiskAssessment").await.status >= 500);
    assert!(site.post(&token, &exam(47)).await.status >= 500);
    sqlx::query("DROP TRIGGER no_more ON audit").execute(&mut connection).await.unwrap();
    let found = site.get(&token, "/fhir/RiskAssessment").await.expect(200).json();
    assert_eq!(found["total"], 1, "the exam that could not be audited was not stored");
    assert_eq!(site.solewire(&["audit", "check"]).code, Some(0));
    site.stop().await;
}

#[tokio::test]
async fn h12_a_store_that_cannot_be_read_ends_the_check_as_such_and_not_as_a_broken_chain() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("garbage.db"), "This is no store of anything. ".repeat(300)).unwrap();
    for (what, url) in [
        ("damaged", "sqlite:garbage.db"),
        ("absent", "sqlite:absent.db"),
        ("away", "postgres://solewire@127.0.0.1:9/solewire"),
    ] {
        let settings = format!("[store]\nurl = \"{url}\"\n[access]\nmode = \"open\"\n");
        std::fs::write(folder.path().join("solewire.toml"), settings).unwrap();
        let ran = process::run(&binaries::solewire(), &["audit", "check"], folder.path(), LIMIT);
        assert_eq!(ran.code, Some(2), "{what}: {ran:#?}");
        assert!(ran.err.starts_with("solewire: the store ") && ran.out.is_empty(), "{what}: {ran:#?}");
    }
    assert!(!folder.path().join("absent.db").exists(), "a check makes no store");
}

#[tokio::test]
async fn s01_an_operator_of_one_clinic_finds_the_audit_of_its_own_alone() {
    let site = Site::start("").await;
    let mut of = Vec::new();
    for (number, clinic) in [(51, "north"), (52, "south")] {
        let submit = site.token(&format!("--right submit --clinic {clinic}")).await;
        let operate = site.token(&format!("--right operate --clinic {clinic}")).await;
        of.push((assessment(&site.post(&submit, &exam(number)).await.expect(200)), operate));
    }
    let search = async |operate: &str, query: &str| {
        let path = format!("/fhir/AuditEvent?_count=200{query}");
        site.operate(Method::GET, operate, &path).await.expect(200)
    };
    for (own, other) in [(0, 1), (1, 0)] {
        let ((mine, operate), (theirs, their_operate)) = (&of[own], &of[other]);
        assert!(words(&search(operate, &format!("&entity={mine}")).await.resources()).contains(&"accept"));
        let hidden = search(operate, &format!("&entity={theirs}")).await.json();
        assert_eq!((&hidden["total"], hidden.get("entry")), (&Value::from(0), None));
        assert!(!search(operate, "").await.text.contains(theirs));
        let found = search(their_operate, &format!("&entity={theirs}")).await.resources();
        let id = found[0]["id"].as_str().unwrap();
        let by_id = search(operate, &format!("&_id={id}")).await.json();
        assert_eq!(by_id["total"], 0);
        let place = format!("/fhir/AuditEvent/{id}");
        assert_eq!(site.operate(Method::GET, operate, &place).await.status, 404);
        assert_eq!(site.operate(Method::GET, their_operate, &place).await.status, 200);
    }
    site.stop().await;
}

#[tokio::test]
async fn h12_processes_that_share_a_store_keep_one_chain_under_exams_that_come_at_once() {
    const EACH: u32 = 8;
    let Some(store) = postgres::fresh_database("an audit that three processes add to").await else { return };
    let mut sites = Vec::new();
    for _ in 0..3 {
        sites.push(Site::with("", "", Some(&store)).await);
    }
    let token = sites[0].made("--right submit --right operate");
    for site in &sites {
        site.until(&token, |status| status != 401).await;
    }
    // One for all: making one takes long enough on a busy machine for a connection to be given up.
    let client = reqwest::Client::new();
    let mut posts = tokio::task::JoinSet::new();
    let sent = (0..).zip(&sites).flat_map(|(of, site)| (0..EACH).map(move |number| (of, site, number)));
    for (of, site, number) in sent {
        let (client, url, token) = (client.clone(), site.url("/fhir"), token.clone());
        let exam = exam(1000 + of * EACH + number);
        posts.spawn(async move { ask(&client, Method::POST, &url, &token, &[], &exam).await.status });
    }
    assert!(posts.join_all().await.into_iter().all(|status| status == 200));
    let found =
        sites[1].operate(Method::GET, &token, "/fhir/AuditEvent?_count=200").await.expect(200).resources();
    let accepted = words(&found).iter().filter(|word| **word == "accept").count();
    assert_eq!(accepted, 24);
    let ran = sites[2].solewire(&["audit", "check"]);
    assert!(ran.code == Some(0) && ran.out.contains("\nwhole\n"), "{ran:#?}");
    for site in sites {
        site.stop().await;
    }
}

#[cfg(unix)]
#[tokio::test]
async fn h11_only_its_owner_can_open_the_store_and_its_copies() {
    use std::os::unix::fs::PermissionsExt as _;
    let audited = Audited::start().await;
    drop(audited.site.post(&audited.submit, &exam(45)).await.expect(200));
    assert_eq!(audited.site.solewire(&["store", "backup", "--to", "copy.db"]).code, Some(0));
    for name in ["solewire.db", "solewire.db-wal", "solewire.db-shm", "copy.db"] {
        let mode = std::fs::metadata(audited.site.folder().join(name)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
    audited.site.stop().await;
}
