//! What each part must never know, held against the sources and the manifests.

use std::path::{Path, PathBuf};

/// The modules of `profiles` in the order of the flow. Each may use those above it.
const FLOW: &[&str] = &[
    "load_error",
    "position",
    "issue",
    "json",
    "time",
    "nearest",
    "clinical_values",
    "definitions",
    "invariants",
    "structure",
    "terminology",
    "profile",
    "inventory",
    "site_files",
    "exam",
    "findings",
    "risk",
    "sequence",
    "progress",
    "resources",
    "published",
    "submit",
    "engine",
];

/// What sees all of them: the crate itself, and the examples of its rules.
const ABOVE_THE_FLOW: &[&str] = &["lib", "examples"];

/// Crates for HTTP, storage, asynchronous work and logs.
const OUTSIDE_WORLD: &[&str] = &[
    "actix-web",
    "axum",
    "hyper",
    "reqwest",
    "ureq",
    "sqlx",
    "rusqlite",
    "tokio",
    "async-std",
    "futures",
    "tracing",
    "log",
    "tempfile",
    "rustix",
];

/// Where a file outside of `error.rs` may name a status of ours, and why.
const STATUS_NAMED: &[(&str, &str)] = &[
    ("service/src/http/answer.rs", "200 and 201 of what was stored: successes, not errors"),
    ("service/src/http/mod.rs", "200 of the contract and the public keys"),
    ("service/src/loopback/http.rs", "a record system of its own, which answers as one"),
    ("service/src/access/keys.rs", "reads the status of an issuer"),
];

/// Statuses that any file of `service/src/http` may name: they say that it went well.
const WENT_WELL: &[&str] = &["OK", "Ok", "NotModified", "CREATED"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Rust sources below a folder that are part of the product: path from the root of the repository, and text without
/// comments and without what follows `#[cfg(test)]`.
fn product(folder: &str) -> Vec<(String, String)> {
    let mut folders = vec![root().join(folder)];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if path.is_dir() {
                if name != "tests" {
                    folders.push(path);
                }
            } else if name.ends_with(".rs") && name != "tests.rs" {
                let text = std::fs::read_to_string(&path).unwrap();
                let told = text.split("\n#[cfg(test)]\nmod tests {").next().unwrap();
                let code =
                    told.lines().map(|line| line.split("//").next().unwrap()).collect::<Vec<_>>().join("\n");
                found.push((path.strip_prefix(root()).unwrap().to_string_lossy().into_owned(), code));
            }
        }
    }
    assert!(found.len() > 3, "{folder} has sources");
    found.sort();
    found
}

fn manifest(package: &str) -> String {
    std::fs::read_to_string(root().join(package).join("Cargo.toml")).unwrap()
}

/// The names in a table of a manifest, such as `dependencies`.
fn dependencies(manifest: &str, table: &str) -> Vec<String> {
    let lines = manifest.lines().skip_while(|line| *line != format!("[{table}]")).skip(1);
    let lines = lines.take_while(|line| !line.starts_with('['));
    let names = lines.filter(|line| line.starts_with(|letter: char| letter.is_ascii_alphabetic()));
    names.map(|line| line.split(['.', ' ', '=']).next().unwrap().to_owned()).collect()
}

/// The words behind each place where `before` stands.
fn words_after<'t>(text: &'t str, before: &'t str) -> impl Iterator<Item = &'t str> {
    text.split(before).skip(1).map(|rest| {
        let end =
            rest.find(|letter: char| !letter.is_ascii_alphanumeric() && letter != '_').unwrap_or(rest.len());
        &rest[..end]
    })
}

#[test]
fn the_library_depends_on_nothing_that_reaches_outside() {
    let named = dependencies(&manifest("profiles"), "dependencies");
    assert!(named.len() > 5, "{named:?}");
    for name in named {
        assert!(!OUTSIDE_WORLD.contains(&name.as_str()), "profiles depends on {name}");
        assert!(!name.starts_with("solewire-"), "profiles depends on {name}, which stands behind it");
    }
}

#[test]
fn the_library_reads_no_file_environment_network_or_clock() {
    let reaching =
        ["std::fs", "std::env", "std::net", "std::process", "std::thread", "SystemTime", "Instant::now"];
    let telling = ["Timestamp::now", "Zoned::now", "Uuid::new_v4", "Uuid::now_v7", "async fn", ".await"];
    for (file, code) in product("profiles/src") {
        for forbidden in reaching.iter().chain(&telling) {
            assert!(!code.contains(forbidden), "{file} uses {forbidden}; what it needs is an argument");
        }
    }
}

#[test]
fn a_module_of_the_library_uses_only_those_before_it() {
    let place = |name: &str| FLOW.iter().position(|known| *known == name);
    for (file, code) in product("profiles/src") {
        let module = file.trim_start_matches("profiles/src/").trim_end_matches(".rs");
        let module = module.split('/').next().unwrap();
        if ABOVE_THE_FLOW.contains(&module) {
            continue;
        }
        let own = place(module).unwrap_or_else(|| panic!("{file}: give `{module}` its place in FLOW"));
        for used in words_after(&code, "crate::") {
            let used_at = place(used).unwrap_or_else(|| {
                panic!("{file} uses `crate::{used}`: name it by its module, so that the order can be seen")
            });
            assert!(used_at <= own, "{file} uses `{used}`, which stands behind `{module}` in the flow");
        }
    }
}

#[test]
fn sql_stands_in_the_store_only() {
    let mut in_store = 0;
    for (file, code) in product("service/src") {
        if file.starts_with("service/src/store/") {
            in_store += usize::from(code.contains("sqlx::"));
        } else {
            assert!(!code.contains("sqlx::"), "{file} speaks SQL; that is for service/src/store");
        }
    }
    assert!(in_store > 3);
}

#[test]
fn statuses_of_errors_are_chosen_in_one_file() {
    let mut chosen = 0;
    for (file, code) in product("service/src") {
        let statuses = words_after(&code, "StatusCode::").chain(words_after(&code, "HttpResponse::"));
        if file == "service/src/http/error.rs" {
            chosen = statuses.count();
            continue;
        }
        if STATUS_NAMED.iter().any(|(known, _)| *known == file) {
            continue;
        }
        let made = ["build", "new", "from_u16"];
        for status in statuses {
            let fine = WENT_WELL.contains(&status) && file.starts_with("service/src/http/");
            let named = status.starts_with(char::is_uppercase) || made.contains(&status);
            assert!(
                fine || !named,
                "{file} chooses the status {status}; that is for service/src/http/error.rs"
            );
        }
    }
    assert!(chosen > 10);
    for (file, why) in STATUS_NAMED {
        assert!(root().join(file).exists(), "{file} is listed ({why}) and not there");
    }
}

#[test]
fn what_delivers_knows_nothing_of_what_serves() {
    for (file, code) in product("service/src") {
        let inner = ["delivery", "store", "intake"]
            .iter()
            .any(|part| file.starts_with(&format!("service/src/{part}/")));
        assert!(!inner || !code.contains("crate::http"), "{file} uses crate::http");
        assert!(!inner || !code.contains("actix_web"), "{file} knows a web framework");
    }
}

#[test]
fn the_crates_know_each_other_one_way() {
    let ours = |package: &str, table: &str| {
        let mut named = dependencies(&manifest(package), table);
        named.retain(|name| name.starts_with("solewire-"));
        named
    };
    assert_eq!(ours("service", "dependencies"), ["solewire-profiles"]);
    assert_eq!(ours("validator-cli", "dependencies"), ["solewire-profiles"]);
    for package in ["profiles", "service", "validator-cli"] {
        assert_eq!(ours(package, "dev-dependencies"), Vec::<String>::new(), "{package}");
    }
    for (file, code) in product("validator-cli/src") {
        for forbidden in ["std::net", "actix_web", "reqwest", "sqlx::", "tokio::"] {
            assert!(!code.contains(forbidden), "{file} uses {forbidden}");
        }
    }
}

#[test]
fn no_module_is_named_after_nothing() {
    for folder in ["profiles/src", "service/src", "validator-cli/src", "tests/src"] {
        for (file, _) in product(folder) {
            for word in ["util", "utils", "misc", "common", "helpers", "manager"] {
                let named = file.split(['/', '.']).any(|part| part == word);
                assert!(!named, "{file}: name what it holds");
            }
        }
    }
}

/// The uses of a crate that no `name::` shows: its feature is turned on for others, or a macro needs it.
const USED_UNSEEN: &[(&str, &str, &str)] = &[("profiles", "ucum-units", "its library is called ucum")];

#[test]
fn no_direct_dependency_is_unused() {
    for package in ["profiles", "service", "validator-cli", "tests"] {
        let manifest = manifest(package);
        let mut all = String::new();
        all.push_str(&std::fs::read_to_string(root().join(package).join("build.rs")).unwrap_or_default());
        for folder in ["src", "tests", "benches"] {
            let path = root().join(package).join(folder);
            if path.exists() {
                add(&path, &mut all);
            }
        }
        let of_unix = "target.'cfg(unix)'.dependencies";
        for table in ["dependencies", "dev-dependencies", "build-dependencies", of_unix] {
            for name in dependencies(&manifest, table) {
                let path = name.replace('-', "_");
                let used = ["::", "!", ";", " "].iter().any(|end| all.contains(&format!("{path}{end}")));
                let unseen = USED_UNSEEN.iter().any(|(of, known, _)| *of == package && *known == name);
                assert!(used || unseen, "{package} lists {name} and does not use it");
            }
        }
    }
}

fn add(folder: &Path, all: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            add(&path, all);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            // A word in a comment is no use.
            for line in text.lines().filter(|line| !line.trim_start().starts_with("//")) {
                all.push_str(line);
                all.push('\n');
            }
        }
    }
}

/// Each direct dependency stands in the table of DEVELOPERS.md, with what it is for.
#[test]
fn each_direct_dependency_has_a_reason() {
    let page = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let table: Vec<(String, usize)> = page
        .lines()
        .skip_while(|line| *line != "## Dependencies")
        .filter_map(|line| line.strip_prefix("| `")?.split_once("` | "))
        .map(|(name, rest)| (name.to_owned(), rest.trim_end_matches('|').trim().len()))
        .collect();
    let mut named = std::collections::BTreeSet::new();
    for package in ["profiles", "service", "validator-cli", "tests"] {
        for table in
            ["dependencies", "dev-dependencies", "build-dependencies", "target.'cfg(unix)'.dependencies"]
        {
            named.extend(dependencies(&manifest(package), table));
        }
    }
    named.retain(|name| !name.starts_with("solewire-"));
    for name in &named {
        let reason = table.iter().find(|(known, _)| known == name);
        assert!(reason.is_some_and(|(_, length)| *length > 15), "DEVELOPERS.md gives no reason for {name}");
    }
    for (name, _) in &table {
        assert!(named.contains(name), "DEVELOPERS.md lists {name}, which no crate names");
    }
}
