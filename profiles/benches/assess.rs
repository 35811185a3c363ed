//! How long an assessment takes beside reading the file it is made from: `cargo bench -p solewire-profiles`.
//!
//! The exam covers both feet; what the history and some tests would have said is not known, so that many facts stay
//! open. Prints medians; nothing depends on them.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing)]

use std::hint::black_box;
use std::time::{Duration, Instant};

use serde_json::Value;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{AssessOptions, CheckContext, Engine, Past};

const RUNS: usize = 501;
/// The guidelines that give a category.
const GUIDELINES: [&str; 4] = ["iwgdf-2023", "nice-ng19", "ada-2008", "scotland-2016"];
/// Tests that leave the facts open that rest on them.
const LEFT_OUT: [&str; 10] = [
    "active-problem",
    "monofilament-10g",
    "vibration-128hz",
    "pulse",
    "systolic-pressure",
    "deformity",
    "skin",
    "history",
    "egfr",
    "self-care",
];

fn main() {
    let text = include_str!("../../service/src/demo/exam.json");
    let mut full: Value = serde_json::from_str(text).unwrap();
    let whole = full.to_string();
    let mut open = full.take();
    for entry in open["entry"].as_array_mut().unwrap() {
        let resource = &mut entry["resource"];
        let test = resource.pointer("/code/coding/0/code").and_then(Value::as_str).unwrap_or_default();
        if LEFT_OUT.contains(&test) {
            leave_open(resource);
        }
    }
    let open = open.to_string();
    let engine = Engine::builtin().unwrap();
    let at = "2026-11-02T09:00:00Z".parse().unwrap();
    let mut options = AssessOptions::at(at);
    options.guidelines = GUIDELINES.iter().map(|id| (*id).to_owned()).collect();
    println!("{:<34}{:>12}{:>12}{:>14}{:>14}", "exam", "open facts", "bytes", "parse", "assess");
    for (name, text) in [("everything examined", &whole), ("most of it not examined", &open)] {
        let document = Document::parse(text.clone().into_bytes(), Limits::default()).unwrap();
        let submission = engine.submission(&document, &CheckContext::at(at)).unwrap();
        let exam = &submission.exams[0];
        let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
        let parse = median(|| {
            black_box(serde_json::from_str::<Value>(black_box(text)).unwrap());
        });
        let assess = median(|| {
            black_box(engine.assess(&exam.key, black_box(&bodies), &options));
        });
        let derived = engine.assess(&exam.key, &bodies, &options);
        let said = |summary: &solewire_profiles::AssessmentSummary| {
            summary
                .missing
                .iter()
                .filter_map(|line| Some(line.split_once(" is not known. ")?.0.to_owned()))
                .collect::<Vec<_>>()
        };
        let mut facts: Vec<String> = derived.assessments.iter().flat_map(said).collect();
        facts.sort();
        facts.dedup();
        println!("{name:<34}{:>12}{:>12}{parse:>14.1?}{assess:>14.1?}", facts.len(), text.len());
        let after = median(|| {
            let earlier = engine.facts(black_box(&bodies), &options);
            let past = Past { exams: &[&earlier], ..Past::default() };
            black_box(engine.assess_after(&exam.key, black_box(&bodies), &options, past));
        });
        println!("{:<34}{:>12}{:>12}{:>14}{after:>14.1?}", "  beside another exam", "", "", "");
    }
}

/// Takes the results away and says that there are none.
fn leave_open(resource: &mut Value) {
    let reason = serde_json::json!({ "coding": [{
        "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "not-performed" }] });
    let open = |holder: &mut Value| {
        let members = holder.as_object_mut().unwrap();
        members.retain(|name, _| !name.starts_with("value"));
        members.insert("dataAbsentReason".to_owned(), reason.clone());
    };
    match resource.get_mut("component").and_then(Value::as_array_mut) {
        Some(components) => components.iter_mut().for_each(open),
        None => open(resource),
    }
}

fn median(mut run: impl FnMut()) -> Duration {
    let mut times: Vec<Duration> = (0..RUNS)
        .map(|_| {
            let started = Instant::now();
            run();
            started.elapsed()
        })
        .collect();
    times.sort_unstable();
    times[RUNS / 2]
}
