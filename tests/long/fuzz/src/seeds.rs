//! The seeds: files of the repository, always in the same order.

use std::fs;
use std::path::Path;

/// The contents of all files in a folder and below whose name ends in `ending`, by path.
pub(crate) fn files(folder: &Path, ending: &str) -> Vec<Vec<u8>> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    let mut found = Vec::new();
    for path in paths {
        if path.is_dir() {
            found.extend(files(&path, ending));
        } else if path.to_string_lossy().ends_with(ending)
            && let Ok(content) = fs::read(&path)
        {
            found.push(content);
        }
    }
    found
}
