//! One of the main paths, so many times over: `paths PATH TIMES [FILE]`. `tests/bench/instructions` counts what each turn costs
//! by running it under callgrind with two numbers.
//!
//! The paths are `load` (the shipped definitions), `check` (bytes to issues), `assess` (an exam's resources to what
//! follows from them) and `submit` (bytes to what is stored).
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::hint::black_box;

use serde_json::Value;
use solewire_profiles::issue::refused;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{AssessOptions, CheckContext, Engine, Submission};

const EXAM: &[u8] = include_bytes!("../../service/src/demo/exam.json");

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|argument| !argument.starts_with("--"));
    // `cargo bench` runs all benches and names no path: once through the longest is then enough.
    let path = arguments.next().unwrap_or_else(|| "submit".to_owned());
    let times: usize = arguments.next().map_or(1, |times| times.parse().expect("a number of times"));
    let text =
        arguments.next().map_or_else(|| EXAM.to_vec(), |file| std::fs::read(file).expect("the file is read"));
    let engine = Engine::builtin().unwrap();
    let context = CheckContext::at("2026-11-20T12:00:00Z".parse().unwrap());
    let options = AssessOptions::at(context.at);
    let check = || {
        let document = Document::parse(black_box(&text).clone(), Limits::default()).unwrap();
        assert!(!refused(&engine.check(&document, &context)), "the exam is taken");
        document
    };
    let submission = engine.submission(&check(), &context).unwrap();
    for _ in 0..times {
        match path.as_str() {
            "load" => drop(black_box(Engine::builtin())),
            "check" => drop(black_box(check())),
            "assess" => assess(&engine, &submission, &options),
            "submit" => assess(&engine, &engine.submission(&check(), &context).unwrap(), &options),
            unknown => panic!("there is no path {unknown}"),
        }
    }
}

fn assess(engine: &Engine, submission: &Submission, options: &AssessOptions) {
    for exam in &submission.exams {
        let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
        let derived = engine.assess(&exam.key, &bodies, options);
        // What is stored is text.
        black_box(derived.resources.iter().map(Value::to_string).collect::<Vec<_>>());
    }
}
