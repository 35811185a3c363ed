//! The definitions of a site, as `profiles.dir` names them: every `*.json` below a folder, in the order of their paths.

use std::fs;
use std::path::{Path, PathBuf};

use solewire_profiles::Engine;

use crate::startup::StartError;

/// Loads the engine with the definitions of a folder, or with those that ship alone.
///
/// # Errors
/// The folder or the file that cannot be used, and what to change.
pub(crate) fn engine(folder: Option<&Path>) -> Result<Engine, StartError> {
    let Some(folder) = folder else { return Ok(Engine::builtin()?) };
    let site = |reason| StartError::SiteDefinitions { reason };
    let files = read(folder).map_err(site)?;
    let engine = Engine::with_site_files(&files).map_err(|error| site(error.to_string()))?;
    tracing::info!(files = files.len(), "loaded the definitions of the site");
    Ok(engine)
}

fn read(folder: &Path) -> Result<Vec<(String, String)>, String> {
    let mut paths = Vec::new();
    collect(folder, &mut paths)?;
    if paths.is_empty() {
        return Err(format!(
            "{}: holds no *.json file; name the folder of your published definitions",
            folder.display()
        ));
    }
    paths.sort();
    paths
        .into_iter()
        .map(|path| {
            let text = fs::read_to_string(&path).map_err(|error| unreadable(&path, &error))?;
            Ok((path.display().to_string(), text))
        })
        .collect()
}

/// Hidden names are left out: they hold the work of editors, version control and container volumes. Folders behind
/// links are left out too, so that no file is read twice and no search goes in circles.
fn collect(folder: &Path, paths: &mut Vec<PathBuf>) -> Result<(), String> {
    for entry in fs::read_dir(folder).map_err(|error| unreadable(folder, &error))? {
        let entry = entry.map_err(|error| unreadable(folder, &error))?;
        let path = entry.path();
        if entry.file_name().to_string_lossy().starts_with('.') {
            continue;
        }
        let kind = entry.file_type().map_err(|error| unreadable(&path, &error))?;
        if kind.is_dir() {
            collect(&path, paths)?;
        } else if path.extension().is_some_and(|ending| ending == "json") && !path.is_dir() {
            paths.push(path);
        }
    }
    Ok(())
}

fn unreadable(path: &Path, error: &std::io::Error) -> String {
    format!("{}: cannot be read ({error}); correct the path or its permissions", path.display())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_of_a_site_is_loaded() {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("sets")).unwrap();
        let set = r#"{"resourceType":"ValueSet","url":"https://harbourlane.example/fhir/ValueSet/v",
            "compose":{"include":[{"system":"https://harbourlane.example/s","concept":[{"code":"a"}]}]}}"#;
        fs::write(folder.path().join("sets/v.json"), set).unwrap();
        fs::write(folder.path().join("readme.md"), "not read").unwrap();
        assert!(engine(Some(folder.path())).is_ok());
        assert!(engine(None).is_ok());
    }

    #[test]
    fn what_cannot_be_used_is_told_in_one_line_with_the_setting_and_the_path() {
        let folder = tempfile::tempdir().unwrap();
        let told = |path: &Path| engine(Some(path)).unwrap_err().to_string();
        for (message, words) in [
            (told(folder.path()), "no *.json"),
            (told(&folder.path().join("gone")), "cannot be read"),
            (
                {
                    fs::write(folder.path().join("exam.json"), r#"{"resourceType":"Bundle"}"#).unwrap();
                    told(folder.path())
                },
                "exam.json: its type is Bundle",
            ),
        ] {
            assert!(message.starts_with("`profiles.dir`: ") && message.contains(words), "{message}");
            assert!(!message.contains('\n'), "{message}");
        }
    }
}
