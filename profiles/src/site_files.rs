//! What a site's folder may hold, before anything is made of it.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::inventory::{LoadedDefinition, Origin};
use crate::load_error::LoadError;

/// The resources that a site may add.
const KINDS: &[&str] = &["StructureDefinition", "ValueSet", "CodeSystem", "ConceptMap"];

/// The files of a folder by what they are, each the name and the text.
#[derive(Debug, Default)]
pub(crate) struct Admitted<'f> {
    /// The four resources.
    pub(crate) definitions: Vec<(&'f str, &'f str)>,
    /// Guidelines in the form of those that ship.
    pub(crate) guidelines: Vec<(&'f str, &'f str)>,
    /// What the definitions are.
    pub(crate) listed: Vec<LoadedDefinition>,
}

/// Looks at every file once: each must be a guideline, or one of the four resources under an address of its own.
pub(crate) fn admit<N: AsRef<str>, T: AsRef<str>>(files: &[(N, T)]) -> Result<Admitted<'_>, LoadError> {
    let mut admitted = Admitted::default();
    let mut seen: BTreeMap<(String, String), &str> = BTreeMap::new();
    for (file, content) in files {
        let file = file.as_ref();
        let error = |reason: String| LoadError { file: file.to_owned(), reason };
        let content = content.as_ref();
        let content = content.strip_prefix('\u{feff}').map_or(Ok(content), |_| {
            Err(error("it begins with a byte order mark; save it as UTF-8 without one.".to_owned()))
        })?;
        let resource: Value = serde_json::from_str(content)
            .map_err(|cause| error(format!("it is not JSON ({cause}); correct it or move it elsewhere.")))?;
        let text = |name: &str| resource.get(name).and_then(Value::as_str);
        // A guideline is no FHIR resource; what it is made of tells it.
        if text("resourceType").is_none()
            && ["categories", "rules"].iter().all(|name| resource.get(name).is_some())
        {
            admitted.guidelines.push((file, content));
            continue;
        }
        let Some(kind) = text("resourceType") else {
            return Err(error(
                "it is JSON but neither a FHIR resource (`resourceType` is missing) nor a guideline; move it out of the folder."
                    .to_owned(),
            ));
        };
        if !KINDS.contains(&kind) {
            return Err(error(format!(
                "its type is {}, and only {} are read from here; move it out of the folder.",
                shown(kind),
                KINDS.join(", ")
            )));
        }
        let Some(url) = text("url") else {
            return Err(error(format!("the {kind} has no `url`; give it its canonical address.")));
        };
        let version = text("version").unwrap_or_default();
        if let Some(first) = seen.insert((url.to_owned(), version.to_owned()), file) {
            let what =
                if first == file { "is loaded twice".to_owned() } else { format!("is also in {first}") };
            let version = if version.is_empty() { String::new() } else { format!("|{version}") };
            return Err(error(format!(
                "{url}{version} {what}; keep one of them, and name each folder once."
            )));
        }
        admitted.definitions.push((file, content));
        admitted.listed.push(LoadedDefinition::of(&resource, content, Origin::Site(file.to_owned())));
    }
    Ok(admitted)
}

/// The name of a type, where it has the form of one.
fn shown(kind: &str) -> &str {
    let plain = kind.len() <= 40 && kind.bytes().all(|byte| byte.is_ascii_alphabetic()) && !kind.is_empty();
    if plain { kind } else { "not one of R4" }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(files: &[(&str, &str)]) -> String {
        admit(files).unwrap_err().to_string()
    }

    #[test]
    fn the_four_definitions_are_taken() {
        let files: Vec<(String, String)> = KINDS
            .iter()
            .map(|kind| {
                let url = format!("https://harbourlane.example/{kind}");
                (format!("{kind}.json"), format!(r#"{{"resourceType":"{kind}","url":"{url}"}}"#))
            })
            .collect();
        assert!(admit(&files).is_ok());
        assert!(admit::<&str, &str>(&[]).is_ok());
    }

    #[test]
    fn anything_else_is_refused_by_the_name_of_its_file() {
        for (content, words) in [
            ("{", "not JSON"),
            ("\u{feff}{}", "byte order mark"),
            ("[]", "neither a FHIR resource"),
            (r#"{"rules":[]}"#, "neither a FHIR resource"),
            (r#"{"resourceType":"Patient"}"#, "type is Patient"),
            (r#"{"resourceType":"Mx. Example"}"#, "type is not one of R4"),
            (r#"{"resourceType":"ValueSet"}"#, "no `url`"),
        ] {
            let message = refusal(&[("ours/odd.json", content)]);
            assert!(message.starts_with("ours/odd.json: ") && message.contains(words), "{message}");
            assert!(!message.contains("Example"), "{message}");
        }
    }

    #[test]
    fn one_address_twice_names_both_files() {
        let set = r#"{"resourceType":"ValueSet","url":"https://harbourlane.example/v","version":"1"}"#;
        let message = refusal(&[("a.json", set), ("b.json", set)]);
        for part in ["a.json", "b.json", "https://harbourlane.example/v|1"] {
            assert!(message.contains(part), "{message}");
        }
        assert!(refusal(&[("a.json", set), ("a.json", set)]).contains("twice"));
    }
}
