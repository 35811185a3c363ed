//! What the documents say, held against what is there.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use solewire_profiles::json::DEEPEST;
use solewire_service::config::SETTINGS;

const SAFETY_CASE: &str = "service/docs/safety.md";
const SECURITY: &str = "service/docs/security.md";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap()
}

#[test]
fn the_readme_lists_the_settings_as_they_are() {
    let readme = read("README.md");
    let table: BTreeSet<&str> = readme.lines().filter(|line| line.starts_with("| `")).collect();
    let expected: Vec<String> = SETTINGS
        .iter()
        .map(|setting| {
            let default =
                if setting.default.is_empty() { String::new() } else { format!("`{}`", setting.default) };
            format!("| `{}` | {default} | {} |", setting.key, setting.meaning)
        })
        .collect();
    for row in &expected {
        assert!(table.contains(row.as_str()), "README.md lacks the row\n{row}");
    }
    assert_eq!(table.len(), expected.len(), "README.md lists settings that do not exist");
}

#[test]
fn the_documents_name_the_depth_that_is_read() {
    let said = format!("at most {DEEPEST} deep");
    for page in ["README.md", "openapi.yaml", SECURITY] {
        let text = read(page).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(text.contains(&said), "{page} does not say {said:?}");
    }
}

/// Every page for people, beside those that tell sources.
fn guides() -> Vec<String> {
    let mut found: Vec<String> =
        ["README.md", "DEVELOPERS.md", "tests/corpus/README.md"].into_iter().map(str::to_owned).collect();
    for folder in ["service", "service/docs", "profiles/docs", "validator-cli/docs"] {
        for entry in std::fs::read_dir(root().join(folder)).unwrap() {
            let name = entry.unwrap().file_name().to_string_lossy().into_owned();
            if name.ends_with(".md") {
                found.push(format!("{folder}/{name}"));
            }
        }
    }
    assert!(found.len() > 8, "{found:?}");
    found
}

#[test]
fn the_paths_that_the_guides_name_are_there() {
    for guide in guides() {
        let text = read(&guide);
        let named = text.split('`').skip(1).step_by(2);
        let paths = named.filter(|name| {
            ["profiles/", "service/", "validator-cli/", "tests/"].iter().any(|top| name.starts_with(top))
                && !name.contains(['<', ' ', '*', '{'])
        });
        for path in paths {
            assert!(root().join(path).exists(), "{guide} names `{path}`, which is not there");
        }
    }
}

#[test]
fn the_caution_stands_where_people_read() {
    for file in ["README.md", "openapi.yaml", SAFETY_CASE] {
        let text = read(file).replace("\n> ", " ").replace("\n    ", " ");
        assert!(text.contains("Decision support for trained clinicians; not a diagnosis."), "{file}");
    }
}

/// All Rust sources below a folder.
fn sources(folder: &str) -> Vec<PathBuf> {
    let mut folders = vec![root().join(folder)];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                files.push(path);
            }
        }
    }
    files
}

/// The names of all functions in the sources.
fn functions() -> BTreeSet<String> {
    let files = ["profiles", "service", "validator-cli", "tests"].into_iter().flat_map(sources);
    let names = files.flat_map(|file| {
        let text = std::fs::read_to_string(file).unwrap();
        let names = text.lines().filter_map(|line| {
            let (_, behind) = line.split_once("fn ")?;
            Some(behind.split(['(', '<']).next().unwrap_or_default().to_owned())
        });
        names.collect::<Vec<_>>()
    });
    names.collect()
}

/// The rows of the tables of a page whose last column names tests, each with these names.
fn rows_with_tests(page: &str) -> Vec<(String, Vec<String>)> {
    let text = read(page);
    let rows = text.lines().filter(|line| line.starts_with("| ") && line.contains('`'));
    let rows = rows.map(|row| {
        let shown_by = row.trim_end_matches(" |").rsplit(" | ").next().unwrap();
        (row.to_owned(), shown_by.split('`').skip(1).step_by(2).map(str::to_owned).collect())
    });
    rows.collect()
}

/// A control without its test is a promise.
#[test]
fn the_safety_case_and_the_security_page_name_tests_that_exist() {
    let tests = functions();
    for page in [SAFETY_CASE, SECURITY] {
        let rows = rows_with_tests(page);
        assert!(rows.len() > 20, "the table is there");
        for (row, named) in rows {
            assert!(!named.is_empty(), "no test shows: {row}");
            for name in named {
                assert!(tests.contains(&name), "`{name}` is no test: {row}");
            }
        }
    }
}

/// Each threat has its row, and each row tests that are called by its number.
#[test]
fn the_security_page_has_a_row_with_tests_for_every_threat() {
    let rows = rows_with_tests(SECURITY);
    let threats = (1..=10).map(|number| ('S', number)).chain((1..=17).map(|number| ('H', number)));
    let mut expected = Vec::new();
    for (letter, number) in threats {
        let begin = format!("| {letter}{number} ");
        let found: Vec<_> = rows.iter().filter(|(row, _)| row.starts_with(&begin)).collect();
        let [(row, named)] = found.as_slice() else { panic!("{} rows begin with {begin}", found.len()) };
        let called = format!("{}{number:02}_", letter.to_ascii_lowercase());
        assert!(named.iter().all(|name| name.starts_with(&called)), "{called}: {row}");
        expected.push(row);
    }
    assert_eq!(rows.len(), expected.len(), "every row is a threat of the list");
}

/// A newcomer's questions are answered by a file and a word to look for in it.
#[test]
fn the_questions_of_a_newcomer_lead_to_what_they_ask_for() {
    let page = read("DEVELOPERS.md");
    let section = page.split("## Where is ...").nth(1).unwrap().split("\n## ").next().unwrap();
    let rows: Vec<&str> = section.lines().filter(|line| line.contains(" | `")).collect();
    assert!(rows.len() >= 10, "{} questions", rows.len());
    for row in rows {
        let named: Vec<&str> = row.split('`').skip(1).step_by(2).collect();
        let [file, word] = named[..] else { panic!("a file and a word: {row}") };
        let text =
            std::fs::read_to_string(root().join(file)).unwrap_or_else(|error| panic!("{file}: {error}"));
        assert!(text.contains(word), "{file} has no `{word}`: {row}");
    }
}

#[test]
fn the_lines_of_the_guides_fit_on_a_screen() {
    for guide in guides() {
        let text = read(&guide);
        // Tables, commands and what they print are as long as they are.
        let mut fenced = false;
        for (number, line) in text.lines().enumerate() {
            fenced ^= line.starts_with("```");
            let free = fenced || line.starts_with(['|', ' ']) || line.starts_with("```");
            assert!(free || line.chars().count() <= 120, "{guide}:{}: break the line", number + 1);
        }
    }
}

#[test]
fn the_page_on_guidelines_lists_them_with_their_categories() {
    let page = read("profiles/docs/guidelines.md");
    let mut found = 0;
    for entry in std::fs::read_dir(root().join("profiles/guidelines")).unwrap() {
        let file = entry.unwrap().path();
        if file.extension().is_none_or(|extension| extension != "json") {
            continue;
        }
        let guideline: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
        let codes: Vec<&str> = guideline["categories"]
            .as_array()
            .unwrap()
            .iter()
            .map(|category| category["code"].as_str().or(category["id"].as_str()).unwrap())
            .collect();
        let row = format!("| `{}` | {} |", guideline["id"].as_str().unwrap(), codes.join(", "));
        assert!(page.contains(&row), "the page lacks {row}");
        found += 1;
    }
    let rows = page.lines().filter(|line| line.starts_with("| `")).count();
    assert_eq!(rows, found);
}
