//! Patterns in paths, for shells that do not expand them: `*`, `?`, `[a-z]`, `[!a-z]`, and `**` for any folders.

use std::path::{Path, PathBuf};

/// Whether a text holds a character that makes it a pattern.
pub(crate) fn is_pattern(text: &str) -> bool {
    text.contains(['*', '?', '['])
}

/// The existing paths that a pattern matches, in no particular order. A folder that cannot be listed matches nothing.
pub(crate) fn expand(pattern: &str) -> Vec<PathBuf> {
    let (start, rest) = match pattern.strip_prefix('/') {
        Some(rest) => (PathBuf::from("/"), rest),
        None => (PathBuf::new(), pattern),
    };
    let steps: Vec<&str> = rest.split('/').filter(|step| !step.is_empty()).collect();
    let mut found = Vec::new();
    descend(&start, &steps, &mut found);
    found
}

fn descend(here: &Path, steps: &[&str], found: &mut Vec<PathBuf>) {
    let Some((step, rest)) = steps.split_first() else {
        found.push(here.to_owned());
        return;
    };
    if *step == "**" {
        descend(here, rest, found);
        for (name, is_folder) in children(here) {
            if is_folder && !name.starts_with('.') {
                descend(&here.join(name), steps, found);
            }
        }
    } else if is_pattern(step) {
        let wanted: Vec<char> = step.chars().collect();
        for (name, is_folder) in children(here) {
            let hidden = name.starts_with('.') && !step.starts_with('.');
            let characters: Vec<char> = name.chars().collect();
            if !hidden && (rest.is_empty() || is_folder) && matches(&wanted, &characters) {
                descend(&here.join(name), rest, found);
            }
        }
    } else {
        let next = here.join(step);
        if next.exists() {
            descend(&next, rest, found);
        }
    }
}

/// Names in a folder, and whether each is itself a folder and no link.
fn children(folder: &Path) -> Vec<(String, bool)> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    entries
        .flatten()
        .filter_map(|entry| {
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            entry.file_name().into_string().ok().map(|name| (name, is_folder))
        })
        .collect()
}

/// Whether a path fits a pattern: name for name, `**` for any folders. A pattern without a slash is held against the
/// last name alone.
pub(crate) fn matches_path(pattern: &str, path: &str) -> bool {
    if !pattern.contains('/') {
        return matches_name(pattern, path.rsplit('/').next().unwrap_or(path));
    }
    let steps: Vec<&str> = pattern.split('/').collect();
    let names: Vec<&str> = path.split('/').collect();
    fits(&steps, &names)
}

fn fits(steps: &[&str], names: &[&str]) -> bool {
    match (steps, names) {
        ([], []) => true,
        (["**", rest @ ..], _) => {
            fits(rest, names) || names.split_first().is_some_and(|(_, names)| fits(steps, names))
        }
        ([step, rest @ ..], [name, names @ ..]) => matches_name(step, name) && fits(rest, names),
        ([_, ..], []) | ([], [_, ..]) => false,
    }
}

fn matches_name(pattern: &str, name: &str) -> bool {
    matches(&pattern.chars().collect::<Vec<_>>(), &name.chars().collect::<Vec<_>>())
}

/// Whether a text fits a pattern in which `*` alone has a meaning.
pub(crate) fn matches_stars(pattern: &str, text: &str) -> bool {
    let Some((first, rest)) = pattern.split_once('*') else { return pattern == text };
    let Some(mut text) = text.strip_prefix(first) else { return false };
    let mut parts: Vec<&str> = rest.split('*').collect();
    let last = parts.pop().unwrap_or_default();
    for part in parts {
        match text.find(part) {
            Some(at) => text = text.get(at + part.len()..).unwrap_or_default(),
            None => return false,
        }
    }
    text.ends_with(last)
}

/// A pattern that only this path fits.
pub(crate) fn literal_pattern(path: &str) -> String {
    let mut out = String::with_capacity(path.len());
    for character in path.chars() {
        if matches!(character, '*' | '?' | '[') {
            out.extend(['[', character, ']']);
        } else {
            out.push(character);
        }
    }
    out
}

fn matches(pattern: &[char], name: &[char]) -> bool {
    match pattern {
        [] => name.is_empty(),
        ['*', rest @ ..] => {
            (0..=name.len()).any(|from| name.get(from..).is_some_and(|tail| matches(rest, tail)))
        }
        ['?', rest @ ..] => name.split_first().is_some_and(|(_, tail)| matches(rest, tail)),
        ['[', rest @ ..] => match (class(rest), name.split_first()) {
            (Some((set, after)), Some((&character, tail))) => set.holds(character) && matches(after, tail),
            (Some(_), None) => false,
            (None, _) => literal('[', rest, name),
        },
        [first, rest @ ..] => literal(*first, rest, name),
    }
}

fn literal(wanted: char, rest: &[char], name: &[char]) -> bool {
    name.split_first().is_some_and(|(&character, tail)| character == wanted && matches(rest, tail))
}

struct Class<'p> {
    negated: bool,
    members: &'p [char],
}

impl Class<'_> {
    fn holds(&self, character: char) -> bool {
        let mut members = self.members;
        let mut found = false;
        while let Some((&first, rest)) = members.split_first() {
            members = match rest {
                ['-', last, after @ ..] => {
                    found |= (first..=*last).contains(&character);
                    after
                }
                after => {
                    found |= first == character;
                    after
                }
            };
        }
        found != self.negated
    }
}

/// Reads a class behind its `[`; gives it with the pattern behind its `]`. Without a `]` there is no class.
fn class(pattern: &[char]) -> Option<(Class<'_>, &[char])> {
    let (negated, pattern) = match pattern {
        ['!' | '^', rest @ ..] => (true, rest),
        all => (false, all),
    };
    // A `]` in first place is a member.
    let end = pattern.iter().skip(1).position(|&character| character == ']')? + 1;
    Some((Class { negated, members: pattern.get(..end)? }, pattern.get(end + 1..)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fits(pattern: &str, name: &str) -> bool {
        matches(&pattern.chars().collect::<Vec<_>>(), &name.chars().collect::<Vec<_>>())
    }

    #[test]
    fn names_are_matched() {
        for (pattern, name) in [
            ("*.json", "a.json"),
            ("*", ""),
            ("a*b*c", "a-b-b-c"),
            ("?.json", "é.json"),
            ("[a-c]x", "bx"),
            ("[!a-c]x", "dx"),
            ("[]]", "]"),
            ("[", "["),
        ] {
            assert!(fits(pattern, name), "{pattern} should match {name}");
        }
        for (pattern, name) in
            [("*.json", "a.ndjson "), ("?", ""), ("[a-c]", "d"), ("[!a-c]", "a"), ("a", "ab")]
        {
            assert!(!fits(pattern, name), "{pattern} should not match {name}");
        }
    }

    #[test]
    fn whole_paths_are_matched() {
        for (pattern, path, wanted) in [
            ("exams/*.json", "exams/a.json", true),
            ("exams/*.json", "exams/b/a.json", false),
            ("exams/**/*.json", "exams/a.json", true),
            ("exams/**/*.json", "exams/b/c/a.json", true),
            ("**/old/**", "x/old/y.json", true),
            ("**/old/**", "x/older/y.json", false),
            ("*.json", "x/y/a.json", true),
            ("x/*", "y", false),
        ] {
            assert_eq!(matches_path(pattern, path), wanted, "{pattern} {path}");
        }
        for path in ["a/[b]*?.json", "[", "plain.json"] {
            assert!(matches_path(&literal_pattern(path), path), "{path}");
        }
        assert!(!matches_path(&literal_pattern("a*.json"), "ab.json"));
    }

    #[test]
    fn stars_alone_have_a_meaning_in_paths_of_elements() {
        for (pattern, text, wanted) in [
            ("Bundle.entry[*].resource", "Bundle.entry[12].resource", true),
            ("Bundle.entry[*].resource", "Bundle.entry[12].resource.code", false),
            ("Bundle.entry[1].*", "Bundle.entry[1].resource.code", true),
            ("*", "", true),
            ("a*b*c", "a-c-b-c", true),
            ("a*b*c", "a-c-c", false),
            ("aa*a", "aa", false),
        ] {
            assert_eq!(matches_stars(pattern, text), wanted, "{pattern} {text}");
        }
    }

    #[test]
    fn two_stars_cross_folders_and_hidden_names_need_a_dot() {
        let folder = tempfile::tempdir().unwrap();
        for file in ["a.json", "x/b.json", "x/y/c.json", ".h/d.json", "x/.e.json"] {
            let path = folder.path().join(file);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, "{}").unwrap();
        }
        let found = |pattern: &str| {
            let mut names: Vec<String> = expand(&format!("{}/{pattern}", folder.path().display()))
                .iter()
                .map(|path| path.strip_prefix(folder.path()).unwrap().display().to_string())
                .collect();
            names.sort();
            names
        };
        assert_eq!(found("**/*.json"), ["a.json", "x/b.json", "x/y/c.json"]);
        assert_eq!(found("*/*.json"), ["x/b.json"]);
        assert_eq!(found("x/.*.json"), ["x/.e.json"]);
        assert!(found("*.xml").is_empty());
    }
}
