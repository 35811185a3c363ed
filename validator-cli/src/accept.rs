//! `solewire-check baseline create`: a file that accepts what is found now.

use std::fs::File;
use std::io::Write;
use std::ops::ControlFlow;
use std::sync::Arc;

use solewire_profiles::issue::Severity;

use crate::args::{BaselineCreateArguments, FailOn, Loudness};
use crate::baseline::{Draft, is_safety};
use crate::catalogue::print;
use crate::check::{Checked, Checker, Outcome};
use crate::config::Configuration;
use crate::console::Console;
use crate::exit::Exit;
use crate::input::{self, Gathered};
use crate::pipeline::{self, End, Step, Work};
use crate::report::text::count;
use crate::report::{Counts, Totals};
use crate::validate::{ended, exit, tell, tell_unmatched};
use crate::watch::Watch;

/// Runs the command. What is left, because it cannot be accepted, is a finding.
pub(crate) fn create(arguments: BaselineCreateArguments) -> Exit {
    let console = Console::new(Loudness::Normal);
    attempt(arguments, console).unwrap_or_else(|exit| exit)
}

fn attempt(mut arguments: BaselineCreateArguments, console: Console) -> Result<Exit, Exit> {
    let configuration = Configuration::load(&arguments.config, console)?;
    configuration.fill_input(&mut arguments.input);
    configuration.fill_engine(&mut arguments.engine);
    let checker = Arc::new(Checker::load(&arguments.engine, console)?);
    // Made first, so that nothing is checked in vain; a file that exists may hold reasons that somebody wrote.
    let file = arguments.output.as_ref().map(|path| {
        File::create_new(path).map_err(|error| {
            console.fault(&format!("--output {}: cannot be made: {error}.", path.display()));
            Exit::Usage
        })
    });
    let file = file.transpose()?;
    let Gathered { sources, unmatched } = input::gather(&arguments.input, console)?;
    let mut watch = Watch::begin(sources.len(), Loudness::Normal, false);
    let mut draft = Draft::default();
    let mut totals = Totals::default();
    let reading = checker.reading();
    let work: Work<Checked> = Arc::new(move |source, record| checker.check(source, record).without_text());
    let jobs = arguments.engine.jobs();
    let end = pipeline::run(&Arc::new(sources), reading, jobs, &work, &mut watch, &mut |source, step| {
        let Step::Document { result: checked, .. } = step else { return ControlFlow::Continue(()) };
        tell(source, &checked.outcome, console);
        match checked.outcome {
            Outcome::Skipped(_) => totals.skipped += 1,
            Outcome::Unread(_) => totals.unread += 1,
            Outcome::Checked { issues, .. } => {
                totals.documents += 1;
                for issue in issues {
                    if issue.severity == Severity::Fatal || is_safety(&issue.rule) {
                        totals.issues.add(Counts::of(std::slice::from_ref(&issue)));
                    } else if issue.severity != Severity::Information {
                        draft.add(&issue, &checked.root, &source.name.shown);
                    }
                }
            }
        }
        ControlFlow::Continue(())
    });
    drop(watch);
    if end != End::Whole {
        // A file that accepts a part would pass for one that accepts all; the one made above is ours and empty.
        if let (Some(_), Some(path)) = (&file, &arguments.output) {
            std::fs::remove_file(path).ok();
        }
        return Err(ended(end, console));
    }
    let safety = totals.issues.all();
    if safety > 0 {
        console.fault(&format!(
            "{} of safety rules left out; these cannot be accepted and must be mended.",
            count(safety, "finding")
        ));
    }
    let text = draft.text(&arguments.reason, arguments.until);
    let written = match (file, &arguments.output) {
        (Some(mut file), Some(path)) => match file.write_all(text.as_bytes()) {
            Ok(()) => {
                console.note(&format!("{}: {} accepted.", path.display(), count(draft.len(), "finding")));
                Exit::Clean
            }
            Err(error) => {
                console.fault(&format!("--output {}: cannot be written: {error}.", path.display()));
                Exit::Fault
            }
        },
        _ => print(&text),
    };
    let allow_empty = arguments.input.allow_empty;
    // A warning of a safety rule is as little acceptable as an error.
    let exit = exit(&totals, FailOn::Note, allow_empty, false, console);
    Ok(exit.max(written).max(tell_unmatched(&unmatched, allow_empty, console)))
}
