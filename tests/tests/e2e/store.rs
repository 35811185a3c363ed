//! The store when something is wrong with it: short of space, read-only, damaged; copied, checked and put back.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use solewire_tests::binaries;
use solewire_tests::corpus::{Case, case};
use solewire_tests::left_out;
use solewire_tests::process::{self, POLL, Ran};
use solewire_tests::service::{Service, Setup};
use sqlx::{Connection as _, SqliteConnection};

use super::{LIMIT, assert_once, records_for, submit};

/// A service on a SQLite file, whatever store the rest of the run is for.
fn on_a_file(record_system: Option<&str>, more: &str) -> Setup {
    Setup {
        record_system: record_system.map(str::to_owned),
        more: more.to_owned(),
        store: Some("sqlite:solewire.db".to_owned()),
        ..Setup::default()
    }
}

fn solewire(arguments: &[&str], folder: &Path) -> Ran {
    process::run(&binaries::solewire(), arguments, folder, Duration::from_secs(60))
}

/// The exam of a case under another identifier.
fn renamed(case: &Case, name: &str) -> Vec<u8> {
    let mut document = case.json();
    document["entry"][0]["resource"]["identifier"][0]["value"] = name.into();
    document.to_string().into_bytes()
}

#[tokio::test]
async fn f20_below_the_reserve_exams_are_refused_for_now_and_everything_else_goes_on() {
    let case = case("category-2");
    let mut records = records_for(&case.json());
    records.go_down();
    let mut service = Service::start(on_a_file(Some(records.base_url()), "")).await;
    submit(&service, &case).await;
    service.kill();
    service.set_more("[store]\nreserve_mib = 1000000000\n");
    service.restart_not_ready().await;
    let refused = service.client.post(&service.fhir_url, renamed(&case, "HL-SHORT-1")).await.expect(503);
    assert!(refused.header("retry-after").is_some());
    assert_eq!(refused.json()["issue"][0]["details"]["coding"][0]["code"], "http-store");
    let ready = service.client.get(&format!("{}/health/ready", service.operations_url)).await;
    assert_eq!(ready.status, 503);
    assert_eq!(service.client.get(&service.url("RiskAssessment")).await.expect(200).resources().len(), 1);
    records.come_back().unwrap();
    service.delivered(1, LIMIT).await;
    assert_once(&records, "RiskAssessment", 1);
}

#[tokio::test]
async fn a_copy_made_while_exams_come_in_is_sound_and_can_be_put_in_place() {
    let case = case("category-2");
    let mut records = records_for(&case.json());
    records.go_down();
    let mut service = Service::start(on_a_file(Some(records.base_url()), "")).await;
    submit(&service, &case).await;
    let folder = service.folder();
    let posting = async {
        for number in 0..20 {
            let answer = service.client.post(&service.fhir_url, renamed(&case, &format!("HL-COPY-{number}")));
            assert_eq!(answer.await.status, 200);
        }
    };
    let copying = tokio::task::spawn_blocking({
        let folder = folder.clone();
        move || solewire(&["store", "backup", "--to", "copy.db"], &folder)
    });
    let ((), copied) = tokio::join!(posting, copying);
    let copied = copied.unwrap();
    assert_eq!(copied.code, Some(0), "{copied:?}");
    assert_eq!(solewire(&["store", "check"], &folder).code, Some(0));
    let again = solewire(&["store", "backup", "--to", "copy.db"], &folder);
    assert!(again.code == Some(2) && again.err.contains("copy.db exists"), "{again:?}");

    service.kill();
    for name in ["solewire.db", "solewire.db-wal", "solewire.db-shm"] {
        let path = folder.join(name);
        assert!(std::fs::remove_file(&path).is_ok() || !path.exists());
    }
    std::fs::rename(folder.join("copy.db"), folder.join("solewire.db")).unwrap();
    records.come_back().unwrap();
    service.restart().await;
    service.delivered(1, LIMIT).await;
    // Whatever came after the copy is sent in again by its sender, and is there once.
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    assert_once(&records, "RiskAssessment", 1);
    let ran = solewire(&["store", "check"], &folder);
    assert!(ran.code == Some(0) && ran.out.contains("received = "), "{ran:?}");
}

#[tokio::test]
async fn a_store_that_lost_a_delivery_does_not_pass_its_check() {
    let case = case("category-2");
    let records = records_for(&case.json());
    let mut service = Service::start(on_a_file(Some(records.base_url()), "")).await;
    submit(&service, &case).await;
    service.delivered(1, LIMIT).await;
    service.kill();
    let path = service.folder().join("solewire.db");
    let mut connection = SqliteConnection::connect(&format!("sqlite:{}", path.display())).await.unwrap();
    for lost in ["DELETE FROM attempts", "DELETE FROM messages", "DELETE FROM outbox"] {
        sqlx::query(lost).execute(&mut connection).await.unwrap();
    }
    connection.close().await.unwrap();
    let ran = solewire(&["store", "check"], &service.folder());
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(
        ran.out.contains("fault: 1 exams were queued") && ran.out.contains("1 received is not"),
        "{ran:?}"
    );
}

#[tokio::test]
async fn f21_a_damaged_file_is_refused_by_name_and_left_as_it_is() {
    let case = case("category-2");
    let mut service = Service::start(on_a_file(None, "")).await;
    submit(&service, &case).await;
    let folder = service.folder();
    assert_eq!(solewire(&["store", "backup", "--to", "copy.db"], &folder).code, Some(0));
    service.kill();
    // Everything into the file itself, then noise over pages in its middle.
    assert_eq!(solewire(&["store", "check"], &folder).code, Some(0));
    let path = folder.join("solewire.db");
    let mut connection = SqliteConnection::connect(&format!("sqlite:{}", path.display())).await.unwrap();
    sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    let mut bytes = std::fs::read(&path).unwrap();
    let middle = bytes.len() / 2 / 4096 * 4096;
    bytes[middle..middle + 4096].iter_mut().zip((0..=255_u8).cycle()).for_each(|(byte, noise)| *byte = noise);
    std::fs::write(&path, &bytes).unwrap();
    let refused = solewire(&["serve"], &folder);
    assert_eq!(refused.code, Some(2), "{refused:?}");
    for part in ["solewire.db", "damaged", "solewire store check", "solewire store backup"] {
        assert!(refused.err.contains(part), "{part}: {refused:?}");
    }
    let checked = solewire(&["store", "check"], &folder);
    assert!(matches!(checked.code, Some(1 | 2)), "{checked:?}");
    assert_eq!(std::fs::read(&path).unwrap(), bytes, "it is not touched");
    std::fs::rename(folder.join("copy.db"), &path).unwrap();
    service.restart().await;
    assert_eq!(service.client.get(&service.url("RiskAssessment")).await.expect(200).resources().len(), 1);
}

#[tokio::test]
async fn postgresql_is_checked_here_and_copied_with_its_own_tools() {
    let Some(store) = solewire_tests::postgres::fresh_database("the check of a store").await else { return };
    let case = case("category-2");
    let setup = Setup { store: Some(store), ..Setup::default() };
    let service = Service::start(setup).await;
    submit(&service, &case).await;
    let checked = solewire(&["store", "check"], &service.folder());
    assert!(checked.code == Some(0) && checked.out.contains("pg_amcheck"), "{checked:?}");
    let refused = solewire(&["store", "backup", "--to", "copy.db"], &service.folder());
    assert!(refused.code == Some(2) && refused.err.contains("pg_dump"), "{refused:?}");
}

/// A disk of its own in memory. Taken away when dropped.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// None when this user may not make one.
    fn new(folder: &Path, size: &str) -> Option<SmallDisk> {
        let options = format!("size={size}");
        let mounted =
            Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs"]).arg(folder).output();
        mounted.is_ok_and(|output| output.status.success()).then(|| SmallDisk(folder.to_owned()))
    }

    fn remount(&self, option: &str) {
        let option = format!("remount,{option}");
        let done = Command::new("mount").args(["-o", &option]).arg(&self.0).status().unwrap();
        assert!(done.success(), "{option}");
    }

    /// Fills it to the last byte.
    fn fill(&self) {
        use std::io::Write as _;
        let mut ballast = std::fs::File::create(self.0.join("ballast")).unwrap();
        for size in [1 << 20, 4096, 1] {
            while ballast.write_all(&vec![0; size]).is_ok() {}
        }
    }

    fn make_room(&self) {
        std::fs::remove_file(self.0.join("ballast")).unwrap();
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("--lazy").arg(&self.0).status());
    }
}

#[tokio::test]
async fn a_full_or_read_only_disk_refuses_loses_nothing_and_recovers() {
    let folder = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::new(folder.path(), "64m") else {
        left_out("the full and the read-only disk, because this user cannot mount a small one");
        return;
    };
    let case = case("category-2");
    let mut records = records_for(&case.json());
    records.go_down();
    let store = format!("sqlite:{}", folder.path().join("solewire.db").display());
    let setup = Setup {
        record_system: Some(records.base_url().to_owned()),
        more: "[store]\nreserve_mib = 0\n".to_owned(),
        store: Some(store),
        ..Setup::default()
    };
    let mut service = Service::start(setup).await;
    let mut acknowledged = 0;
    for number in 0..3 {
        let answer =
            service.client.post(&service.fhir_url, renamed(&case, &format!("HL-BEFORE-{number}"))).await;
        assert_eq!(answer.status, 200, "{}", answer.text);
        acknowledged += 1;
    }
    disk.fill();
    // The log of the store has some room of its own left.
    for number in 0.. {
        let answer =
            service.client.post(&service.fhir_url, renamed(&case, &format!("HL-FULL-{number}"))).await;
        if answer.status == 503 {
            assert!(answer.header("retry-after").is_some());
            break;
        }
        assert_eq!(answer.status, 200, "{}\n{}", answer.text, service.log());
        acknowledged += 1;
        assert!(number < 1000, "never full");
    }
    disk.make_room();
    for number in 0..3 {
        let answer =
            service.client.post(&service.fhir_url, renamed(&case, &format!("HL-AFTER-{number}"))).await;
        assert_eq!(answer.status, 200, "{}", answer.text);
        acknowledged += 1;
    }
    service.kill();
    disk.remount("ro");
    let refused = solewire(&["serve"], &service.folder());
    assert!(refused.code == Some(2) && refused.err.contains("writable"), "{refused:?}");
    disk.remount("rw");
    service.restart().await;
    records.come_back().unwrap();
    let deadline = std::time::Instant::now() + LIMIT;
    while records.resources_of("RiskAssessment").len() < acknowledged {
        assert!(std::time::Instant::now() < deadline, "{}", service.log());
        tokio::time::sleep(POLL).await;
    }
    assert_eq!(records.resources_of("RiskAssessment").len(), acknowledged, "what was refused is not there");
    assert_once(&records, "RiskAssessment", acknowledged);
    let url = format!("{}/metrics", service.operations_url);
    let metrics = service.client.get(&url).await.expect(200).text;
    assert!(metrics.contains(&format!("solewire_deliveries_received_total {acknowledged}\n")), "{metrics}");
}

#[tokio::test]
async fn characters_that_a_database_does_not_take_are_refused_and_do_no_harm() {
    let case = case("active-problem-alone");
    let service = Service::start(Setup::default()).await;
    let with_nul = |pointer: &str| {
        let mut document = case.json();
        *document.pointer_mut(pointer).unwrap() = "https://harbourlane.example/\0".into();
        document.to_string().into_bytes()
    };
    for pointer in ["/entry/0/resource/identifier/0/system", "/entry/0/resource/identifier/0/value"] {
        let answer = service.client.post(&service.fhir_url, with_nul(pointer)).await;
        assert_eq!(answer.status, 422, "{pointer}: {}", answer.text);
    }
    for (path, status) in [
        ("Observation/a%00b", 404),
        ("Observation/a%00b/_history", 404),
        ("Observation/a%00b/_history/1", 404),
        ("Observation?code=a%00b", 400),
        ("Observation?identifier=a%00|b", 400),
        ("Observation?_id=a%00", 400),
    ] {
        let answer = service.client.get(&service.url(path)).await;
        assert_eq!(answer.status, status, "{path}: {}", answer.text);
    }
    let header = [("if-none-exist", "identifier=https://harbourlane.example/%00|1")];
    let single = case.json()["entry"][1]["resource"].to_string();
    let answer =
        service.client.send(reqwest::Method::POST, &service.url("Observation"), &header, single).await;
    assert_eq!(answer.status, 400, "{}", answer.text);
    submit(&service, &case).await;
}

#[tokio::test]
async fn f30_when_much_waits_several_exams_at_once_are_refused_before_single_ones() {
    let case = case("active-problem-alone");
    let mut records = records_for(&case.json());
    records.go_down();
    let setup = Setup { more: "[store]\nhigh_water = 20\n".to_owned(), ..Setup::with(records.base_url()) };
    let service = Service::start(setup).await;
    let mut batch = case.json();
    let other = solewire_tests::corpus::case("monofilament-alone").json();
    batch["entry"].as_array_mut().unwrap().extend(other["entry"].as_array().unwrap().iter().cloned());
    let batch = batch.to_string();
    for number in 0..18 {
        let body = renamed(&case, &format!("HL-MUCH-{number}"));
        assert_eq!(service.client.post(&service.fhir_url, body).await.status, 200);
    }
    // The first time it brings two exams; then nothing new, and is refused once the count has come round.
    let deadline = std::time::Instant::now() + LIMIT;
    loop {
        let answer = service.client.post(&service.fhir_url, batch.clone()).await;
        if answer.status == 503 {
            assert!(answer.header("retry-after").is_some());
            break;
        }
        assert_eq!(answer.status, 200, "{}", answer.text);
        assert!(std::time::Instant::now() < deadline, "never refused");
        tokio::time::sleep(POLL).await;
    }
    let single = service.client.post(&service.fhir_url, renamed(&case, "HL-MUCH-SINGLE")).await;
    assert_eq!(single.status, 200, "{}", single.text);
    let list = service.client.get(&format!("{}/operations/deliveries", service.operations_url)).await;
    let counts = list.expect(200).json()["counts"].clone();
    assert_eq!(
        counts.as_object().unwrap().values().filter_map(|count| count.as_u64()).sum::<u64>(),
        21,
        "{counts}"
    );
}
