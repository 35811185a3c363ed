//! How fast a document is checked beside reading it as plain JSON: `cargo bench -p solewire-profiles --bench check`.
//!
//! The documents are the exams of the corpus that are taken, and the exam of the demo. One thread. Prints the speed of
//! the fastest run, which is the one that other work on the machine disturbed least; nothing depends on it.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing)]

use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

use serde_json::Value;
use solewire_profiles::issue::refused;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::{CheckContext, Engine};

/// Unless SOLEWIRE_BENCH_RUNS says another number.
const RUNS: usize = 101;

fn main() {
    let exams = exams();
    let engine = Engine::builtin().unwrap();
    let context = CheckContext::at("2026-11-20T12:00:00Z".parse().unwrap());
    let demo = vec![include_bytes!("../../service/src/demo/exam.json").to_vec()];
    println!(
        "{:<26}{:>10}{:>14}{:>14}{:>14}{:>9}",
        "documents", "bytes", "parse MB/s", "read MB/s", "check MB/s", "ratio"
    );
    for (name, texts) in [("corpus, one by one", &exams), ("the exam of the demo", &demo)] {
        let bytes: usize = texts.iter().map(Vec::len).sum();
        let parse = || {
            for text in texts {
                black_box(serde_json::from_slice::<Value>(black_box(text)).unwrap());
            }
        };
        let read = || {
            for text in texts {
                black_box(Document::parse(black_box(text).clone(), Limits::default()).unwrap());
            }
        };
        let check = || {
            for text in texts {
                let document = Document::parse(black_box(text).clone(), Limits::default()).unwrap();
                let issues = engine.check(&document, &context);
                assert!(!refused(black_box(&issues)));
            }
        };
        let [parse, read, check] = throughput(bytes, [&parse, &read, &check]);
        println!("{name:<26}{bytes:>10}{parse:>14.1}{read:>14.1}{check:>14.1}{:>9.3}", check / parse);
    }
}

/// The exams of the corpus that are taken.
fn exams() -> Vec<Vec<u8>> {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus");
    let mut folders: Vec<_> = std::fs::read_dir(corpus)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    folders.sort();
    let taken =
        |folder: &&std::path::PathBuf| !folder.file_name().unwrap().to_string_lossy().starts_with("invalid-");
    folders.iter().filter(taken).map(|folder| std::fs::read(folder.join("input.json")).unwrap()).collect()
}

/// Megabytes a second, by the fastest of the runs. The jobs take turns, so that all of them meet the same machine.
fn throughput<const N: usize>(bytes: usize, jobs: [&dyn Fn(); N]) -> [f64; N] {
    let asked = std::env::var("SOLEWIRE_BENCH_RUNS").ok().and_then(|runs| runs.parse().ok());
    let mut fastest = [f64::INFINITY; N];
    for _ in 0..=asked.unwrap_or(RUNS) {
        for (job, fastest) in jobs.iter().zip(&mut fastest) {
            let started = Instant::now();
            job();
            *fastest = started.elapsed().as_secs_f64().min(*fastest);
        }
    }
    fastest.map(|seconds| bytes as f64 / 1e6 / seconds)
}
