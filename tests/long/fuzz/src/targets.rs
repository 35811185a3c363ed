//! What is fuzzed: each target makes an input from a random number and its seeds, and tries it.

use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use solewire_profiles::definitions::BaseTables;
use solewire_profiles::invariants::{Expression, Focus, Steps};
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::profile::Profiles;
use solewire_profiles::terminology::Terminology;
use solewire_profiles::{AssessOptions, CheckContext, Engine};

use crate::random::Random;
use crate::{bytes, seeds, tree};

/// A target. What it makes is what it tries, so that an input can be written down in between.
pub(crate) trait Target {
    /// The next input.
    fn make(&self, random: &mut Random) -> Vec<u8>;
    /// Tries an input; a panic is a finding. Gives whether it got past the first stage.
    fn attempt(&self, input: &[u8]) -> bool;
}

/// The target of a name.
pub(crate) fn named(name: &str, repository: &Path) -> Option<Box<dyn Target>> {
    match name {
        "json" => Some(Box::new(Json::load(repository))),
        "profile" => Some(Box::new(Profile::load(repository))),
        "fhirpath" => Some(Box::new(FhirPath::load(repository))),
        _ => None,
    }
}

const JSON_TOKENS: &[&str] = &[
    "{",
    "}",
    "[",
    "]",
    ":",
    ",",
    "\"",
    "\\",
    "\\u0000",
    "\\ud800",
    "\\udc00",
    "\\ud83d\\ude00",
    "null",
    "true",
    "false",
    "-0",
    "1e999",
    "1E-400",
    "0.0",
    "01",
    "-",
    "12345678901234567890",
    "{\"a\":",
    "[[",
    "\"resourceType\":\"Bundle\",",
    "\"contained\":[",
    "\"$serde_json::private::Number\":\"1\"",
    "\"$serde_json::private::RawValue\":\"1\"",
    "\"entry\":[",
    "\u{feff}",
    "\r\n",
    "\t",
    "\u{0}",
    "\u{2028}",
    "/*",
    "//",
    "'",
    "\"id\":\"#\"",
    "\"reference\":\"#\"",
    "\"_x\":",
    "\"extension\":[{\"url\":\"",
    "\"value\":",
    "\"fullUrl\":\"urn:uuid:",
];

/// Bytes to a document, its checks, its exams and their assessment.
struct Json {
    engine: Engine,
    texts: Vec<Vec<u8>>,
    values: Vec<Value>,
    context: CheckContext,
    options: AssessOptions,
}

impl Json {
    fn load(repository: &Path) -> Json {
        let mut texts = seeds::files(&repository.join("tests/corpus"), "input.json");
        texts.extend(seeds::files(&repository.join("tests/long/fuzz/seeds/json"), ""));
        let mut values: Vec<Value> =
            texts.iter().filter_map(|text| serde_json::from_slice(text).ok()).collect();
        // Resources alone are small, so many more of them can be tried in the same time.
        let alone: Vec<Value> = values
            .iter()
            .filter_map(|value| value.get("entry")?.as_array())
            .flatten()
            .filter_map(|entry| entry.get("resource").cloned())
            .collect();
        texts.extend(alone.iter().filter_map(|resource| serde_json::to_vec(resource).ok()));
        values.extend(alone);
        let at = "2026-11-01T12:00:00Z".parse().expect("an instant");
        let mut options = AssessOptions::at(at);
        let engine = Engine::builtin().expect("the shipped definitions");
        options.guidelines = engine.guidelines().iter().map(|guideline| guideline.id.clone()).collect();
        Json { engine, texts, values, context: CheckContext::at(at), options }
    }
}

impl Target for Json {
    fn make(&self, random: &mut Random) -> Vec<u8> {
        if random.one_in(2) {
            return bytes::mutate(random, &self.texts, JSON_TOKENS);
        }
        let mut value = random.pick(&self.values).clone();
        tree::mutate(random, &mut value, &self.values);
        serde_json::to_vec(&value).unwrap_or_default()
    }

    fn attempt(&self, input: &[u8]) -> bool {
        let Ok(document) = Document::parse(input.to_vec(), Limits::default()) else { return false };
        // What the checks refuse must be survived too: a caller may ask in any order.
        let issues = self.engine.check(&document, &self.context);
        for issue in &issues {
            assert!(issue.position.is_some(), "an issue of a document has no position: {}", issue.rule);
        }
        let Ok(submission) = self.engine.submission(&document, &self.context) else { return true };
        for exam in &submission.exams {
            let resources: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
            black_box(self.engine.assess(&exam.key, &resources, &self.options));
        }
        true
    }
}

/// A StructureDefinition to a profile, and a resource held against it.
struct Profile {
    terminology: Arc<Terminology>,
    definitions: Vec<Value>,
    documents: Vec<Value>,
}

impl Profile {
    fn load(repository: &Path) -> Profile {
        let mut texts = seeds::files(&repository.join("profiles/local/structure-definitions"), "");
        texts.extend(seeds::files(&repository.join("tests/long/fuzz/seeds/profile"), ""));
        let parse =
            |texts: Vec<Vec<u8>>| texts.iter().filter_map(|text| serde_json::from_slice(text).ok()).collect();
        let definitions: Vec<Value> = parse(texts);
        let documents = parse(seeds::files(&repository.join("tests/corpus"), "input.json"));
        assert!(!definitions.is_empty(), "no definitions were found");
        let terminology = Arc::new(Terminology::builtin());
        Profile { terminology, definitions, documents }
    }
}

const OWN_URL: &str = "https://harbourlane.example/fuzzed";

impl Target for Profile {
    fn make(&self, random: &mut Random) -> Vec<u8> {
        let mut value = random.pick(&self.definitions).clone();
        // Most changes go to the differential: that is what is compiled.
        let inner = value.pointer_mut("/differential/element").filter(|_| !random.one_in(8));
        match inner {
            Some(elements) => {
                let donors: Vec<Value> = self
                    .definitions
                    .iter()
                    .filter_map(|other| other.pointer("/differential").cloned())
                    .collect();
                tree::mutate(random, elements, &donors);
            }
            None => tree::mutate(random, &mut value, &self.definitions),
        }
        if let Some(members) = value.as_object_mut()
            && !random.one_in(50)
        {
            members.insert("url".to_owned(), OWN_URL.into());
        }
        serde_json::to_vec(&value).unwrap_or_default()
    }

    fn attempt(&self, input: &[u8]) -> bool {
        let text = String::from_utf8_lossy(input);
        let Ok(profiles) = Profiles::with_files(Arc::clone(&self.terminology), &[("fuzzed.json", &*text)])
        else {
            return false;
        };
        let number = input.len() % self.documents.len();
        if let Some(document) = self.documents.get(number) {
            let mut document = document.clone();
            claim(&mut document);
            black_box(profiles.check_document(&document));
        }
        true
    }
}

/// Has every resource of a document claim the fuzzed profile, so that it is applied.
fn claim(value: &mut Value) {
    if let Some(entries) = value.get_mut("entry").and_then(Value::as_array_mut) {
        entries.iter_mut().filter_map(|entry| entry.get_mut("resource")).for_each(claim);
    } else if let Some(members) = value.as_object_mut() {
        members.insert("meta".to_owned(), serde_json::json!({ "profile": [OWN_URL] }));
    }
}

const PATH_TOKENS: &[&str] = &[
    "(",
    ")",
    "((",
    ".",
    ",",
    "'",
    "\"",
    "`",
    "\\",
    "{}",
    "$this",
    "$index",
    "%resource",
    "%rootResource",
    "%ucum",
    "and",
    " or ",
    "xor",
    " implies ",
    " in ",
    " contains ",
    " is ",
    " as ",
    " div ",
    " mod ",
    "|",
    "&",
    "+",
    "-",
    "*",
    "/",
    "<=",
    "!=",
    "~",
    "where(",
    "all(",
    "exists()",
    "select(",
    "descendants()",
    "children()",
    "first()",
    "count()",
    "matches('",
    "replaceMatches('",
    "substring(",
    "iif(",
    "ofType(",
    "toInteger()",
    "toDecimal()",
    "toString()",
    "combine(",
    "isDistinct()",
    "indexOf('",
    "skip(",
    "9223372036854775807",
    "-9223372036854775808",
    "79228162514264337593543950335",
    "0.0000000000000000000000000001",
    "1e5",
    "@2024-02-30",
    "@T25:00",
    "@2024-01-01T00:00:00+14:00",
    "@9999-12-31",
    "5 'mg'",
    "5 years",
    "[0]",
    "[-1]",
    "[2147483648]",
    "'\\u00e9'",
    "\u{1f9b6}",
    "true",
    "false",
    "/*",
    "//",
    "\n",
    "value",
    "subject.reference",
    "component",
    "entry.resource",
];

/// An expression, compiled and decided on documents.
struct FhirPath {
    tables: &'static BaseTables,
    expressions: Vec<Vec<u8>>,
    documents: Vec<Value>,
}

impl FhirPath {
    fn load(repository: &Path) -> FhirPath {
        let tables = BaseTables::builtin();
        let published = tables.invariant_paths().flat_map(|path| tables.invariants(path));
        let mut expressions: Vec<Vec<u8>> =
            published.map(|invariant| invariant.expression.as_bytes().to_vec()).collect();
        for file in seeds::files(&repository.join("tests/long/fuzz/seeds/fhirpath"), "") {
            expressions.extend(
                file.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()).map(<[u8]>::to_vec),
            );
        }
        expressions.sort();
        let corpus = seeds::files(&repository.join("tests/corpus"), "input.json");
        let documents = corpus.iter().filter_map(|text| serde_json::from_slice(text).ok()).collect();
        FhirPath { tables, expressions, documents }
    }
}

impl Target for FhirPath {
    fn make(&self, random: &mut Random) -> Vec<u8> {
        bytes::mutate(random, &self.expressions, PATH_TOKENS)
    }

    fn attempt(&self, input: &[u8]) -> bool {
        let text = String::from_utf8_lossy(input);
        let Ok(expression) = Expression::compile(&text) else { return false };
        let types = |parent: &str, property: &str| self.tables.element_type(parent, property);
        let number = input.len() % self.documents.len();
        let Some(document) = self.documents.get(number) else { return false };
        let steps = Steps::for_document(document);
        let root = Focus::resource(document, &types, &steps);
        // Whatever it decides, or that it cannot: only that it comes back is asked here.
        black_box(expression.holds(&root)).ok();
        for pointer in [
            "/entry/0/resource",
            "/entry/1/resource/code",
            "/entry/1/resource/valueQuantity",
            "/entry/2/resource",
        ] {
            if let Some(focus) = root.locate(pointer) {
                black_box(expression.holds(&focus)).ok();
            }
        }
        true
    }
}
