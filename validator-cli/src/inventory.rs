//! `solewire-check profiles list`: what files are checked against.

use serde_json::{Value, json};
use solewire_profiles::inventory::{LoadedDefinition, Origin, shipped};

use crate::args::{CatalogueFormat, Loudness, ProfilesListArguments};
use crate::catalogue::print;
use crate::config::Configuration;
use crate::console::Console;
use crate::evidence::sha256;
use crate::exit::Exit;
use crate::report::text::{count, visible};
use crate::report::{SCHEMA_VERSION, one_line};

/// Lists every loaded definition.
pub(crate) fn list(arguments: ProfilesListArguments) -> Exit {
    let engine = match Configuration::engine(arguments.definitions, Console::new(Loudness::Normal)) {
        Ok(engine) => engine,
        Err(exit) => return exit,
    };
    let definitions = engine.definitions();
    let text = match arguments.format {
        CatalogueFormat::Human => table(&definitions),
        CatalogueFormat::Json => {
            let listed: Vec<Value> = definitions.iter().map(members).collect();
            one_line(&json!({ "schema_version": SCHEMA_VERSION, "definitions": listed })) + "\n"
        }
    };
    print(&text)
}

fn table(definitions: &[LoadedDefinition]) -> String {
    let mut out = String::new();
    let mut kind = "";
    for definition in definitions {
        if kind != definition.kind {
            kind = &definition.kind;
            out.push_str(&format!("{kind}\n"));
        }
        out.push_str(&format!(
            "  {}\n    version {}, {}, SHA-256 {}\n",
            visible(&definition.url),
            visible(definition.version.as_deref().unwrap_or("not given")),
            visible(origin(&definition.origin)),
            definition.sha256
        ));
    }
    out.push_str(&format!(
        "\n{}. The definitions of R4 4.0.1 itself are always there.\n",
        count(definitions.len(), "definition")
    ));
    out
}

fn origin(origin: &Origin) -> &str {
    match origin {
        Origin::Shipped => "shipped",
        Origin::Site(file) => file,
    }
}

/// A definition, as JSON.
pub(crate) fn members(definition: &LoadedDefinition) -> Value {
    let mut out = json!({
        "kind": definition.kind,
        "url": definition.url,
        "version": definition.version,
        "sha256": definition.sha256,
    });
    if let Some(members) = out.as_object_mut() {
        match &definition.origin {
            Origin::Shipped => members.insert("origin".to_owned(), json!("shipped")),
            Origin::Site(file) => {
                members.insert("origin".to_owned(), json!("site"));
                members.insert("file".to_owned(), json!(file))
            }
        };
    }
    out
}

/// The definitions that ship, in one line: their version, their number and a SHA-256 over all of theirs.
pub(crate) fn shipped_line() -> String {
    let (versions, number, digest) = summary();
    format!("profiles version {versions}, {}, SHA-256 {digest}", count(number, "definition"))
}

/// The same as JSON.
pub(crate) fn shipped_members() -> Value {
    let (versions, number, digest) = summary();
    json!({ "version": versions, "definitions": number, "sha256": digest })
}

fn summary() -> (String, usize, String) {
    let definitions = shipped();
    let mut versions: Vec<&str> =
        definitions.iter().filter_map(|definition| definition.version.as_deref()).collect();
    versions.sort_unstable();
    versions.dedup();
    let sums: String =
        definitions.iter().map(|definition| format!("{}  {}\n", definition.sha256, definition.url)).collect();
    (versions.join(", "), definitions.len(), sha256(sums.as_bytes()))
}
