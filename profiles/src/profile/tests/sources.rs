//! The shipped files: their checksums, and that the generator still writes them.

use std::path::Path;
use std::process::Command;

use sha2::{Digest, Sha256};

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("local")
}

#[test]
fn the_checksums_of_the_sources_page_are_those_of_the_files() {
    let page = std::fs::read_to_string(folder().join("SOURCES.md")).unwrap();
    let mut listed = 0;
    for line in page.lines() {
        let mut cells = line.split('|').map(str::trim).skip(1);
        let (Some(name), Some(digest)) = (cells.next(), cells.next()) else { continue };
        let Some(digest) = digest.strip_prefix('`').and_then(|digest| digest.strip_suffix('`')) else {
            continue;
        };
        let bytes = std::fs::read(folder().join(name)).unwrap();
        let actual: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(actual, digest, "{name}");
        listed += 1;
    }
    let shipped = super::PROFILES.len();
    assert!(listed > shipped + 50, "{listed}");
    for (name, _) in super::PROFILES {
        assert!(page.contains(&format!("| {name} | `")), "{name}");
    }
}

#[test]
#[allow(clippy::print_stdout)]
fn the_generator_writes_the_committed_files() {
    let Ok(run) = Command::new("python3").arg(folder().join("generate.py")).arg("--check").output() else {
        println!("left out: python3 is not installed, so generate.py was not run");
        return;
    };
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stdout));
}

/// What we publish must itself be R4.
#[test]
fn every_shipped_resource_is_sound_r4() {
    let tables = crate::definitions::BaseTables::builtin();
    let checker = crate::structure::Checker::new(tables);
    let mut seen = 0;
    for kind in ["code-systems", "value-sets", "concept-maps", "structure-definitions"] {
        for entry in std::fs::read_dir(folder().join(kind)).unwrap() {
            let path = entry.unwrap().path();
            let resource = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
            let mut issues = Vec::new();
            checker.check(&resource, &mut issues);
            assert!(issues.is_empty(), "{}: {issues:#?}", path.display());
            seen += 1;
        }
    }
    assert!(seen > 100, "{seen}");
}
