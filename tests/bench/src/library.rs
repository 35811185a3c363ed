//! Target 1: full checks of exams beside parsing them, and beside constructing the same resources in Python.

use std::hint::black_box;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use solewire_profiles::issue::refused;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{CheckContext, Engine};

use crate::exams;
use crate::figures::{Figures, fastest, median};
use crate::table::{Row, Table, Target, short};

const ROUNDS: usize = 9;
const SPAN: Duration = Duration::from_millis(1500);
/// The interpreter with fhir.resources, named by `tests/bench/run`.
const PYTHON: &str = "SOLEWIRE_BENCH_PYTHON";

pub(crate) fn context() -> CheckContext {
    CheckContext::at("2026-11-20T12:00:00Z".parse().expect("an instant"))
}

pub(crate) fn read(text: &[u8]) -> Document {
    Document::parse(text.to_vec(), Limits::default()).expect("a document")
}

fn check(engine: &Engine, text: &[u8]) {
    let issues = engine.check(&read(black_box(text)), &context());
    assert!(!refused(black_box(&issues)), "an exam of the corpus is refused");
}

pub(crate) fn measure(table: &mut Table) {
    let engine = Engine::builtin().expect("the shipped definitions");
    let (corpus, demo) = (exams::taken(), vec![exams::of_the_demo()]);
    let lined: Vec<Vec<u8>> = corpus.iter().map(|text| exams::line(text)).collect();
    for (id, what, texts, target) in [
        ("1a", "exams of the corpus as they stand", &corpus, Target::AtLeast(0.4)),
        ("1b", "the largest exam (demo)", &demo, Target::AtLeast(0.4)),
        ("1c", "exams of the corpus without white space", &lined, Target::None),
    ] {
        let bytes = texts.iter().map(Vec::len).sum::<usize>() as f64 / 1e6;
        let parse = || texts.iter().for_each(|text| drop(black_box(serde_json::from_slice::<Value>(text))));
        let checked = || texts.iter().for_each(|text| check(&engine, text));
        let rounds: Vec<[f64; 2]> = (0..ROUNDS).map(|_| fastest(SPAN, [&parse, &checked])).collect();
        let speed = |job: usize| bytes / median(&rounds.iter().map(|round| round[job]).collect::<Vec<_>>());
        table.put(&Row {
            id,
            what: format!("throughput of a full check / of `serde_json` to Value, {what}"),
            target,
            figures: Figures::of(rounds.iter().map(|[parse, check]| parse / check).collect()),
            behind: format!("{} / {} MB/s", short(speed(1)), short(speed(0))),
        });
    }
    match std::env::var_os(PYTHON) {
        Some(python) => python_beside(table, &engine, &corpus, python.as_ref()),
        None => println!("1d left out: {PYTHON} names no interpreter with fhir.resources"),
    }
}

/// The script prints the seconds of its fastest pass over the same exams, which it has parsed before.
fn python_beside(table: &mut Table, engine: &Engine, corpus: &[Vec<u8>], python: &std::path::Path) {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/python/construct.py");
    let folder = tempfile::tempdir().expect("a temporary folder");
    for (number, text) in corpus.iter().enumerate() {
        std::fs::write(folder.path().join(format!("{number}.json")), text).expect("an exam is written");
    }
    let mut rounds = Vec::new();
    for _ in 0..5 {
        let done = Command::new(python).arg(script).arg(folder.path()).output().expect("Python runs");
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let theirs: f64 = String::from_utf8_lossy(&done.stdout).trim().parse().expect("seconds");
        let [ours] = fastest(SPAN / 3, [&|| corpus.iter().for_each(|text| check(engine, text))]);
        rounds.push([theirs, ours]);
    }
    let [theirs, ours] = [0, 1].map(|job| median(&rounds.iter().map(|round| round[job]).collect::<Vec<_>>()));
    table.put(&Row {
        id: "1d",
        what: "time of fhir.resources 6.4.0 to construct the exams of the corpus / of a full check"
            .to_owned(),
        target: Target::AtLeast(100.0),
        figures: Figures::of(rounds.iter().map(|[theirs, ours]| theirs / ours).collect()),
        behind: format!("{} / {} ms", short(theirs * 1e3), short(ours * 1e3)),
    });
}
