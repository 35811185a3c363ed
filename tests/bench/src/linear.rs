//! Target 8: the cost of each finding, issue and profile does not depend on how many there are.

use std::hint::black_box;
use std::time::Duration;

use serde_json::{Value, json};
use solewire_profiles::issue::refused;
use solewire_profiles::json::Document;
use solewire_profiles::{AssessOptions, Engine};
use solewire_tests::corpus::case;

use crate::figures::{Figures, fastest, median};
use crate::library::{context, read};
use crate::table::{Row, Table, Target, short};

const ROUNDS: usize = 5;
const SPAN: Duration = Duration::from_millis(1200);
const EXAM: &str = "complete-normal";

/// Something of a size that is to be timed.
struct Sized {
    units: usize,
    job: Box<dyn Fn()>,
}

pub(crate) fn measure(table: &mut Table) {
    let sizes = [1, 3, 10, 30, 91].map(|exams| {
        let text = exams_in_one(exams);
        let findings = findings(&read(&text));
        let engine = Engine::builtin().expect("the shipped definitions");
        Sized { units: findings, job: Box::new(move || whole_way(&engine, &text)) }
    });
    spread(table, "8a", "checking and assessing, a finding, from 11 to 1,001 findings in a Bundle", &sizes);

    let sizes = [1, 10, 100, 1_000, 10_000].map(|faults| {
        let text = with_issues(faults);
        let engine = Engine::builtin().expect("the shipped definitions");
        let found = engine.check(&read(&text), &context());
        let of_results = found.iter().filter(|issue| issue.pointer.ends_with("/colour")).count();
        assert_eq!(of_results, faults, "each result has one fault; also found: {:?}", found.last());
        Sized {
            units: faults,
            job: Box::new(move || {
                black_box(engine.check(&read(&text), &context()));
            }),
        }
    });
    spread(table, "8b", "checking, an issue, from 1 to 10,000 results of one issue each", &sizes);

    let sizes = [1, 2, 5, 20, 80, 200].map(|profiles| {
        let files = site_profiles(profiles);
        Sized {
            units: profiles,
            job: Box::new(move || {
                black_box(Engine::with_site_files(black_box(&files)).expect("the profiles of a site"));
            }),
        }
    });
    let unloaded = Sized { units: 0, job: Box::new(|| drop(black_box(Engine::builtin()))) };
    spread_beyond(table, "8c", "loading, a profile beyond those shipped, from 1 to 200", &unloaded, &sizes);

    let sizes = [1, 2, 5, 20, 80, 200].map(|profiles| {
        let engine = Engine::with_site_files(&site_profiles(profiles)).expect("the profiles of a site");
        let text = claiming(profiles);
        assert!(!refused(&engine.check(&read(&text), &context())), "the result fits the profiles");
        let job = move || {
            black_box(engine.check(&read(&text), &context()));
        };
        Sized { units: profiles, job: Box::new(job) }
    });
    spread(table, "8d", "checking a result, a profile that it claims, from 1 to 200", &sizes);

    let engines = [1, 200].map(|profiles| Engine::with_site_files(&site_profiles(profiles)).expect("a site"));
    let text = case(EXAM).input;
    let check = |engine: &Engine| drop(black_box(engine.check(&read(&text), &context())));
    let rounds: Vec<[f64; 2]> =
        (0..ROUNDS).map(|_| fastest(SPAN, [&|| check(&engines[0]), &|| check(&engines[1])])).collect();
    let time = |which: usize| median(&rounds.iter().map(|round| round[which]).collect::<Vec<_>>()) * 1e6;
    table.put(&Row {
        id: "8e",
        what: "checking an exam with 200 profiles loaded that it does not claim / with 1".to_owned(),
        target: Target::AtMost(1.3),
        figures: Figures::of(rounds.iter().map(|[one, many]| many / one).collect()),
        behind: format!("{} / {} µs", short(time(1)), short(time(0))),
    });
}

/// How much the time of a unit grows from any size to a larger one, at most.
fn spread(table: &mut Table, id: &'static str, what: &str, sizes: &[Sized]) {
    spread_beyond(table, id, what, &Sized { units: 0, job: Box::new(|| {}) }, sizes);
}

/// The same of what a size takes beyond what there is anyhow.
fn spread_beyond(table: &mut Table, id: &'static str, what: &str, base: &Sized, sizes: &[Sized]) {
    let mut rounds = Vec::new();
    let mut units = vec![Vec::new(); sizes.len()];
    for _ in 0..ROUNDS {
        let [fixed] = fastest(SPAN / 4, [&base.job]);
        let each: Vec<f64> =
            sizes.iter().map(|size| (fastest(SPAN, [&size.job])[0] - fixed) / size.units as f64).collect();
        for (unit, seconds) in units.iter_mut().zip(&each) {
            unit.push(seconds * 1e6);
        }
        rounds.push(growth(&each));
    }
    let units: Vec<String> = units.iter().map(|unit| short(median(unit))).collect();
    table.put(&Row {
        id,
        what: format!("time at a size / at any smaller one, at most: {what}"),
        target: Target::AtMost(1.3),
        figures: Figures::of(rounds),
        behind: format!("{} µs", units.join(", ")),
    });
}

/// The greatest of the times over the least before it. A time that only falls gives one: what is done once for all units
/// weighs less on each of many.
fn growth(times: &[f64]) -> f64 {
    let mut least = f64::INFINITY;
    let over_least = times.iter().map(|time| {
        least = least.min(*time);
        time / least
    });
    over_least.fold(1.0, f64::max)
}

/// From bytes to what follows from each exam.
fn whole_way(engine: &Engine, text: &[u8]) {
    let document = read(text);
    assert!(!refused(&engine.check(&document, &context())), "the exams are taken");
    let submission = engine.submission(&document, &context()).expect("exams");
    let options = AssessOptions::at(context().at);
    for exam in &submission.exams {
        let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
        black_box(engine.assess(&exam.key, &bodies, &options));
    }
}

fn findings(document: &Document) -> usize {
    let entries = document.value()["entry"].as_array().expect("entries");
    entries.iter().filter(|entry| entry["resource"].get("hasMember").is_none()).count()
}

/// A Bundle of so many exams, each of a person of its own.
fn exams_in_one(exams: usize) -> Vec<u8> {
    let one = case(EXAM).json();
    let mut entries = Vec::new();
    for number in 0..exams {
        let text = one["entry"].to_string();
        let text = text.replace("urn:uuid:5e1e0000-", &format!("urn:uuid:5e1e{number:04x}-"));
        let text = text.replace("HL-EXAM-2026-0001", &format!("HL-EXAM-{number}"));
        let text = text.replace("HL-PERSON-0001", &format!("HL-PERSON-{number}"));
        let copied: Vec<Value> = serde_json::from_str(&text).expect("the entries of an exam");
        entries.extend(copied);
    }
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries }).to_string().into_bytes()
}

/// Results of a device in a collection, each with an element that R4 does not have.
fn with_issues(number: usize) -> Vec<u8> {
    let mut result = case("device-result").json();
    result["colour"] = "blue".into();
    let entries: Vec<Value> = (0..number)
        .map(|number| {
            let mut result = result.clone();
            result["id"] = format!("r{number}").into();
            result["identifier"][0]["value"] = format!("HL-{number}").into();
            result["subject"]["identifier"]["value"] = format!("HL-PERSON-{number}").into();
            let url = format!("https://harbourlane.example/fhir/Observation/r{number}");
            json!({ "fullUrl": url, "resource": result })
        })
        .collect();
    json!({ "resourceType": "Bundle", "type": "collection", "entry": entries }).to_string().into_bytes()
}

fn profile_url(number: usize) -> String {
    format!("https://harbourlane.example/fhir/StructureDefinition/bench-{number}")
}

/// Profiles of a site that ask for what every result of a device has.
fn site_profiles(number: usize) -> Vec<(String, String)> {
    let profile = |number: usize| {
        let definition = json!({
            "resourceType": "StructureDefinition", "url": profile_url(number), "version": "1.0.0",
            "name": format!("Bench{number}"), "status": "active", "fhirVersion": "4.0.1", "kind": "resource",
            "abstract": false, "type": "Observation", "derivation": "constraint",
            "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
            "differential": { "element": [
                { "id": "Observation", "path": "Observation" },
                { "id": "Observation.identifier", "path": "Observation.identifier", "min": 1 },
                { "id": "Observation.subject", "path": "Observation.subject", "min": 1 },
                { "id": "Observation.code", "path": "Observation.code", "min": 1 },
            ] },
        });
        (format!("bench-{number}.json"), definition.to_string())
    };
    (0..number).map(profile).collect()
}

/// A result of a device that claims all of these profiles.
fn claiming(profiles: usize) -> Vec<u8> {
    let mut result = case("device-result").json();
    let urls: Vec<String> = (0..profiles).map(profile_url).collect();
    result["meta"] = json!({ "profile": urls });
    result.to_string().into_bytes()
}
