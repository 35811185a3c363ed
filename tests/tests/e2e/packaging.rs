//! The Debian package and the archive, made of the programs under test: what is in them, that they run, and that the
//! package can be installed, upgraded and removed.

use std::ffi::OsStr;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use solewire_tests::client::Client;
use solewire_tests::corpus::case;
use solewire_tests::process::{self, POLL};
use solewire_tests::service::free_ports;
use solewire_tests::{binaries, left_out};

use super::LIMIT;

/// Any time: the packages are the same for the same one.
const EPOCH: &str = "1790000000";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// What a program prints. It has to end well.
fn output(command: &mut Command) -> String {
    let done = command.output().expect("it starts");
    assert!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).expect("text")
}

/// Makes both packages and names them: the Debian one, the archive.
fn build(out: &Path) -> (PathBuf, PathBuf) {
    let programs = binaries::solewire();
    let said = output(
        Command::new(root().join("service/packaging/build"))
            .arg("--fast")
            .arg(programs.parent().expect("a folder"))
            .arg(out)
            .env("SOURCE_DATE_EPOCH", EPOCH),
    );
    let mut lines = said.lines();
    let debian = PathBuf::from(lines.next().expect("the Debian package"));
    let archive = PathBuf::from(lines.next().expect("the archive"));
    let linked = archive.to_string_lossy().contains("-linux-glibc");
    assert_eq!(linked, said.contains("The programs are not static"), "{said}");
    (debian, archive)
}

/// Both packages, made once for all tests.
fn built() -> &'static (tempfile::TempDir, PathBuf, PathBuf) {
    static BUILT: OnceLock<(tempfile::TempDir, PathBuf, PathBuf)> = OnceLock::new();
    BUILT.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let (debian, archive) = build(folder.path());
        (folder, debian, archive)
    })
}

fn packages_can_be_made() -> bool {
    Command::new("dpkg-deb").arg("--version").stdout(Stdio::null()).status().is_ok()
}

/// The unpacked service with the example settings on a store of its own, killed at the end.
struct Unpacked(Child);

impl Drop for Unpacked {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

async fn takes_an_exam(program: &Path, settings: &Path) {
    let folder = tempfile::tempdir().unwrap();
    let (listen, operations) = free_ports();
    let store = format!("sqlite:{}", folder.path().join("solewire.db").display());
    let command = |arguments: &[&str]| {
        let mut command = Command::new(program);
        command
            .args(arguments)
            .arg("--config")
            .arg(settings)
            .current_dir(folder.path())
            .env("SOLEWIRE_STORE__URL", &store)
            .env("SOLEWIRE_SERVER__LISTEN", format!("127.0.0.1:{listen}"))
            .env("SOLEWIRE_SERVER__OPERATIONS_LISTEN", format!("127.0.0.1:{operations}"));
        command
    };
    let made = ["token", "create", "--name", "clinic", "--right", "submit", "--right", "read"];
    let token = output(&mut command(&made));
    let bearer = format!("Bearer {}", token.lines().last().expect("a token").trim());
    let mut child = command(&["serve"]).stderr(Stdio::piped()).spawn().unwrap();
    let log = BufReader::new(child.stderr.take().expect("a log"));
    // Read to its end, so that the service never waits for a reader.
    let reader = std::thread::spawn(move || log.lines().map_while(Result::ok).collect::<Vec<_>>());
    let mut running = Unpacked(child);
    let client = Client::new();
    let ready = format!("http://127.0.0.1:{operations}/health/ready");
    let deadline = Instant::now() + LIMIT;
    while client.try_get(&ready).await.is_none_or(|answer| answer.status != 200) {
        assert!(Instant::now() < deadline, "the unpacked service is not ready");
        tokio::time::sleep(POLL).await;
    }
    let fhir = format!("http://127.0.0.1:{listen}/fhir");
    let authorization = [("authorization", bearer.as_str())];
    let exam = case("category-2").input;
    let answer = client.send(reqwest::Method::POST, &fhir, &authorization, exam).await.expect(200);
    assert!(answer.text.contains("IWGDF 2023 category 2: moderate risk"), "{}", answer.text);
    let kept = client
        .send(reqwest::Method::GET, &format!("{fhir}/RiskAssessment"), &authorization, Vec::new())
        .await
        .expect(200);
    assert_eq!(kept.resources().len(), 1, "{}", kept.text);
    // The example settings ask for a token.
    assert_eq!(client.get(&format!("{fhir}/RiskAssessment")).await.status, 401);
    running.0.kill().unwrap();
    running.0.wait().unwrap();
    let lines = reader.join().unwrap();
    assert!(lines.iter().all(|line| line.starts_with('{')), "the example settings log JSON: {lines:?}");
}

#[tokio::test]
async fn the_packages_are_the_same_twice_hold_what_they_should_and_run() {
    if !packages_can_be_made() {
        left_out("the packages, because dpkg-deb is not there");
        return;
    }
    let (one, debian, archive) = built();
    let two = tempfile::tempdir().unwrap();
    let (debian_again, archive_again) = build(two.path());
    assert!(
        std::fs::read(debian).unwrap() == std::fs::read(&debian_again).unwrap(),
        "the Debian package differs"
    );
    assert!(std::fs::read(archive).unwrap() == std::fs::read(&archive_again).unwrap(), "the archive differs");
    let sums = Command::new("sha256sum").arg("--check").arg("SHA256SUMS").current_dir(one.path()).output();
    assert!(sums.unwrap().status.success());

    let list = output(Command::new("dpkg-deb").arg("-c").arg(debian));
    for (mode, path) in [
        ("-rwxr-xr-x", "./usr/bin/solewire"),
        ("-rwxr-xr-x", "./usr/bin/solewire-check"),
        ("-rw-r--r--", "./etc/solewire/solewire.toml"),
        ("-rw-r--r--", "./usr/lib/systemd/system/solewire.service"),
        ("-rw-r--r--", "./usr/share/man/man1/solewire.1.gz"),
        ("-rw-r--r--", "./usr/share/man/man1/solewire-check.1.gz"),
        ("-rw-r--r--", "./usr/share/bash-completion/completions/solewire"),
        ("-rw-r--r--", "./usr/share/zsh/vendor-completions/_solewire-check"),
        ("-rw-r--r--", "./usr/share/fish/vendor_completions.d/solewire.fish"),
        ("-rw-r--r--", "./usr/share/doc/solewire/copyright"),
        ("-rw-r--r--", "./usr/share/doc/solewire/openapi.yaml"),
    ] {
        let line = list.lines().find(|line| line.ends_with(&format!(" {path}")));
        let line = line.unwrap_or_else(|| panic!("{path} is not in the package:\n{list}"));
        assert!(line.starts_with(mode) && line.contains(" root/root "), "{line}");
    }
    for line in list.lines() {
        let writable_by_others =
            line.as_bytes().get(8) == Some(&b'w') || line.as_bytes().get(5) == Some(&b'w');
        let special = line.get(..10).is_some_and(|mode| mode.contains(['s', 't']));
        assert!(!writable_by_others && !special, "{line}");
    }
    let unpacked = tempfile::tempdir().unwrap();
    output(Command::new("dpkg-deb").arg("-x").arg(debian).arg(unpacked.path()));
    let control = tempfile::tempdir().unwrap();
    output(Command::new("dpkg-deb").arg("-e").arg(debian).arg(control.path()));
    let read = |file: PathBuf| std::fs::read_to_string(file).unwrap();
    assert_eq!(read(control.path().join("conffiles")), "/etc/solewire/solewire.toml\n");
    let postinst = read(control.path().join("postinst"));
    assert!(postinst.contains("install -d -o solewire -g solewire -m 0700 /var/lib/solewire"), "{postinst}");
    output(
        Command::new("md5sum")
            .arg("--check")
            .arg(control.path().join("md5sums"))
            .current_dir(unpacked.path()),
    );
    let unit = read(unpacked.path().join("usr/lib/systemd/system/solewire.service"));
    for line in [
        "ExecStart=/usr/bin/solewire serve --config /etc/solewire/solewire.toml",
        "User=solewire",
        "StateDirectory=solewire",
        "NoNewPrivileges=yes",
        "ProtectSystem=strict",
        "CapabilityBoundingSet=",
        "SystemCallFilter=@system-service",
        "MemoryDenyWriteExecute=yes",
    ] {
        assert!(unit.lines().any(|other| other == line), "the unit lacks {line}:\n{unit}");
    }
    let settings = unpacked.path().join("etc/solewire/solewire.toml");
    takes_an_exam(&unpacked.path().join("usr/bin/solewire"), &settings).await;

    output(Command::new("tar").arg("-xzf").arg(archive).arg("-C").arg(unpacked.path()));
    let name = archive.file_name().unwrap().to_string_lossy().into_owned();
    let folder = unpacked.path().join(name.trim_end_matches(".tar.gz"));
    assert!(folder.join("LICENSE").is_file() && folder.join("solewire.service").is_file());
    takes_an_exam(&folder.join("bin/solewire"), &folder.join("solewire.toml")).await;
    let file = case("category-2").path;
    let arguments = [OsStr::new("validate"), file.as_os_str()];
    let ran = process::run(&folder.join("bin/solewire-check"), &arguments, &folder, Duration::from_secs(60));
    assert_eq!(ran.code, Some(0), "{ran:?}");
}

#[test]
fn the_debian_package_is_installed_upgraded_and_removed_and_settings_and_store_are_kept() {
    if !packages_can_be_made() {
        left_out("installing the package, because dpkg-deb is not there");
        return;
    }
    let (_, debian, _) = built();
    let done = Command::new(root().join("tests/packages/install")).arg(debian).output().expect("it starts");
    let told = String::from_utf8_lossy(&done.stderr);
    match done.status.code() {
        Some(0) => assert_eq!(done.stdout, b"installed, upgraded, removed and purged\n"),
        Some(3) => left_out(told.lines().last().unwrap_or_default()),
        _ => panic!("{done:?}"),
    }
}
