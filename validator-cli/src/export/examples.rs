//! Examples for the exported profiles: exams of the test corpus, and what follows from them.

use jiff::Timestamp;
use serde_json::{Value, json};
use solewire_profiles::issue::refused;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::published::Published;
use solewire_profiles::{AssessOptions, CheckContext, Engine};

use super::{profiles, text};

/// The instant of what is derived.
const AT: Timestamp = Timestamp::constant(1_795_687_200, 0);

macro_rules! cases {
    ($($name:literal)*) => {
        [$(include_str!(concat!("../../../tests/corpus/", $name, "/input.json"))),*]
    };
}

/// Between them they have every test in every form, and an exam that leads to a referral.
const CASES: [&str; 11] = cases! {
    "complete-normal" "single-form" "active-ulcer-urgent" "device-result" "pressures-in-kilopascal" "category-3"
    "different-feet" "toe-touch-two-of-six" "vibration-threshold-25" "category-2" "further-tests"
};

/// Every resource of the cases, and those derived.
pub(super) fn read() -> Result<Vec<Value>, String> {
    let engine = Engine::builtin().map_err(|error| error.to_string())?;
    let (context, options) = (CheckContext::at(AT), AssessOptions::at(AT));
    let mut all = Vec::new();
    let mut derived = Vec::new();
    for case in CASES {
        let document = Document::parse(case.as_bytes().to_vec(), Limits::default())
            .map_err(|_| "an example cannot be read".to_owned())?;
        let body = document.value();
        match body.get("entry").and_then(Value::as_array) {
            Some(entries) => all.extend(entries.iter().filter_map(|entry| entry.get("resource")).cloned()),
            None => all.push(body.clone()),
        }
        if refused(&engine.check(&document, &context)) {
            continue;
        }
        let Ok(submission) = engine.submission(&document, &context) else { continue };
        for exam in &submission.exams {
            let bodies: Vec<&Value> = exam.resources.iter().map(|resource| &resource.body).collect();
            derived.extend(engine.assess(&exam.key, &bodies, &options).resources);
        }
    }
    all.extend(derived);
    all.iter_mut().for_each(by_itself);
    // An example that could not be sent as it stands would teach the wrong thing.
    all.retain(|example| {
        let bytes = example.to_string().into_bytes();
        let document = Document::parse(bytes, Limits::default());
        document.is_ok_and(|document| !refused(&engine.check(&document, &context)))
    });
    Ok(all)
}

/// A result that stands alone says of which visit it is, which its panel said for it.
fn by_itself(example: &mut Value) {
    if text(example, "resourceType") != "Observation" || example.get("encounter").is_some() {
        return;
    }
    let visit = json!({
        "type": "Encounter",
        "identifier": { "system": "https://harbourlane.example/visit", "value": "HL-VISIT-2026-0001" }
    });
    if let Some(object) = example.as_object_mut().filter(|object| !object.contains_key("hasMember")) {
        object.insert("encounter".to_owned(), visit);
    }
}

/// The first that is of a profile: it names it, or has the code that the profile asks for in the form it asks for. Of an
/// abstract profile, which nothing names, it is the first of a profile that is based on it.
pub(super) fn of<'e>(profile: &Value, definitions: &[Published], examples: &'e [Value]) -> Option<&'e Value> {
    let url = text(profile, "url");
    if profile.get("abstract") == Some(&Value::Bool(true)) {
        let mut based = profiles(definitions).filter(|one| text(&one.resource, "baseDefinition") == url);
        return based.find_map(|one| of(&one.resource, definitions, examples));
    }
    let named = |example: &&Value| {
        let profiles = example.pointer("/meta/profile").and_then(Value::as_array);
        profiles.is_some_and(|profiles| profiles.iter().any(|one| one == url))
    };
    let elements = profile.pointer("/differential/element").and_then(Value::as_array);
    let code = elements.into_iter().flatten().find(|element| text(element, "id") == "Observation.code");
    let coding = code.and_then(|code| code.pointer("/patternCodeableConcept/coding/0"));
    let single = text(profile, "id").ends_with("-site");
    let alike = |example: &&Value| {
        let Some(coding) = coding.filter(|_| text(example, "resourceType") == "Observation") else {
            return false;
        };
        let codings = example.pointer("/code/coding").and_then(Value::as_array);
        let same = |one: &Value| {
            text(one, "system") == text(coding, "system") && text(one, "code") == text(coding, "code")
        };
        let site = example.pointer("/bodySite/coding/0/code").and_then(Value::as_str).unwrap_or_default();
        let of_a_site =
            example.get("component").is_none() && !matches!(site, "" | "left-foot" | "right-foot");
        single == of_a_site && codings.is_some_and(|codings| codings.iter().any(same))
    };
    examples.iter().find(named).or_else(|| examples.iter().find(alike))
}
