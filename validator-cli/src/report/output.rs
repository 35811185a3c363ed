//! Where reports go: standard output and files, never onto an input.

use std::ffi::OsStr;
use std::fs::File;
use std::io::{BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;

use super::Style;
use crate::args::{ColorChoice, Format, OutputArguments};
use crate::console::{self, Console};
use crate::exit::Exit;
use crate::input::Source;

/// An opened place for a report.
pub(crate) struct Output {
    pub(crate) format: Format,
    pub(crate) style: Style,
    /// How it is called in messages; none for standard output.
    path: Option<PathBuf>,
    /// None once its reader has gone or a write has failed.
    writer: Option<Box<dyn Write>>,
    failed: bool,
    on_terminal: bool,
}

impl Output {
    /// Writes away what a reporter appended, and empties it.
    pub(crate) fn put(&mut self, text: &mut String, console: Console) {
        if text.is_empty() {
            return;
        }
        if let Some(writer) = &mut self.writer {
            let mut written = writer.write_all(text.as_bytes());
            if self.on_terminal {
                // Somebody reads along, and the line of the progress must not run into the report.
                console::clear_progress(&mut std::io::stderr().lock());
                written = written.and_then(|()| writer.flush());
            }
            if let Err(error) = written {
                self.give_up(&error, console);
            }
        }
        text.clear();
    }

    /// Writes away what is still held back.
    pub(crate) fn close(&mut self, console: Console) {
        if let Some(writer) = &mut self.writer
            && let Err(error) = writer.flush()
        {
            self.give_up(&error, console);
        }
        self.writer = None;
    }

    /// Whether somebody still reads it.
    pub(crate) fn is_open(&self) -> bool {
        self.writer.is_some()
    }

    /// Whether it is standard output with a report for programs.
    pub(crate) fn is_for_programs_on_stdout(&self) -> bool {
        self.path.is_none() && self.format != Format::Human
    }

    /// Whether the report is incomplete though somebody wants it.
    pub(crate) fn has_failed(&self) -> bool {
        self.failed
    }

    fn give_up(&mut self, error: &std::io::Error, console: Console) {
        self.writer = None;
        // A reader such as `head` that has seen enough is no fault.
        if self.path.is_some() || error.kind() != std::io::ErrorKind::BrokenPipe {
            self.failed = true;
            let name =
                self.path.as_deref().map_or("standard output".to_owned(), |path| path.display().to_string());
            console.fault(&format!("The report could not be written to {name}: {error}."));
        }
    }
}

/// Opens every place the arguments name. `others` are further files that will be written, with their options.
///
/// # Errors
/// How the run ends when one of them cannot be used; the reason has been said.
pub(crate) fn open(
    arguments: &OutputArguments,
    sources: &[Source],
    others: &[(&str, &Path)],
    console: Console,
) -> Result<Vec<Output>, Exit> {
    let targets = targets(arguments);
    let inputs: Vec<PathBuf> =
        sources.iter().filter_map(Source::path).filter_map(|path| path.canonicalize().ok()).collect();
    let mut taken: Vec<PathBuf> = Vec::new();
    let written = targets.iter().filter_map(|(_, path)| Some(("--output", path.as_deref()?)));
    for (option, path) in written.chain(others.iter().copied()) {
        let place = resolved(path);
        if inputs.contains(&place) || inputs.iter().any(|input| is_same_file(input, &place)) {
            console.fault(&format!(
                "{option} {}: this file is an input, and inputs are never changed; name another file.",
                path.display()
            ));
            return Err(Exit::Usage);
        }
        if taken.contains(&place) {
            console.fault(&format!("{option} {}: two reports cannot share a file.", path.display()));
            return Err(Exit::Usage);
        }
        taken.push(place);
    }
    targets
        .into_iter()
        .map(|(format, path)| open_one(format, path, arguments.color.unwrap_or(ColorChoice::Auto), console))
        .collect()
}

fn open_one(
    format: Format,
    path: Option<PathBuf>,
    color: ColorChoice,
    console: Console,
) -> Result<Output, Exit> {
    let writer: Box<dyn Write> = match &path {
        None => Box::new(BufWriter::new(std::io::stdout().lock())),
        Some(path) => match File::create(path) {
            Ok(file) => Box::new(BufWriter::new(file)),
            Err(error) => {
                console.fault(&format!("--output {}: cannot be written: {error}.", path.display()));
                return Err(Exit::Usage);
            }
        },
    };
    let style = Style { coloured: path.is_none() && is_coloured(color) };
    let on_terminal = path.is_none() && std::io::stdout().is_terminal();
    Ok(Output { format, style, path, writer: Some(writer), failed: false, on_terminal })
}

/// The formats and files asked for. A file without a format takes the place of standard output.
fn targets(arguments: &OutputArguments) -> Vec<(Format, Option<PathBuf>)> {
    let given: Vec<(Option<Format>, PathBuf)> = arguments.outputs.iter().map(|text| target(text)).collect();
    let mut targets = Vec::new();
    if given.iter().all(|(format, _)| format.is_some()) {
        targets.push((arguments.format(), None));
    }
    targets
        .extend(given.into_iter().map(|(format, path)| (format.unwrap_or(arguments.format()), Some(path))));
    targets
}

/// `FORMAT=FILE` or `FILE`. What stands before `=` without being a format belongs to the name of the file.
fn target(text: &OsStr) -> (Option<Format>, PathBuf) {
    let parts = text.to_str().and_then(|text| text.split_once('='));
    match parts.map(|(format, file)| (Format::from_str(format, false), file)) {
        Some((Ok(format), file)) => (Some(format), PathBuf::from(file)),
        Some((Err(_), _)) | None => (None, PathBuf::from(text)),
    }
}

/// The path without links, also of a file that is yet to be made.
fn resolved(path: &Path) -> PathBuf {
    if let Ok(whole) = path.canonicalize() {
        return whole;
    }
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    match (parent.canonicalize(), path.file_name()) {
        (Ok(parent), Some(name)) => parent.join(name),
        _ => path.to_owned(),
    }
}

/// Whether two paths are names of one file.
#[cfg(unix)]
fn is_same_file(one: &Path, other: &Path) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    let number = |path: &Path| std::fs::metadata(path).ok().map(|about| (about.dev(), about.ino()));
    number(other).is_some_and(|other| number(one) == Some(other))
}

#[cfg(not(unix))]
fn is_same_file(_: &Path, _: &Path) -> bool {
    false
}

fn is_coloured(color: ColorChoice) -> bool {
    match color {
        ColorChoice::Always => true,
        ColorChoice::Never => false,
        ColorChoice::Auto => {
            let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
            // https://no-color.org: set and not empty.
            set("NO_COLOR").is_none()
                && set("TERM").is_none_or(|term| term != "dumb")
                && std::io::stdout().is_terminal()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_format_before_the_file_is_told_from_a_file_name() {
        let parsed = |text: &str| target(OsStr::new(text));
        assert_eq!(parsed("sarif=out/a.sarif"), (Some(Format::Sarif), PathBuf::from("out/a.sarif")));
        assert_eq!(parsed("a.json"), (None, PathBuf::from("a.json")));
        assert_eq!(parsed("week=3.json"), (None, PathBuf::from("week=3.json")));
        assert_eq!(parsed("./json=x"), (None, PathBuf::from("./json=x")));
    }
}
