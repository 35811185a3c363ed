//! The programs under test, built once a test run.

use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;

/// The service.
#[must_use]
pub fn solewire() -> PathBuf {
    built().join(format!("solewire{}", std::env::consts::EXE_SUFFIX))
}

/// The command line.
#[must_use]
pub fn solewire_check() -> PathBuf {
    built().join(format!("solewire-check{}", std::env::consts::EXE_SUFFIX))
}

/// The folder of the programs. `cargo test` alone does not build the programs of other packages, so they are built
/// here, in the profile and the target folder of this test.
fn built() -> &'static PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let test = std::env::current_exe().expect("the path of this test");
        let folder = test.parent().expect("target/PROFILE/deps, or target/PROFILE for a program");
        let folder = if folder.ends_with("deps") { folder.parent().expect("target/PROFILE") } else { folder };
        let folder = folder.to_owned();
        let target = folder.parent().expect("target/PROFILE").to_owned();
        let profile = match folder.file_name().and_then(|name| name.to_str()) {
            Some("debug") | None => "dev",
            Some(profile) => profile,
        };
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let status = Command::new(cargo)
            .args(["build", "--workspace", "--bins", "--quiet", "--profile", profile, "--target-dir"])
            .arg(&target)
            .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
            .status()
            .expect("cargo runs");
        assert!(status.success(), "the programs do not build");
        folder
    })
}
