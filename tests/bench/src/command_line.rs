//! Targets 1 and 2: the command line as a whole process.

use std::io::{BufWriter, Write as _};
use std::path::Path;
use std::process::{Command, Stdio};

use solewire_tests::binaries;

use crate::exams::{self, Exams};
use crate::figures::{Figures, median, timed};
use crate::table::{Row, Table, Target, short};

const ROUNDS: usize = 7;
/// A round is the middle one of so many pairs of runs.
const PAIRS: usize = 21;
/// The exam that fills files of many lines.
const EXAM: &str = "complete-normal";
const GIB: u64 = 1 << 30;
/// Prints the most memory that a command had, in KiB (GNU time).
const TIME: &str = "/usr/bin/time";

pub(crate) fn measure(table: &mut Table) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let checker = binaries::solewire_check();
    let parser = checker.with_file_name("bench-parse");
    let file = folder.path().join("exam.json");
    std::fs::write(&file, exams::of_the_demo()).expect("an exam is written");
    let check: &[&str] = &["validate", "--no-config", "exam.json"];
    let parse: &[&str] = &["exam.json"];
    let wall = |program: &Path, arguments: &[&str]| timed(|| run(command(program, arguments, folder.path())));
    let mut times = Vec::new();
    for _ in 0..ROUNDS {
        let pairs: Vec<(f64, f64)> =
            (0..PAIRS).map(|_| (wall(&checker, check), wall(&parser, parse))).collect();
        let of = |pick: fn(&(f64, f64)) -> f64| median(&pairs.iter().map(pick).collect::<Vec<_>>());
        times.push((of(|pair| pair.0), of(|pair| pair.1)));
    }
    table.put(&row(
        "2a",
        "wall time of `validate` on one exam / of a program that parses it",
        4.0,
        &times,
        1e3,
        "ms",
    ));
    let peak = |program: &Path, arguments: &[&str]| peak_kib(program, arguments, folder.path());
    let peaks: Vec<(f64, f64)> = (0..ROUNDS).map(|_| (peak(&checker, check), peak(&parser, parse))).collect();
    let what = "peak memory of `validate` on one exam / of a program that parses it";
    table.put(&row("2b", what, 3.0, &peaks, 1.0 / 1024.0, "MiB"));

    write_lines(&folder.path().join("some.ndjson"), GIB / 8);
    // The reading of the file has a thread of its own, so the cores are what is given and not the jobs.
    let taskset = Path::new("taskset");
    let program = checker.to_str().expect("a path of text");
    let on = |cores| ["-c", cores, program, "validate", "--no-config", "-q", "some.ndjson"];
    let rounds: Vec<(f64, f64)> =
        (0..ROUNDS).map(|_| (wall(taskset, &on("0")), wall(taskset, &on("0,1")))).collect();
    let behind = behind(&rounds, 1.0, "s for 128 MiB");
    table.put(&Row {
        id: "1e",
        what: "time for NDJSON on one core / on two".to_owned(),
        target: Target::AtLeast(1.8),
        figures: Figures::of(rounds.iter().map(|(one, two)| one / two).collect()),
        behind,
    });
    std::fs::remove_file(folder.path().join("some.ndjson")).expect("the file is removed");
}

/// Apart, because it takes a minute or two.
pub(crate) fn large(table: &mut Table) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    write_lines(&folder.path().join("large.ndjson"), GIB);
    let arguments = ["validate", "--no-config", "-q", "large.ndjson"];
    let peak = || peak_kib(&binaries::solewire_check(), &arguments, folder.path()) / 1024.0;
    let mut seconds = Vec::new();
    let peaks = (0..5).map(|_| {
        let mut most = 0.0;
        seconds.push(timed(|| most = peak()));
        most
    });
    let figures = Figures::of(peaks.collect());
    let behind = format!("{} MB/s", short(GIB as f64 / 1e6 / median(&seconds)));
    let what = "peak memory of `validate` on 1 GiB of NDJSON, MiB".to_owned();
    table.put(&Row { id: "2c", what, target: Target::AtMost(64.0), figures, behind });
}

fn row(id: &'static str, what: &str, most: f64, rounds: &[(f64, f64)], scale: f64, unit: &str) -> Row {
    Row {
        id,
        what: what.to_owned(),
        target: Target::AtMost(most),
        figures: Figures::of(rounds.iter().map(|(ours, least)| ours / least).collect()),
        behind: behind(rounds, scale, unit),
    }
}

fn behind(rounds: &[(f64, f64)], scale: f64, unit: &str) -> String {
    let first = median(&rounds.iter().map(|round| round.0).collect::<Vec<_>>());
    let second = median(&rounds.iter().map(|round| round.1).collect::<Vec<_>>());
    format!("{} / {} {unit}", short(first * scale), short(second * scale))
}

fn command(program: &Path, arguments: &[&str], folder: &Path) -> Command {
    let mut command = Command::new(program);
    command.args(arguments).current_dir(folder).stdin(Stdio::null()).stdout(Stdio::null());
    command
}

fn run(mut command: Command) {
    let status = command.stderr(Stdio::null()).status().expect("the program starts");
    assert!(status.success(), "{command:?}: {status}");
}

/// The system counts the memory of whoever starts a process as its own until it runs, so a small program starts it.
fn peak_kib(program: &Path, arguments: &[&str], folder: &Path) -> f64 {
    let report = tempfile::NamedTempFile::new().expect("a temporary file");
    let mut timed = command(Path::new(TIME), &["-f", "%M", "-o"], folder);
    timed.arg(report.path()).arg(program).args(arguments);
    run(timed);
    let text = std::fs::read_to_string(report.path()).expect("the report is read");
    text.trim().parse().expect("a number of KiB")
}

/// Exams, one a line, up to a size.
fn write_lines(path: &Path, size: u64) {
    let exams = Exams::like(EXAM, "LINES");
    let mut out = BufWriter::new(std::fs::File::create(path).expect("the file is created"));
    let mut written = 0;
    let mut number = 0;
    while written < size {
        let body = exams.body(number);
        out.write_all(&body).and_then(|()| out.write_all(b"\n")).expect("an exam is written");
        written += body.len() as u64 + 1;
        number += 1;
    }
    out.flush().expect("the file is written");
}
