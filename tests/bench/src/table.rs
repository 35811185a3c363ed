//! The table in `RESULTS.md`. A run replaces the rows that it measured and keeps the others, unless they come from
//! another machine.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::figures::Figures;

/// What a row has to reach.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Target {
    AtLeast(f64),
    AtMost(f64),
    /// Measured to explain another row.
    None,
}

/// A measurement.
#[derive(Debug)]
pub(crate) struct Row {
    /// Number of the target and a letter; rows are sorted by it.
    pub(crate) id: &'static str,
    /// What the figure is, with its unit unless it is a ratio.
    pub(crate) what: String,
    pub(crate) target: Target,
    pub(crate) figures: Figures,
    /// The figures behind a ratio.
    pub(crate) behind: String,
}

impl Row {
    fn line(&self, day: &str) -> String {
        let Figures { min, median, max, rounds } = self.figures;
        let (target, verdict) = match self.target {
            Target::AtLeast(bound) => (format!("≥ {bound}"), median >= bound),
            Target::AtMost(bound) => (format!("≤ {bound}"), median <= bound),
            Target::None => (String::new(), true),
        };
        let verdict = match (self.target, verdict) {
            (Target::None, _) => "",
            (_, true) => "met",
            (_, false) => "**missed**",
        };
        let [min, median, max] = [min, median, max].map(short);
        let (id, what, behind) = (self.id, &self.what, &self.behind);
        format!(
            "| {id} | {what} | {target} | {min} | {median} | {max} | {rounds} | {verdict} | {behind} | {day} |"
        )
    }
}

/// Three digits that count.
pub(crate) fn short(figure: f64) -> String {
    let digits = match figure.abs() {
        size if size >= 100.0 => 0,
        size if size >= 10.0 => 1,
        size if size >= 1.0 => 2,
        _ => 3,
    };
    format!("{figure:.digits$}")
}

const HEAD: &str = "| | what | target | min | median | max | rounds | | behind it | measured |\n\
                    | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n";

/// The rows so far, written after each measurement: a run that is broken off leaves what it has.
#[derive(Debug)]
pub(crate) struct Table {
    path: PathBuf,
    machine: String,
    day: String,
    lines: BTreeMap<String, String>,
}

impl Table {
    pub(crate) fn open(path: &Path) -> Table {
        let machine = machine();
        let text = std::fs::read_to_string(path).unwrap_or_default();
        let mut lines = BTreeMap::new();
        if text.contains(&machine) {
            for line in text.lines() {
                let id = line.split('|').nth(1).map(str::trim).unwrap_or_default();
                if id.starts_with(|first: char| first.is_ascii_digit()) {
                    lines.insert(id.to_owned(), line.to_owned());
                }
            }
        }
        let day = jiff::Timestamp::now().to_string().chars().take(10).collect();
        Table { path: path.to_owned(), machine, day, lines }
    }

    pub(crate) fn put(&mut self, row: &Row) {
        let line = row.line(&self.day);
        println!("{line}");
        self.lines.insert(row.id.to_owned(), line);
        let rows: Vec<&str> = self.lines.values().map(String::as_str).collect();
        let text = format!(
            "# Speed and memory\n\nWritten by `tests/bench/run` and `tests/long/bench`; `tests/bench/README.md` tells how \
             to read it and why a target is missed.\n\n{}\n\n{HEAD}{}\n",
            self.machine,
            rows.join("\n")
        );
        std::fs::write(&self.path, text).expect("the table is written");
    }
}

/// The machine, in a sentence.
fn machine() -> String {
    let read = |path: &str| std::fs::read_to_string(path).unwrap_or_default();
    let field = |text: &str, name: &str| {
        let line = text.lines().find(|line| line.starts_with(name));
        line.and_then(|line| line.split_once(':'))
            .map_or_else(String::new, |(_, value)| value.trim().to_owned())
    };
    let processor = field(&read("/proc/cpuinfo"), "model name");
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let memory = field(&read("/proc/meminfo"), "MemTotal");
    let memory: f64 = memory.trim_end_matches(" kB").parse().unwrap_or_default();
    let rustc = Command::new("rustc").arg("--version").output().map(|done| done.stdout).unwrap_or_default();
    let rustc = String::from_utf8_lossy(&rustc);
    let rustc = rustc.split_whitespace().take(2).collect::<Vec<_>>().join(" ");
    let memory = (memory / 1024.0 / 1024.0).round();
    format!("Machine: {cores} cores of {processor}, {memory} GiB of memory, Linux, {rustc}.")
}
