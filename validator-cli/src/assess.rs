//! `solewire-check assess`: the risk assessment, the recall and the referral of every exam in the files.

mod human;
mod impact;

use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use serde_json::Value;
use solewire_profiles::issue::{Issue, refused};
use solewire_profiles::json::Document;
use solewire_profiles::resources::collection;
use solewire_profiles::{AssessOptions, Derived, SubmittedExam};

use crate::args::{AssessArguments, Format, Loudness};
use crate::catalogue::nearest;
use crate::check::{Checked, Checker, Outcome};
use crate::config::Configuration;
use crate::console::Console;
use crate::exit::Exit;
use crate::input::{self, Gathered, Record, Source};
use crate::pipeline::{self, Step, Work};
use crate::report::output::{self, Output};
use crate::report::{Counts, Entry, Settings, Totals, Verdict, one_line, outcome_line, write_issue};
use crate::validate::{ended, exit, tell, tell_unmatched};
use crate::watch::Watch;
use impact::Impact;

/// Runs the command.
pub(crate) fn run(arguments: AssessArguments) -> Exit {
    let console = Console::new(arguments.output.loudness());
    attempt(arguments, console).unwrap_or_else(|exit| exit)
}

fn attempt(mut arguments: AssessArguments, console: Console) -> Result<Exit, Exit> {
    let configuration = Configuration::load(&arguments.config, console)?;
    configuration.fill_input(&mut arguments.input);
    configuration.fill_check(&mut arguments.check);
    let formats = if arguments.impact { [Format::Human, Format::Csv] } else { [Format::Human, Format::Json] };
    configuration.fill_output(&mut arguments.output, &formats);
    if arguments.guidelines.is_empty() {
        arguments.guidelines = configuration.guidelines().to_vec();
    }
    arguments.monofilament = arguments.monofilament.or_else(|| configuration.monofilament());
    let checker = Checker::load(&arguments.check.engine, console)?;
    let options = options(&arguments, &checker, console)?;
    if arguments.impact && options.guidelines.len() < 2 {
        console.fault("--impact compares guidelines; name at least two with --guideline.");
        return Err(Exit::Usage);
    }
    let Gathered { sources, unmatched } = input::gather(&arguments.input, console)?;
    let outputs = output::open(&arguments.output, &sources, &[], console)?;
    if let Some(output) = outputs.iter().find(|output| !formats.contains(&output.format)) {
        let name = clap::ValueEnum::to_possible_value(&output.format);
        let name = name.as_ref().map_or("this format", |value| value.get_name());
        console.fault(&if arguments.impact {
            format!("assess --impact writes human or csv, not {name}.")
        } else {
            format!("assess writes human or json, not {name}; validate writes the other formats.")
        });
        return Err(Exit::Usage);
    }
    let settings = Settings {
        show_values: arguments.check.show_values,
        fail_on: arguments.check.fail_on(),
        loudness: arguments.output.loudness(),
    };
    let machine = outputs.iter().any(Output::is_for_programs_on_stdout);
    let mut watch = Watch::begin(sources.len(), settings.loudness, machine);
    let impact = arguments.impact.then(Impact::default);
    let mut run = Run { outputs, settings, console, exams: 0, impact };
    let mut totals = Totals::default();
    let reading = checker.reading();
    let work: Work<Assessed> = Arc::new(move |source, record| assess(&checker, &options, source, record));
    let sources = Arc::new(sources);
    let jobs = arguments.check.engine.jobs();
    let end = pipeline::run(&sources, reading, jobs, &work, &mut watch, &mut |source, step| match step {
        Step::Document { result, .. } => run.document(source, result, &mut totals),
        Step::EndOfFile(_) => {
            totals.files += 1;
            ControlFlow::Continue(())
        }
    });
    drop(watch);
    run.tell_impact();
    for output in &mut run.outputs {
        output.close(console);
    }
    let failed = run.outputs.iter().any(Output::has_failed);
    let allow_empty = arguments.input.allow_empty;
    let mut exit = exit(&totals, settings.fail_on, allow_empty, failed, console).max(tell_unmatched(
        &unmatched,
        allow_empty,
        console,
    ));
    let nothing = run.exams == 0 && totals.documents > 0 && totals.issues.errors == 0;
    if nothing && !allow_empty {
        console.fault(
            "No exam was found, so nothing was assessed. An exam is a panel Observation with its findings.",
        );
        exit = exit.max(Exit::Usage);
    }
    Ok(exit.max(ended(end, console)))
}

/// A checked document with its exams and what follows from each.
struct Assessed {
    checked: Checked,
    exams: Vec<(SubmittedExam, Derived)>,
}

fn assess(checker: &Checker, options: &AssessOptions, source: &Source, record: Record) -> Assessed {
    let mut checked = checker.check(source, record);
    let mut exams = Vec::new();
    if let Outcome::Checked { issues, document: Some(document) } = &mut checked.outcome
        && !refused(issues)
    {
        let derived = catch_unwind(AssertUnwindSafe(|| derive(checker, options, document)));
        match derived {
            Ok(Ok(found)) => exams = found,
            Ok(Err(found)) => {
                issues.extend(found);
                document.locate(issues);
            }
            Err(_) => {
                checked.outcome =
                    Outcome::Unread("a fault of this program stopped the assessment".to_owned());
            }
        }
    }
    Assessed { checked: checked.without_text(), exams }
}

/// The exams of a document with what follows from each, or the issues that keep it from having any.
fn derive(
    checker: &Checker,
    options: &AssessOptions,
    document: &Document,
) -> Result<Vec<(SubmittedExam, Derived)>, Vec<Issue>> {
    let engine = &checker.engine;
    let submission = engine.submission(document, &checker.context)?;
    let exams = submission.exams.into_iter().map(|exam| {
        let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
        let derived = engine.assess(&exam.key, &bodies, options);
        (exam, derived)
    });
    Ok(exams.collect())
}

fn options(arguments: &AssessArguments, checker: &Checker, console: Console) -> Result<AssessOptions, Exit> {
    let mut options = AssessOptions::at(checker.context.at);
    options.monofilament = arguments.monofilament.unwrap_or_default();
    if !arguments.guidelines.is_empty() {
        options.guidelines.clear();
    }
    for id in &arguments.guidelines {
        if !checker.engine.knows_guideline(id) {
            let known = || checker.engine.guidelines().iter().map(|guideline| guideline.id.as_str());
            let hint =
                nearest(id, known()).map_or_else(String::new, |near| format!(" The nearest is {near}."));
            let known = known().collect::<Vec<_>>().join(", ");
            console.fault(&format!("--guideline {id}: not known.{hint} Known: {known}."));
            return Err(Exit::Usage);
        }
        if !options.guidelines.contains(id) {
            options.guidelines.push(id.clone());
        }
    }
    Ok(options)
}

struct Run {
    outputs: Vec<Output>,
    settings: Settings,
    console: Console,
    exams: usize,
    /// What a change of guideline would do, in place of the assessments; none when these are asked for.
    impact: Option<Impact>,
}

impl Run {
    fn document(&mut self, source: &Source, assessed: Assessed, totals: &mut Totals) -> ControlFlow<()> {
        let Assessed { checked, exams } = assessed;
        tell(source, &checked.outcome, self.console);
        match &checked.outcome {
            Outcome::Skipped(_) => totals.skipped += 1,
            Outcome::Unread(_) => totals.unread += 1,
            Outcome::Checked { issues, .. } => {
                totals.documents += 1;
                totals.issues.add(Counts::of(issues));
                if refused(issues) {
                    self.refuse(source, &checked, issues);
                } else {
                    self.warn(source, issues);
                    self.report(source, &exams);
                }
            }
        }
        let read = self.outputs.iter().any(Output::is_open);
        if read { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    }

    fn refuse(&mut self, source: &Source, checked: &Checked, issues: &[Issue]) {
        let Settings { show_values, loudness, .. } = self.settings;
        let unlisted = Counts::default();
        let verdict = Verdict::Checked { issues, unlisted };
        let (line, root, entries) = (checked.line, checked.root.as_str(), checked.entries.as_slice());
        let entry = Entry { name: &source.name, line, root, entries, verdict };
        let mut text = String::new();
        for output in &mut self.outputs {
            if output.format == Format::Csv {
                continue;
            }
            if output.format == Format::Json {
                text = outcome_line(&entry, issues, unlisted, show_values) + "\n";
            } else {
                if loudness >= Loudness::Normal {
                    for issue in issues {
                        write_issue(&mut text, issue, &source.name.shown, root, output.style, show_values);
                    }
                }
                if loudness > Loudness::Silent {
                    text.push_str(&human::not_assessed(
                        &source.name,
                        checked.line,
                        Counts::of(issues),
                        output.style,
                    ));
                }
            }
            output.put(&mut text, self.console);
        }
    }

    fn warn(&self, source: &Source, issues: &[Issue]) {
        if !issues.is_empty() {
            self.console.note(&format!(
                "{}: {}; `solewire-check validate` shows what.",
                source.name.shown,
                Counts::of(issues).words()
            ));
        }
    }

    fn tell_impact(&mut self) {
        let Some(impact) = &self.impact else { return };
        for output in &mut self.outputs {
            let mut text = match output.format {
                Format::Csv => impact.csv(),
                _ if self.settings.loudness == Loudness::Silent => String::new(),
                _ => impact.table(output.style),
            };
            output.put(&mut text, self.console);
        }
    }

    fn report(&mut self, source: &Source, exams: &[(SubmittedExam, Derived)]) {
        if exams.is_empty() {
            self.console.note(&format!("{}: holds no exam.", source.name.shown));
        }
        let mut text = String::new();
        for (exam, derived) in exams {
            self.exams += 1;
            if let Some(impact) = &mut self.impact {
                impact.add(exam, derived);
                continue;
            }
            for output in &mut self.outputs {
                if output.format == Format::Json {
                    text = one_line(&collection(&derived.resources)) + "\n";
                } else {
                    human::exam(&mut text, &source.name, exam, derived, output.style, self.settings);
                }
                output.put(&mut text, self.console);
            }
        }
    }
}
