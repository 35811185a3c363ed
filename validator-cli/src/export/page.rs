//! Pages in Markdown: one for each profile, and the one that leads to them.

use serde_json::Value;
use solewire_profiles::published::Published;

use super::{profiles, text};

const CAUTION: &str = "Decision support for trained clinicians; not a diagnosis. Follow local pathways. An active foot \
                       problem needs same-day clinical judgement whatever the software says.";

/// The page that leads to the others.
pub(super) fn index(definitions: &[Published]) -> String {
    let mut out = String::from("# Foot examination in FHIR R4 (4.0.1)\n\n");
    out.push_str(
        "Profiles, code systems, value sets and concept maps in published form. A program that takes definitions of \
         FHIR loads every file below but the pages and the examples.\n\n",
    );
    out.push_str(
        "Each profile has its differential, which is what it asks for beyond R4, and a snapshot of every element. The \
         snapshots hold cardinalities, types, invariants and required bindings. They do not hold R4's own texts, its \
         weaker bindings and its summary marks; a program that makes its own snapshots should do so.\n\n",
    );
    out.push_str(&format!("> {CAUTION}\n\n![Where the sites are](pages/foot-sites.svg)\n\n## Profiles\n\n"));
    out.push_str("| Profile | Of | Canonical address | Version |\n| --- | --- | --- | --- |\n");
    for one in profiles(definitions) {
        let of = |name| text(&one.resource, name);
        let (id, title) = (of("id"), cell(of("title")));
        out.push_str(&format!(
            "| [{title}](pages/{id}.md) | {} | `{}` | {} |\n",
            of("type"),
            of("url"),
            of("version")
        ));
    }
    for kind in ["CodeSystem", "ValueSet", "ConceptMap"] {
        out.push_str(&format!(
            "\n## {kind}\n\n| Title | Canonical address | Version | File |\n| --- | --- | --- | --- |\n"
        ));
        for one in definitions.iter().filter(|one| text(&one.resource, "resourceType") == kind) {
            let of = |name| text(&one.resource, name);
            let title = if of("title").is_empty() { of("name") } else { of("title") };
            out.push_str(&format!(
                "| {} | `{}` | {} | [{}]({}) |\n",
                cell(title),
                of("url"),
                of("version"),
                of("id"),
                one.path
            ));
        }
    }
    out
}

/// The page of a profile.
pub(super) fn of(profile: &Value, definitions: &[Published], example: Option<&Value>) -> String {
    let id = text(profile, "id");
    let mut out = format!("# {}\n\n{}\n\n", text(profile, "title"), text(profile, "description"));
    out.push_str(&format!(
        "| | |\n| --- | --- |\n| Canonical address | `{}` |\n| Version | {} |\n| Resource | {} |\n| Based on | `{}` |\n\
         | File | [{id}.json](../structure-definitions/{id}.json) |\n\n",
        text(profile, "url"),
        text(profile, "version"),
        text(profile, "type"),
        text(profile, "baseDefinition")
    ));
    let elements: Vec<&Value> =
        profile.pointer("/differential/element").and_then(Value::as_array).into_iter().flatten().collect();
    out.push_str("## What it asks for\n\n| Element | Number | Type | Value |\n| --- | --- | --- | --- |\n");
    for element in elements.iter().filter(|element| text(element, "id").contains('.')) {
        out.push_str(&row(profile, element));
    }
    for set in elements.iter().filter_map(|element| element.pointer("/binding/valueSet")?.as_str()) {
        if let Some(set) = definitions.iter().find(|one| text(&one.resource, "url") == set) {
            out.push_str(&codes(&set.resource));
        }
    }
    if elements.iter().any(|element| text(element, "id").ends_with("bodySite")) {
        out.push_str("\n## Where the sites are\n\n![Where the sites are](foot-sites.svg)\n");
    }
    out.push_str("\n## Example\n\n");
    match example {
        Some(example) => out.push_str(&format!(
            "Invented, from the Harbour Lane community foot clinic; also in [examples/{id}.json](../examples/{id}.json).\n\n\
             ```json\n{example:#}\n```\n"
        )),
        None => out.push_str("None ships.\n"),
    }
    out.push_str(&format!("\n> {CAUTION}\n"));
    out
}

fn row(profile: &Value, element: &Value) -> String {
    let id = text(element, "id");
    let whole = profile.pointer("/snapshot/element").and_then(Value::as_array).into_iter().flatten();
    let whole = whole.into_iter().find(|one| text(one, "id") == id).unwrap_or(element);
    let number = match (whole.get("min"), whole.get("max").and_then(Value::as_str)) {
        (Some(min), Some(max)) => format!("{min}..{max}"),
        _ => String::new(),
    };
    let types: Vec<String> =
        whole.get("type").and_then(Value::as_array).into_iter().flatten().map(type_words).collect();
    format!("| `{id}` | {number} | {} | {} |\n", cell(&types.join(", ")), cell(&value_words(element)))
}

fn type_words(one: &Value) -> String {
    let targets = one.get("targetProfile").and_then(Value::as_array).into_iter().flatten();
    let targets: Vec<&str> = targets.filter_map(|target| target.as_str()?.rsplit('/').next()).collect();
    let code = text(one, "code").rsplit('/').next().unwrap_or_default();
    if targets.is_empty() { code.to_owned() } else { format!("{code} to {}", targets.join(" or ")) }
}

fn value_words(element: &Value) -> String {
    let mut words = Vec::new();
    for (name, value) in element.as_object().into_iter().flatten() {
        if name.starts_with("fixed") || name.starts_with("pattern") {
            words.push(format!("`{}`", plain(value)));
        }
    }
    if let Some(binding) = element.get("binding") {
        let set = text(binding, "valueSet").rsplit('/').next().unwrap_or_default();
        words.push(format!("{} of {set}", text(binding, "strength")));
    }
    words.join("; ")
}

/// What a pattern comes to for a reader: its codes, else its text.
fn plain(value: &Value) -> String {
    let codings = value.get("coding").and_then(Value::as_array).into_iter().flatten();
    let codes: Vec<String> = codings
        .map(|coding| {
            let system = text(coding, "system").rsplit('/').next().unwrap_or_default();
            format!("{system}#{}", text(coding, "code"))
        })
        .collect();
    match (codes.is_empty(), value) {
        (false, _) => codes.join(" "),
        (true, Value::String(text)) => text.clone(),
        (true, other) => other.to_string(),
    }
}

fn codes(set: &Value) -> String {
    let mut out = format!(
        "\n### {}\n\n`{}`\n\n| Code | Meaning | System |\n| --- | --- | --- |\n",
        text(set, "id"),
        text(set, "url")
    );
    for include in set.pointer("/compose/include").and_then(Value::as_array).into_iter().flatten() {
        let system = text(include, "system");
        let concepts = include.get("concept").and_then(Value::as_array);
        for concept in concepts.into_iter().flatten() {
            let (code, display) = (cell(text(concept, "code")), cell(text(concept, "display")));
            out.push_str(&format!("| `{code}` | {display} | `{system}` |\n"));
        }
        if concepts.is_none() {
            out.push_str(&format!("| all | | `{system}` |\n"));
        }
    }
    out
}

fn cell(text: &str) -> String {
    text.replace('|', "\\|").replace('\n', " ")
}
