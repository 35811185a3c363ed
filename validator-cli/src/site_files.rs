//! The definitions of a site, as `--profiles` names them: every `*.json` below a folder, in the order of their paths.

use std::fs;
use std::path::{Path, PathBuf};

/// Reads the definitions in all folders: the path of each file, and its text.
///
/// # Errors
/// The first folder or file that cannot be read, or a folder without definitions; in words, with the path.
pub(crate) fn read(folders: &[PathBuf]) -> Result<Vec<(String, String)>, String> {
    let mut files = Vec::new();
    for folder in folders {
        let mut paths = Vec::new();
        collect(folder, &mut paths)?;
        if paths.is_empty() {
            return Err(format!(
                "{}: holds no *.json file; name the folder of your published definitions.",
                folder.display()
            ));
        }
        paths.sort();
        for path in paths {
            let text = fs::read_to_string(&path).map_err(|error| unreadable(&path, &error))?;
            files.push((path.display().to_string(), text));
        }
    }
    Ok(files)
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
    format!("{}: cannot be read ({error}); correct the path or its permissions.", path.display())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_files_below_a_folder_come_in_the_order_of_their_paths() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["b.json", "a/z.json", "a/notes.md", ".git/x.json", "a/.z.json"] {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, name).unwrap();
        }
        let read = read(&[folder.path().to_owned()]).unwrap();
        let texts: Vec<&str> = read.iter().map(|(_, text)| text.as_str()).collect();
        assert_eq!(texts, ["a/z.json", "b.json"]);
        assert!(read[0].0.ends_with("z.json"), "{}", read[0].0);
    }

    #[test]
    fn a_folder_that_is_missing_or_empty_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let missing = folder.path().join("gone");
        for (path, words) in [(folder.path().to_owned(), "no *.json"), (missing, "cannot be read")] {
            let message = read(std::slice::from_ref(&path)).unwrap_err();
            assert!(message.contains(words) && message.contains(&*path.to_string_lossy()), "{message}");
        }
    }
}
