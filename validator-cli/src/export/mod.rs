//! `solewire-check profiles export`: what ships, as a folder that other programs load and people read.

mod drawing;
mod examples;
mod page;

use std::fs;
use std::io::Write as _;
use std::path::Path;

use serde_json::Value;
use solewire_profiles::published::{Published, published};

use crate::args::{Loudness, ProfilesExportArguments};
use crate::console::Console;
use crate::exit::Exit;
use crate::report::text::count;

/// Writes the folder.
pub(crate) fn run(arguments: &ProfilesExportArguments) -> Exit {
    let console = Console::new(Loudness::Normal);
    attempt(&arguments.folder, console).unwrap_or_else(|exit| exit)
}

fn attempt(folder: &Path, console: Console) -> Result<Exit, Exit> {
    let fault = |error: String| {
        console.fault(&error);
        Exit::Fault
    };
    let definitions = published().map_err(|error| fault(error.to_string()))?;
    let examples = examples::read().map_err(fault)?;
    let mut files: Vec<(String, String)> = Vec::new();
    for one in &definitions {
        files.push((one.path.to_owned(), pretty(&one.resource)));
    }
    for one in profiles(&definitions) {
        let id = text(&one.resource, "id");
        let example = examples::of(&one.resource, &definitions, &examples);
        if let Some(example) = example {
            files.push((format!("examples/{id}.json"), pretty(example)));
        }
        files.push((format!("pages/{id}.md"), page::of(&one.resource, &definitions, example)));
    }
    files.push(("pages/foot-sites.svg".to_owned(), drawing::of_the_sites()));
    files.push(("README.md".to_owned(), page::index(&definitions)));
    free(folder, console)?;
    for (name, content) in &files {
        write(&folder.join(name), content).map_err(|error| {
            console.fault(&format!("{}: cannot be written: {error}.", folder.join(name).display()));
            Exit::Fault
        })?;
    }
    console.note(&format!("{}: {} written.", folder.display(), count(files.len(), "file")));
    Ok(Exit::Clean)
}

/// Only a folder that is not there yet, or is empty, is filled: nothing that somebody made is written over.
fn free(folder: &Path, console: Console) -> Result<(), Exit> {
    let refuse = |reason: &str| {
        console
            .fault(&format!("{}: {reason}; name a folder that is empty or not there yet.", folder.display()));
        Err(Exit::Usage)
    };
    match fs::read_dir(folder).map(Iterator::count) {
        Ok(0) => Ok(()),
        Ok(_) => refuse("is not empty"),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => refuse(&format!("cannot be used ({error})")),
    }
}

fn write(path: &Path, content: &str) -> std::io::Result<()> {
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent)?;
    }
    fs::File::create_new(path)?.write_all(content.as_bytes())
}

fn profiles(definitions: &[Published]) -> impl Iterator<Item = &Published> {
    definitions.iter().filter(|one| text(&one.resource, "resourceType") == "StructureDefinition")
}

fn pretty(resource: &Value) -> String {
    format!("{resource:#}\n")
}

fn text<'r>(resource: &'r Value, name: &str) -> &'r str {
    resource.get(name).and_then(Value::as_str).unwrap_or_default()
}
