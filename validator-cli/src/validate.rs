//! `solewire-check validate`: read, check, report.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use clap::ValueEnum;
use jiff::tz::TimeZone;
use solewire_profiles::issue::Issue;

use crate::args::{FailOn, Format, Loudness, ValidateArguments};
use crate::baseline::Baseline;
use crate::check::{Checked, Checker, Outcome};
use crate::config::Configuration;
use crate::console::Console;
use crate::evidence::{Circumstances, Evidence};
use crate::exit::Exit;
use crate::input::{self, Fingerprint, Gathered, Name, Reading, Source};
use crate::pipeline::{self, End, Step, Work};
use crate::report::output::{self, Output};
use crate::report::text::count;
use crate::report::{self, Counts, Entry, Reporter, Settings, Totals, Unmapped, Verdict};
use crate::watch::Watch;

/// Runs the command.
pub(crate) fn run(arguments: ValidateArguments) -> Exit {
    let console = Console::new(arguments.output.loudness());
    attempt(arguments, console).unwrap_or_else(|exit| exit)
}

fn attempt(mut arguments: ValidateArguments, console: Console) -> Result<Exit, Exit> {
    let configuration = Configuration::load(&arguments.config, console)?;
    configuration.fill_input(&mut arguments.input);
    configuration.fill_check(&mut arguments.check);
    configuration.fill_output(&mut arguments.output, Format::value_variants());
    configuration.fill_baseline(&mut arguments.baseline);
    let mut checker = Checker::load(&arguments.check.engine, console)?;
    checker.traces = arguments.output.loudness() == Loudness::Trace;
    let Gathered { sources, unmatched } = input::gather(&arguments.input, console)?;
    let mut others: Vec<(&str, &Path)> = Vec::new();
    others.extend(arguments.evidence.evidence.as_deref().map(|path| ("--evidence", path)));
    others.extend(arguments.baseline.as_deref().map(|path| ("--baseline", path)));
    let baseline = load_baseline(arguments.baseline.as_deref(), &checker, console)?;
    let outputs = output::open(&arguments.output, &sources, &others, console)?;
    let settings = Settings {
        show_values: arguments.check.show_values,
        fail_on: arguments.check.fail_on(),
        loudness: arguments.output.loudness(),
    };
    let with_reporter = |output: Output| {
        let reporter = report::reporter(output.format, output.style, settings);
        reporter.map(|reporter| (output, reporter))
    };
    let reports: Option<Vec<(Output, Box<dyn Reporter>)>> = outputs.into_iter().map(with_reporter).collect();
    let Some(mut reports) = reports else {
        console.fault("validate does not write csv; that is for the table of assess --impact.");
        return Err(Exit::Usage);
    };
    let machine = reports.iter().any(|(output, _)| output.is_for_programs_on_stdout());
    let mut watch = Watch::begin(sources.len(), settings.loudness, machine);
    let circumstances =
        Circumstances { engine: &checker.engine, fail_on: settings.fail_on, at: arguments.check.engine.at };
    let evidence = Evidence::open(&arguments.evidence, &circumstances, console)?;
    let mut run = Run {
        reports: &mut reports,
        room: room(arguments.check.max_errors.unwrap_or_default()),
        room_in_file: 0,
        per_file: room(arguments.check.max_errors_per_file.unwrap_or_default()),
        console,
        baseline,
        evidence,
        file: None,
        took: Duration::ZERO,
        unmapped: Unmapped::default(),
    };
    let jobs = arguments.check.engine.jobs();
    let (totals, end) = run.all(&Arc::new(checker), &Arc::new(sources), jobs, &mut watch);
    drop(watch);
    let Run { baseline, evidence, .. } = run;
    let recorded = evidence.map_or(Exit::Clean, |file| file.finish(&totals, baseline.as_ref(), console));
    let failed = reports.iter().any(|(output, _)| output.has_failed());
    let unmatched = tell_unmatched(&unmatched, arguments.input.allow_empty, console);
    let exit = exit(&totals, settings.fail_on, arguments.input.allow_empty, failed, console);
    Ok(unmatched.max(exit).max(recorded).max(ended(end, console)))
}

/// How often which rule was broken, by rule.
fn broken(issues: &[Issue]) -> BTreeMap<&str, usize> {
    let mut broken = BTreeMap::new();
    for issue in issues {
        *broken.entry(issue.rule.as_ref()).or_default() += 1;
    }
    broken
}

fn load_baseline(path: Option<&Path>, checker: &Checker, console: Console) -> Result<Option<Baseline>, Exit> {
    let Some(path) = path else { return Ok(None) };
    let today = TimeZone::UTC.to_datetime(checker.context.at).date();
    Baseline::load(path, today).map(Some).map_err(|reason| {
        console.fault(&format!("--baseline {}: {reason}", path.display()));
        Exit::Usage
    })
}

/// How many issues may still be listed.
fn room(max_errors: usize) -> usize {
    if max_errors == 0 { usize::MAX } else { max_errors }
}

/// The exit code of a run, with what has to be said about it.
pub(crate) fn exit(
    totals: &Totals,
    fail_on: FailOn,
    allow_empty: bool,
    failed: bool,
    console: Console,
) -> Exit {
    let mut exit = Exit::Clean;
    if totals.issues.failing(fail_on) > 0 {
        exit = exit.max(Exit::Findings);
    }
    if totals.documents == 0 && totals.unread == 0 && !allow_empty {
        console.fault(
            "No input matched, so nothing was checked. Check the paths, or say --allow-empty where that is expected.",
        );
        exit = exit.max(Exit::Usage);
    }
    if totals.unread > 0 || failed {
        exit = exit.max(Exit::Fault);
    }
    exit
}

/// Says which folders and patterns named nothing: among many paths one of them is easily overlooked.
pub(crate) fn tell_unmatched(unmatched: &[String], allow_empty: bool, console: Console) -> Exit {
    if allow_empty || unmatched.is_empty() {
        return Exit::Clean;
    }
    for given in unmatched {
        console.fault(&format!("{given}: names no file to read (*.json and *.ndjson in a folder)."));
    }
    Exit::Usage
}

/// Says on standard error what happened to a document that was not checked.
pub(crate) fn tell(source: &Source, outcome: &Outcome, console: Console) {
    match outcome {
        Outcome::Skipped(reason) => console.note(&format!("{}: skipped: {reason}.", source.name.shown)),
        Outcome::Unread(reason) => {
            console.fault(&format!("{}: could not be read: {reason}.", source.name.shown))
        }
        Outcome::Checked { .. } => {}
    }
}

/// The exit code that the end of reading alone brings, with what has to be said about it.
pub(crate) fn ended(end: End, console: Console) -> Exit {
    match end {
        End::Whole | End::BrokenOff => Exit::Clean,
        End::Interrupted => {
            console.fault("Interrupted; what was not yet read is not in the report.");
            Exit::Interrupted
        }
        End::Fault => {
            console.fault("A fault of this program ended the run early; the report is incomplete.");
            Exit::Fault
        }
    }
}

struct Run<'a> {
    reports: &'a mut Vec<(Output, Box<dyn Reporter>)>,
    /// How many issues may still be listed.
    room: usize,
    /// How many of the file at hand.
    room_in_file: usize,
    /// How many of each file.
    per_file: usize,
    console: Console,
    baseline: Option<Baseline>,
    evidence: Option<Evidence>,
    /// Codes that no map covers, over all documents.
    unmapped: Unmapped,
    /// The file at hand, once one of its documents is there.
    file: Option<Totals>,
    took: Duration,
}

impl Run<'_> {
    fn all(
        &mut self,
        checker: &Arc<Checker>,
        sources: &Arc<Vec<Source>>,
        jobs: usize,
        watch: &mut Watch,
    ) -> (Totals, End) {
        let mut totals = Totals::default();
        let mut last = None;
        self.each(|reporter, out| reporter.begin(out));
        let reading = Reading { fingerprints: self.evidence.is_some(), ..checker.reading() };
        let checker = Arc::clone(checker);
        let work: Work<Checked> =
            Arc::new(move |source, record| checker.check(source, record).without_text());
        let end = pipeline::run(sources, reading, jobs, &work, watch, &mut |source, step| {
            match step {
                Step::Document { result, took } => {
                    self.took += took;
                    let mut file = self.file.take().unwrap_or_else(|| {
                        self.room_in_file = self.per_file;
                        Totals::default()
                    });
                    self.document(source, result, &mut file);
                    self.file = Some(file);
                    last = Some(source.name.clone());
                }
                Step::EndOfFile(fingerprint) => {
                    self.end_file(&source.name, &mut totals, fingerprint.as_ref());
                }
            }
            // With every reader gone, nobody is left to check for.
            let read = self.evidence.is_some() || self.reports.iter().any(|(output, _)| output.is_open());
            if read { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
        });
        if let (Some(name), Some(file)) = (last, &mut self.file) {
            file.incomplete = true;
            self.end_file(&name, &mut totals, None);
        }
        totals.incomplete |= matches!(end, End::Interrupted | End::Fault);
        let unmapped = std::mem::take(&mut self.unmapped);
        self.each(|reporter, out| reporter.unmapped(out, &unmapped));
        let baseline = self.baseline.as_ref().filter(|_| !totals.incomplete);
        let stale = baseline.map(Baseline::stale).unwrap_or_default();
        for entry in &stale {
            self.console.note(entry);
        }
        self.each(|reporter, out| reporter.stale(out, &stale));
        self.each(|reporter, out| reporter.finish(out, &totals));
        for (output, _) in self.reports.iter_mut() {
            output.close(self.console);
        }
        (totals, end)
    }

    fn end_file(&mut self, name: &Name, totals: &mut Totals, fingerprint: Option<&Fingerprint>) {
        let file = Totals { files: 1, ..self.file.take().unwrap_or_default() };
        let took = std::mem::take(&mut self.took);
        totals.add(file);
        if let Some(evidence) = &mut self.evidence {
            evidence.file(name, &file, fingerprint);
        }
        self.each(|reporter, out| reporter.end_file(out, name, &file));
        self.console.detail(&format!("{}: {} in {} ms.", name.shown, file.issues.words(), took.as_millis()));
    }

    fn document(&mut self, source: &Source, mut checked: Checked, totals: &mut Totals) {
        tell(source, &checked.outcome, self.console);
        if let (Outcome::Checked { issues, .. }, Some(baseline)) = (&mut checked.outcome, &mut self.baseline)
        {
            let all = issues.len();
            issues.retain(|issue| !baseline.accepts(issue, &checked.root, &source.name.shown));
            totals.accepted += all - issues.len();
        }
        for line in &checked.trace {
            self.console.trace(&format!("{}: {line}", source.name.shown));
        }
        let verdict = match &checked.outcome {
            Outcome::Checked { issues, .. } => {
                for (rule, number) in broken(issues) {
                    self.console.trace(&format!(
                        "{}: {rule}: {}.",
                        source.name.shown,
                        count(number, "issue")
                    ));
                }
                self.unmapped.count(issues);
                let (listed, rest) = issues.split_at(issues.len().min(self.room).min(self.room_in_file));
                self.room -= listed.len();
                self.room_in_file -= listed.len();
                totals.documents += 1;
                totals.issues.add(Counts::of(issues));
                totals.unlisted += rest.len();
                Verdict::Checked { issues: listed, unlisted: Counts::of(rest) }
            }
            Outcome::Skipped(reason) => {
                totals.skipped += 1;
                Verdict::Skipped(reason)
            }
            Outcome::Unread(reason) => {
                totals.unread += 1;
                Verdict::Unread(reason)
            }
        };
        let entry = Entry {
            name: &source.name,
            line: checked.line,
            root: &checked.root,
            entries: &checked.entries,
            verdict,
        };
        self.each(|reporter, out| reporter.entry(out, &entry));
    }

    fn each(&mut self, mut step: impl FnMut(&mut dyn Reporter, &mut String)) {
        let mut text = String::new();
        for (output, reporter) in self.reports.iter_mut() {
            step(reporter.as_mut(), &mut text);
            output.put(&mut text, self.console);
        }
    }
}
