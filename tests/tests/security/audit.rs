//! H11, H12: who did what is kept, nobody changes it unseen, and what cannot be kept does not take place.

use std::path::PathBuf;

use reqwest::Method;
use serde_json::Value;
use sqlx::{Connection as _, SqliteConnection};

use crate::access::site::{Site, assessment, exam};

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
