//! Fuzzing with a seed: `solewire-fuzz TARGET [--seconds N] [--seed N] [--batch N] [--trace FILE]`, or
//! `solewire-fuzz TARGET FILE...` to try kept inputs again.
//!
//! Inputs come in batches; what a batch holds follows from the seed and its number alone, so a finding can be made
//! again. A panic, and an input that takes longer than [`SLOW`], is a finding: its input is written to the folder
//! `found`. What takes the process down (an exhausted stack) names no input; run the batch named last again with
//! `--batch N --trace FILE`: the file then holds the input that did it.

#![forbid(unsafe_code)]

mod bytes;
mod random;
mod seeds;
mod targets;
mod tree;

use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};
use std::{env, fs};

use random::Random;
use targets::Target;

const BATCH: usize = 200;
/// Far above what the largest honest input takes, so that a busy machine does not raise it.
const SLOW: Duration = Duration::from_secs(5);
const USAGE: &str = "usage: solewire-fuzz json|profile|fhirpath [--seconds N] [--seed N] [--batch N] [--trace FILE] [FILE...]";

#[derive(Default)]
struct Call {
    target: String,
    seconds: Option<u64>,
    seed: u64,
    batch: Option<u64>,
    trace: Option<PathBuf>,
    files: Vec<PathBuf>,
}

impl Call {
    fn read(mut words: impl Iterator<Item = String>) -> Option<Call> {
        let mut call = Call { target: words.next()?, ..Call::default() };
        while let Some(word) = words.next() {
            match word.as_str() {
                "--seconds" => call.seconds = Some(words.next()?.parse().ok()?),
                "--seed" => call.seed = words.next()?.parse().ok()?,
                "--batch" => call.batch = Some(words.next()?.parse().ok()?),
                "--trace" => call.trace = Some(words.next()?.into()),
                _ => call.files.push(word.into()),
            }
        }
        Some(call)
    }
}

#[derive(Default)]
struct Tally {
    tried: u64,
    deep: u64,
    findings: u64,
    slowest: Duration,
}

fn main() -> ExitCode {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let repository = folder.join("../../..");
    let Some(call) = Call::read(env::args().skip(1)) else { return usage() };
    let Some(target) = targets::named(&call.target, &repository) else { return usage() };
    set_hook(Box::new(|_| {}));
    let mut tally = Tally::default();
    if call.files.is_empty() {
        fuzz(&call, &*target, folder, &mut tally);
    } else {
        for file in &call.files {
            match fs::read(file) {
                // A text file holds an input on each line.
                Ok(input) if file.extension().is_some_and(|ending| ending == "txt") => {
                    for line in input.split(|byte| *byte == b'\n') {
                        attempt(&call, &*target, folder, line, &mut tally);
                    }
                }
                Ok(input) => attempt(&call, &*target, folder, &input, &mut tally),
                Err(error) => say(&format!("{}: {error}", file.display())),
            }
        }
    }
    say(&format!(
        "{}: {} inputs, {} of them past the first stage, slowest {} ms, {} findings",
        call.target,
        tally.tried,
        tally.deep,
        tally.slowest.as_millis(),
        tally.findings
    ));
    if tally.findings == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn fuzz(call: &Call, target: &dyn Target, folder: &Path, tally: &mut Tally) {
    let until = Instant::now() + Duration::from_secs(call.seconds.unwrap_or(600));
    let mut batch = call.batch.unwrap_or(0);
    while Instant::now() < until {
        if batch.is_multiple_of(50) || call.batch.is_some() {
            say(&format!("{}: seed {}, batch {batch}", call.target, call.seed));
        }
        let mut random = Random::new(call.seed.wrapping_mul(1_000_003).wrapping_add(batch));
        for _ in 0..BATCH {
            let input = target.make(&mut random);
            if let Some(file) = &call.trace
                && let Err(error) = fs::write(file, &input)
            {
                say(&format!("{}: {error}", file.display()));
            }
            attempt(call, target, folder, &input, tally);
        }
        if call.batch.is_some() {
            return;
        }
        batch += 1;
    }
}

fn attempt(call: &Call, target: &dyn Target, folder: &Path, input: &[u8], tally: &mut Tally) {
    let began = Instant::now();
    let outcome = catch_unwind(AssertUnwindSafe(|| target.attempt(input)));
    let took = began.elapsed();
    tally.tried += 1;
    tally.slowest = tally.slowest.max(took);
    let finding = match outcome {
        Ok(deep) => {
            tally.deep += u64::from(deep);
            (took > SLOW).then(|| format!("took {} ms", took.as_millis()))
        }
        Err(cause) => {
            let words = cause.downcast_ref::<String>().cloned();
            let words = words.or_else(|| cause.downcast_ref::<&str>().map(|text| (*text).to_owned()));
            Some(format!("panicked: {}", words.unwrap_or_default()))
        }
    };
    if let Some(finding) = finding {
        tally.findings += 1;
        if tally.findings <= 20 {
            let file = folder.join("found").join(format!("{}-{}-{}", call.target, call.seed, tally.tried));
            let kept = fs::create_dir_all(folder.join("found")).and_then(|()| fs::write(&file, input));
            let place = kept.map_or_else(|error| error.to_string(), |()| file.display().to_string());
            say(&format!("{}: {finding} ({place})", call.target));
        }
    }
}

fn usage() -> ExitCode {
    say(USAGE);
    ExitCode::from(2)
}

fn say(line: &str) {
    // Nobody listens when standard error is closed, and the exit code still tells.
    drop(writeln!(std::io::stderr(), "{line}"));
}
