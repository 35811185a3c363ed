//! H17: what the programs are made of is locked, comes from one place, and may be handed on.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};
use solewire_tests::left_out;

fn check(arguments: &[&str]) -> Option<(bool, String)> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("dependencies/check");
    let Ok(ran) = Command::new("python3").arg(script).args(arguments).output() else {
        left_out("the dependency check, because python3 is not installed");
        return None;
    };
    let said = [ran.stdout, ran.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
    Some((ran.status.success(), said))
}

/// A workspace of one program with one dependency, as cargo would tell of it.
struct Told {
    folder: tempfile::TempDir,
    metadata: Value,
    lock: String,
    tree: String,
}

impl Told {
    fn new() -> Told {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("src")).unwrap();
        std::fs::write(folder.path().join("src/lib.rs"), "use library::Thing;\n").unwrap();
        let registry = "registry+https://github.com/rust-lang/crates.io-index";
        let metadata = json!({
            "workspace_members": ["ours"],
            "packages": [
                { "id": "ours", "name": "solewire-check", "version": "0.1.0", "source": null, "license": "Apache-2.0",
                  "manifest_path": folder.path().join("Cargo.toml") },
                { "id": "used", "name": "used", "version": "1.0.0", "source": registry, "license": "MIT/Apache-2.0",
                  "manifest_path": "/elsewhere/Cargo.toml" }
            ],
            "resolve": { "nodes": [
                { "id": "ours", "deps": [{ "pkg": "used", "name": "library" }] },
                { "id": "used", "deps": [] }
            ] }
        });
        let lock = format!(
            "[[package]]\nname = \"solewire-check\"\nversion = \"0.1.0\"\n\n[[package]]\nname = \"used\"\n\
             version = \"1.0.0\"\nsource = \"{registry}\"\nchecksum = \"{}\"\n",
            "0a".repeat(32)
        );
        let tree = "solewire-check v0.1.0 (/here)\nused v1.0.0\naws-lc-rs v1.0.0\n".to_owned();
        Told { folder, metadata, lock, tree }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn judged(&self) -> Option<(bool, String)> {
        let files = [
            ("metadata", self.metadata.to_string()),
            ("lock", self.lock.clone()),
            ("tree", self.tree.clone()),
        ];
        let mut arguments = vec!["--sbom".to_owned(), self.path("sbom").display().to_string()];
        for (name, text) in files {
            std::fs::write(self.path(name), text).unwrap();
            arguments.extend([format!("--{name}"), self.path(name).display().to_string()]);
        }
        check(&arguments.iter().map(String::as_str).collect::<Vec<_>>())
    }
}

#[test]
fn h17_dependencies_are_locked_from_one_registry_under_known_licences_and_used() {
    if let Some((sound, said)) = check(&[]) {
        assert!(sound, "{said}");
    }
}

#[test]
fn h17_a_dependency_that_breaks_a_rule_is_named() {
    let told = Told::new();
    let Some((sound, said)) = told.judged() else { return };
    assert!(sound, "{said}");
    let bill: Value =
        serde_json::from_slice(&std::fs::read(told.path("sbom/solewire-check.cdx.json")).unwrap()).unwrap();
    assert_eq!((&bill["bomFormat"], &bill["specVersion"]), (&json!("CycloneDX"), &json!("1.5")));
    assert_eq!(bill["components"].as_array().unwrap().len(), 1);
    assert_eq!(bill["components"][0]["purl"], "pkg:cargo/used@1.0.0");
    assert_eq!(bill["components"][0]["licenses"][0]["expression"], "MIT OR Apache-2.0");
    assert_eq!(bill["dependencies"][0]["dependsOn"][0], "pkg:cargo/used@1.0.0");

    type Break = (&'static str, fn(&mut Told));
    let breaks: [Break; 7] = [
        ("does not come from crates.io", |told| {
            told.metadata["packages"][1]["source"] = json!("git+https://x")
        }),
        ("used 1.0.0 is locked without a checksum", |told| told.lock = told.lock.replace("0a", "")),
        ("says no licence", |told| told.metadata["packages"][1]["license"] = Value::Null),
        ("is under MIT AND AGPL-3.0-only", |told| {
            told.metadata["packages"][1]["license"] = json!("MIT AND AGPL-3.0-only");
        }),
        ("are aws-lc-rs, ring, and not aws-lc-rs alone", |told| told.tree += "ring v0.17.0\n"),
        ("linked providers of cryptography are none", |told| told.tree = "used v1.0.0\n".to_owned()),
        ("names used and does not use it", |told| {
            std::fs::write(told.path("src/lib.rs"), "// nothing of it\n").unwrap();
        }),
    ];
    for (fault, break_it) in breaks {
        let mut told = Told::new();
        break_it(&mut told);
        let Some((sound, said)) = told.judged() else { return };
        assert!(!sound && said.contains(fault), "{fault}: {said}");
        assert!(said.contains(": 1 faults"), "{fault}: {said}");
    }
    let mut either = Told::new();
    either.metadata["packages"][1]["license"] = json!("(GPL-3.0-only OR MIT) AND Unicode-3.0");
    let Some((sound, said)) = either.judged() else { return };
    assert!(sound, "{said}");
}
