//! S8: the unit of systemd that ships gives the service nothing that it does not need.

use std::path::Path;
use std::process::Command;

use solewire_tests::left_out;

fn unit() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../service/packaging/solewire.service");
    std::fs::read_to_string(file).unwrap()
}

#[test]
fn s08_the_unit_of_systemd_gives_no_privilege() {
    let unit = unit();
    for line in [
        "DynamicUser=yes",
        "StateDirectory=solewire",
        "UMask=0077",
        "NoNewPrivileges=yes",
        "CapabilityBoundingSet=",
        "AmbientCapabilities=",
        "ProtectSystem=strict",
        "ProtectHome=yes",
        "MemoryDenyWriteExecute=yes",
        "SystemCallFilter=@system-service",
        "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX",
        "LimitCORE=0",
    ] {
        assert!(unit.lines().any(|other| other == line), "{line}");
    }
    for secret in ["Environment=", "TOKEN", "PASSWORD"] {
        assert!(!unit.contains(secret), "{secret}: secrets come as files");
    }
}

#[test]
fn s08_systemd_takes_the_unit_and_rates_it_well() {
    let asked = Command::new("systemd-analyze").arg("--version").output();
    if !asked.is_ok_and(|ran| ran.status.success()) {
        return left_out("the unit of systemd as systemd sees it, because systemd-analyze is not installed");
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("solewire.service");
    // Where the program is installed later there is none now.
    std::fs::write(&file, unit().replace("/usr/local/bin/solewire", "/bin/sh")).unwrap();
    let verified = Command::new("systemd-analyze").args(["verify", "--man=no"]).arg(&file).output().unwrap();
    let said = String::from_utf8_lossy(&verified.stderr).into_owned();
    assert!(verified.status.success() && !said.contains("solewire.service:"), "{said}");
    let mut rating = Command::new("systemd-analyze");
    // In tenths: 1.2 with systemd 252, where 2.0 and below counts as safe and 9 and above as unsafe.
    rating.args(["security", "--offline=true", "--no-pager", "--threshold=20"]).arg(&file);
    let rated = rating.output().unwrap();
    assert!(rated.status.success(), "{}", String::from_utf8_lossy(&rated.stdout));
}
