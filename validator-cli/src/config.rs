//! Settings that stand outside of the call, and where each of them comes from.
//!
//! A flag beats the environment (`SOLEWIRE_CHECK_...`), which beats the configuration file, which beats the user's own
//! file, which beats the default. The file is the one that `--config` names, or the nearest `solewire-check.toml` upward
//! to the root of the repository; outside of a repository, the one in the current folder. The user's own is
//! `solewire-check/solewire-check.toml` in `$XDG_CONFIG_HOME`, or in `.config` of `$HOME`; nothing needs either of them.
//! What shows values or fixes the clock is never configured: it belongs to a single call.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde_json::{Value, json};
use solewire_profiles::Engine;

use crate::args::{
    CatalogueFormat, CheckArguments, ColorChoice, ConfigArguments, ConfigShowArguments, DefinitionArguments,
    EngineArguments, FailOn, Format, InputArguments, Loudness, OutputArguments, monofilament,
};
use crate::catalogue::{nearest, print};
use crate::check;
use crate::console::Console;
use crate::exit::Exit;
use crate::report::one_line;
use crate::report::text::visible;

const FILE: &str = "solewire-check.toml";
const PREFIX: &str = "SOLEWIRE_CHECK_";

/// A setting.
#[derive(Debug)]
struct Key {
    /// Its name in the file; its flag has the same.
    name: &'static str,
    kind: Kind,
    default: &'static [&'static str],
    /// Says what is wrong with a value.
    check: fn(&str) -> Result<(), String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    One,
    Many,
    OnePath,
    ManyPaths,
}

const KEYS: &[Key] = &[
    Key { name: "baseline", kind: Kind::OnePath, default: &[], check: anything },
    Key { name: "color", kind: Kind::One, default: &["auto"], check: word::<ColorChoice> },
    Key { name: "exclude", kind: Kind::Many, default: &[], check: anything },
    Key { name: "fail-on", kind: Kind::One, default: &["error"], check: word::<FailOn> },
    Key { name: "format", kind: Kind::One, default: &["human"], check: word::<Format> },
    Key { name: "guideline", kind: Kind::Many, default: &["iwgdf-2023"], check: anything },
    Key { name: "ignore-file", kind: Kind::OnePath, default: &[], check: anything },
    Key { name: "include", kind: Kind::Many, default: &["*.json", "*.ndjson"], check: anything },
    Key { name: "jobs", kind: Kind::One, default: &[], check: jobs },
    Key { name: "max-errors", kind: Kind::One, default: &["0"], check: number },
    Key { name: "max-errors-per-file", kind: Kind::One, default: &["0"], check: number },
    Key { name: "monofilament", kind: Kind::One, default: &["three-site"], check: criterion },
    Key { name: "profiles", kind: Kind::ManyPaths, default: &[], check: anything },
];

fn anything(text: &str) -> Result<(), String> {
    if text.is_empty() { Err("it is empty".to_owned()) } else { Ok(()) }
}

fn word<T: ValueEnum>(text: &str) -> Result<(), String> {
    T::from_str(text, false).map(|_| ()).map_err(|_| {
        let words = T::value_variants().iter().filter_map(ValueEnum::to_possible_value);
        let words: Vec<String> = words.map(|value| value.get_name().to_owned()).collect();
        format!("give one of {}", words.join(", "))
    })
}

fn number(text: &str) -> Result<(), String> {
    text.parse::<usize>().map(|_| ()).map_err(|_| "give a number from 0".to_owned())
}

fn jobs(text: &str) -> Result<(), String> {
    match text.parse::<u16>() {
        Ok(1..=256) => Ok(()),
        _ => Err("give a number from 1 to 256".to_owned()),
    }
}

fn criterion(text: &str) -> Result<(), String> {
    monofilament(text).map(|_| ())
}

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Origin {
    Environment(String),
    File(PathBuf),
}

/// What the environment and the file say.
#[derive(Debug, Default)]
pub(crate) struct Configuration {
    file: Option<PathBuf>,
    user_file: Option<PathBuf>,
    values: BTreeMap<&'static str, (Vec<String>, Origin)>,
}

impl Configuration {
    /// Reads the environment and the file.
    ///
    /// # Errors
    /// How the run ends when one of them is not well said; the reason has been told.
    pub(crate) fn load(arguments: &ConfigArguments, console: Console) -> Result<Configuration, Exit> {
        let usage = |text: String| {
            console.fault(&text);
            Exit::Usage
        };
        let mut configuration = Configuration::default();
        let file = match (&arguments.config, arguments.no_config) {
            (Some(path), _) => Some(path.clone()),
            (None, true) => None,
            (None, false) => std::env::current_dir().ok().and_then(|here| nearest_file(&here)),
        };
        let user_file = if arguments.no_config {
            None
        } else {
            user_file(|name| std::env::var_os(name)).filter(|path| path.is_file())
        };
        // What is read later takes the place of what was read before.
        for path in user_file.iter().chain(&file) {
            let text = std::fs::read_to_string(path)
                .map_err(|error| usage(format!("{}: cannot be read: {error}.", path.display())))?;
            configuration.read(&text, path).map_err(|error| usage(format!("{}: {error}", path.display())))?;
        }
        configuration.file = file;
        configuration.user_file = user_file;
        let unknown = configuration
            .environment(std::env::vars_os())
            .map_err(|(name, reason)| usage(format!("{name}: {reason}.")))?;
        for name in unknown {
            console.note(&format!("{name} is no setting; `solewire-check config show` lists them."));
        }
        Ok(configuration)
    }

    fn read(&mut self, text: &str, path: &Path) -> Result<(), String> {
        let table: toml::Table =
            toml::from_str(text).map_err(|error| format!("{}.", error.to_string().trim_end()))?;
        for (name, value) in table {
            let Some(key) = KEYS.iter().find(|key| key.name == name) else {
                let hint = nearest(&name, KEYS.iter().map(|key| key.name))
                    .map_or_else(String::new, |near| format!(" The nearest is {near}."));
                return Err(format!("{name} is no setting.{hint}"));
            };
            let mut values =
                texts(&value, key.kind).ok_or_else(|| format!("{name}: {}.", wanted(key.kind)))?;
            for value in &values {
                (key.check)(value).map_err(|reason| format!("{name}: {reason}."))?;
            }
            if matches!(key.kind, Kind::OnePath | Kind::ManyPaths) {
                // Paths are meant from where the file lies, wherever the program is called.
                let folder = path.parent().unwrap_or(Path::new(""));
                for value in &mut values {
                    *value = folder.join(&value).to_string_lossy().into_owned();
                }
            }
            self.values.insert(key.name, (values, Origin::File(path.to_owned())));
        }
        Ok(())
    }

    /// Takes the variables up; gives those with our prefix that are no settings.
    fn environment(
        &mut self,
        variables: impl Iterator<Item = (OsString, OsString)>,
    ) -> Result<Vec<String>, (String, String)> {
        let mut unknown = Vec::new();
        let variables = variables.filter_map(|(name, value)| Some((name.into_string().ok()?, value)));
        for (name, value) in variables.filter(|(name, value)| name.starts_with(PREFIX) && !value.is_empty()) {
            let Some(key) = KEYS.iter().find(|key| variable(key.name) == name) else {
                unknown.push(name);
                continue;
            };
            let Ok(value) = value.into_string() else {
                return Err((name, "it is not UTF-8".to_owned()));
            };
            let values: Vec<String> = match key.kind {
                Kind::One | Kind::OnePath => vec![value],
                Kind::Many | Kind::ManyPaths => value.split(',').map(|part| part.trim().to_owned()).collect(),
            };
            for value in &values {
                (key.check)(value).map_err(|reason| (name.clone(), reason))?;
            }
            self.values.insert(key.name, (values, Origin::Environment(name)));
        }
        unknown.sort();
        Ok(unknown)
    }

    fn many(&self, name: &str) -> Option<&[String]> {
        self.values.get(name).map(|(values, _)| values.as_slice())
    }

    fn one(&self, name: &str) -> Option<&str> {
        self.many(name)?.first().map(String::as_str)
    }

    fn word<T: ValueEnum>(&self, name: &str) -> Option<T> {
        self.one(name).and_then(|text| T::from_str(text, false).ok())
    }

    /// Fills in what the call left open.
    pub(crate) fn fill_input(&self, input: &mut InputArguments) {
        fill_all(&mut input.include, self.many("include"));
        fill_all(&mut input.exclude, self.many("exclude"));
        fill(&mut input.ignore_file, self.one("ignore-file").map(PathBuf::from));
    }

    /// The engine with the definitions that the call names, or that the settings name where it names none.
    ///
    /// # Errors
    /// How the run ends when the settings or the definitions cannot be used; the reason has been said.
    pub(crate) fn engine(mut arguments: DefinitionArguments, console: Console) -> Result<Engine, Exit> {
        let configuration = Configuration::load(&arguments.config, console)?;
        fill_all(&mut arguments.profiles, configuration.many("profiles"));
        check::engine(&arguments.profiles, console)
    }

    /// Fills in what the call left open.
    pub(crate) fn fill_engine(&self, engine: &mut EngineArguments) {
        fill_all(&mut engine.profiles, self.many("profiles"));
        fill(&mut engine.jobs, self.one("jobs").and_then(|text| text.parse().ok()));
    }

    /// Fills in what the call left open.
    pub(crate) fn fill_check(&self, check: &mut CheckArguments) {
        self.fill_engine(&mut check.engine);
        if !check.strict {
            fill(&mut check.fail_on, self.word("fail-on"));
        }
        fill(&mut check.max_errors, self.one("max-errors").and_then(|text| text.parse().ok()));
        let per_file = self.one("max-errors-per-file").and_then(|text| text.parse().ok());
        fill(&mut check.max_errors_per_file, per_file);
    }

    /// Fills in what the call left open, with a format only where the command has it.
    pub(crate) fn fill_output(&self, output: &mut OutputArguments, formats: &[Format]) {
        fill(&mut output.format, self.word("format").filter(|format| formats.contains(format)));
        fill(&mut output.color, self.word("color"));
    }

    pub(crate) fn fill_baseline(&self, baseline: &mut Option<PathBuf>) {
        fill(baseline, self.one("baseline").map(PathBuf::from));
    }

    pub(crate) fn guidelines(&self) -> &[String] {
        self.many("guideline").unwrap_or_default()
    }

    pub(crate) fn monofilament(&self) -> Option<solewire_profiles::findings::MonofilamentCriterion> {
        self.one("monofilament").and_then(|text| monofilament(text).ok())
    }
}

/// Shows every setting with its value and its source.
pub(crate) fn show(arguments: &ConfigShowArguments) -> Exit {
    let configuration = match Configuration::load(&arguments.config, Console::new(Loudness::Normal)) {
        Ok(configuration) => configuration,
        Err(exit) => return exit,
    };
    let rows = KEYS.iter().map(|key| match configuration.values.get(key.name) {
        Some((values, Origin::Environment(name))) => {
            (key.name, values.clone(), format!("environment {name}"))
        }
        Some((values, Origin::File(path))) => (key.name, values.clone(), format!("file {}", path.display())),
        None => {
            let values = key.default.iter().map(|&value| value.to_owned()).collect();
            (key.name, values, "default".to_owned())
        }
    });
    let text = match arguments.format {
        CatalogueFormat::Json => {
            let settings: Vec<Value> = rows
                .map(|(name, values, source)| json!({ "name": name, "values": values, "source": source }))
                .collect();
            let shown = |path: &Option<PathBuf>| json!(path.as_ref().map(|path| path.to_string_lossy()));
            let (file, user_file) = (shown(&configuration.file), shown(&configuration.user_file));
            one_line(&json!({
                "schema_version": 1,
                "file": file,
                "user_file": user_file,
                "settings": settings
            })) + "\n"
        }
        CatalogueFormat::Human => rows
            .map(|(name, values, source)| {
                let value = if values.is_empty() { "-".to_owned() } else { values.join(", ") };
                format!("{name:<19} {:<24} {}\n", visible(&value), visible(&source))
            })
            .collect(),
    };
    print(&text)
}

fn variable(name: &str) -> String {
    format!("{PREFIX}{}", name.to_uppercase().replace('-', "_"))
}

fn texts(value: &toml::Value, kind: Kind) -> Option<Vec<String>> {
    match (value, kind) {
        (toml::Value::String(text), _) => Some(vec![text.clone()]),
        (toml::Value::Integer(number), Kind::One) => Some(vec![number.to_string()]),
        (toml::Value::Array(items), Kind::Many | Kind::ManyPaths) => {
            items.iter().map(|item| item.as_str().map(str::to_owned)).collect()
        }
        _ => None,
    }
}

fn wanted(kind: Kind) -> &'static str {
    match kind {
        Kind::One => "give one text or number",
        Kind::OnePath => "give one path as text",
        Kind::Many | Kind::ManyPaths => "give a list of texts",
    }
}

/// The user's own file: where the XDG Base Directory Specification puts it. Relative paths there count for nothing.
fn user_file(variable: impl Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    let absolute = |name: &str| variable(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let folder = absolute("XDG_CONFIG_HOME").or_else(|| absolute("HOME").map(|home| home.join(".config")))?;
    Some(folder.join("solewire-check").join(FILE))
}

fn nearest_file(here: &Path) -> Option<PathBuf> {
    let root = here.ancestors().find(|folder| folder.join(".git").exists()).unwrap_or(here);
    let found = here
        .ancestors()
        .take_while(|folder| folder.starts_with(root))
        .map(|folder| folder.join(FILE))
        .find(|path| path.is_file())?;
    // Relative where it lies here, so that what is shown does not depend on the machine.
    Some(found.strip_prefix(here).map_or_else(|_| found.clone(), Path::to_owned))
}

fn fill<T>(open: &mut Option<T>, value: Option<T>) {
    if open.is_none() {
        *open = value;
    }
}

fn fill_all<T: for<'t> From<&'t String>>(open: &mut Vec<T>, values: Option<&[String]>) {
    if open.is_empty() {
        open.extend(values.unwrap_or_default().iter().map(T::from));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Configuration, String> {
        let mut configuration = Configuration::default();
        configuration.read(text, Path::new("up/solewire-check.toml")).map(|()| configuration)
    }

    #[test]
    fn every_key_is_read_and_paths_are_meant_from_the_file() {
        let configuration = read(
            "fail-on = \"warning\"\njobs = 3\nguideline = [\"iwgdf-2023\"]\nbaseline = \"accepted.toml\"\nexclude = [\"old/\", \"*.bak.json\"]\n",
        )
        .unwrap();
        assert_eq!(configuration.word::<FailOn>("fail-on"), Some(FailOn::Warning));
        assert_eq!(configuration.one("baseline"), Some("up/accepted.toml"));
        assert_eq!(configuration.many("exclude").unwrap().len(), 2);
    }

    #[test]
    fn what_is_not_well_said_is_named() {
        for (text, wanted) in [
            ("fail_on = \"error\"", "The nearest is fail-on"),
            ("fail-on = \"never\"", "give one of error, warning, note"),
            ("jobs = 0", "from 1 to 256"),
            ("jobs = [1]", "give one text or number"),
            ("guideline = [1]", "give a list of texts"),
            ("show-values = true", "show-values is no setting"),
            ("= 1", "TOML"),
        ] {
            let said = read(text).unwrap_err();
            assert!(said.contains(wanted), "{text}: {said}");
        }
    }

    #[test]
    fn the_environment_beats_the_file() {
        let mut configuration = read("fail-on = \"warning\"\nformat = \"json\"").unwrap();
        let pairs = [
            ("SOLEWIRE_CHECK_FAIL_ON", "note"),
            ("SOLEWIRE_CHECK_INCLUDE", "a*.json, b*.json"),
            ("SOLEWIRE_CHECK_FORMAT", ""),
            ("SOLEWIRE_CHECK_FAIL", "x"),
            ("PATH", "y"),
        ];
        let variables = || pairs.iter().map(|(name, value)| (OsString::from(name), OsString::from(value)));
        assert_eq!(configuration.environment(variables()), Ok(vec!["SOLEWIRE_CHECK_FAIL".to_owned()]));
        assert_eq!(configuration.one("fail-on"), Some("note"));
        assert_eq!(configuration.one("format"), Some("json"), "empty is as good as unset");
        assert_eq!(configuration.many("include").unwrap(), ["a*.json", "b*.json"]);
        let wrong = [(OsString::from("SOLEWIRE_CHECK_JOBS"), OsString::from("many"))];
        assert!(configuration.environment(wrong.into_iter()).is_err());
    }

    #[test]
    fn the_users_own_file_is_looked_for_where_the_environment_says_and_nowhere_without_it() {
        let at = |pairs: &[(&str, &str)]| {
            user_file(|name| pairs.iter().find(|pair| pair.0 == name).map(|pair| OsString::from(pair.1)))
        };
        let own = |folder: &str| Some(Path::new(folder).join("solewire-check").join(FILE));
        assert_eq!(at(&[("XDG_CONFIG_HOME", "/c"), ("HOME", "/h")]), own("/c"));
        assert_eq!(at(&[("XDG_CONFIG_HOME", "relative"), ("HOME", "/h")]), own("/h/.config"));
        assert_eq!(at(&[("HOME", "")]), None);
        assert_eq!(at(&[]), None);
    }

    #[test]
    fn the_search_ends_at_the_root_of_the_repository() {
        let folder = tempfile::tempdir().unwrap();
        let deep = folder.path().join("repository/a/b");
        std::fs::create_dir_all(&deep).unwrap();
        std::fs::write(folder.path().join(FILE), "").unwrap();
        std::fs::write(folder.path().join("repository").join(FILE), "").unwrap();
        assert_eq!(nearest_file(&deep), None, "outside of a repository only the current folder counts");
        std::fs::create_dir(folder.path().join("repository/a/.git")).unwrap();
        assert_eq!(nearest_file(&deep), None);
        std::fs::create_dir(folder.path().join("repository/.git")).unwrap();
        std::fs::remove_dir(folder.path().join("repository/a/.git")).unwrap();
        assert_eq!(nearest_file(&deep), Some(folder.path().join("repository").join(FILE)));
        std::fs::write(deep.join(FILE), "").unwrap();
        assert_eq!(nearest_file(&deep), Some(PathBuf::from(FILE)));
    }
}
