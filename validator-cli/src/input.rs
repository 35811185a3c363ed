//! Files, folders, patterns and standard input: which documents a run reads, in which order, and their bytes.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::File;
use std::io::{BufRead, BufReader, ErrorKind, Read};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::args::InputArguments;
use crate::console::Console;
use crate::evidence::hex;
use crate::exit::Exit;
use crate::glob;
use crate::report::text::uri;

/// How reports call a source.
#[derive(Debug, Clone)]
pub(crate) struct Name {
    /// As given, or relative to the working folder where it lies below it. Not yet safe for a terminal.
    pub(crate) shown: String,
    /// The same as a URI reference.
    pub(crate) uri: String,
}

/// One thing to read.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) name: Name,
    /// Whether each line is a document.
    pub(crate) lines: bool,
    /// Whether the caller named it, rather than a folder or pattern around it.
    pub(crate) named: bool,
    origin: Origin,
}

#[derive(Debug)]
enum Origin {
    Stdin,
    File(PathBuf),
    /// Found, but it cannot be listed.
    Unlistable(String),
    /// Found, but it is of a kind that is not read.
    Unfit(&'static str),
}

/// The bytes of one document, or why there are none.
#[derive(Debug)]
pub(crate) struct Record {
    /// In NDJSON: its line, from 1, and the byte offset of that line.
    pub(crate) line: Option<(usize, usize)>,
    pub(crate) content: Content,
}

#[derive(Debug)]
pub(crate) enum Content {
    Bytes(Vec<u8>),
    /// Larger than is read.
    TooLarge,
    /// Why it could not be read.
    Unreadable(String),
    /// Why it is not read.
    Unfit(&'static str),
}

/// How sources are read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reading {
    /// The largest document, in bytes.
    pub(crate) limit: usize,
    /// Whether to tell the fingerprint of each file. The one thread that reads pays for it.
    pub(crate) fingerprints: bool,
}

impl Source {
    /// Its path, when it is a file.
    pub(crate) fn path(&self) -> Option<&Path> {
        match &self.origin {
            Origin::File(path) => Some(path),
            Origin::Stdin | Origin::Unlistable(_) | Origin::Unfit(_) => None,
        }
    }

    /// Reads the documents one after the other until `visit` breaks off. Gives the fingerprint of what was read whole,
    /// where it is asked for.
    pub(crate) fn read(
        &self,
        Reading { limit, fingerprints }: Reading,
        visit: &mut dyn FnMut(Record) -> ControlFlow<()>,
    ) -> ControlFlow<(), Option<Fingerprint>> {
        let alone = |content| Record { line: None, content };
        let without_bytes = |flow: ControlFlow<()>| flow.map_continue(|()| None);
        let reader: Box<dyn Read> = match &self.origin {
            Origin::Unlistable(reason) => {
                return without_bytes(visit(alone(Content::Unreadable(reason.clone()))));
            }
            Origin::Unfit(reason) => return without_bytes(visit(alone(Content::Unfit(reason)))),
            Origin::Stdin => Box::new(std::io::stdin().lock()),
            Origin::File(path) if is_device(path) => {
                let reason = "a device, which may have no end";
                return without_bytes(visit(alone(Content::Unreadable(reason.to_owned()))));
            }
            Origin::File(path) => match File::open(path) {
                Ok(file) => Box::new(file),
                Err(error) => return without_bytes(visit(alone(Content::Unreadable(error.to_string())))),
            },
        };
        let digest = fingerprints.then(Sha256::new);
        let mut reader = Hashing { reader, digest, bytes: 0 };
        if self.lines {
            read_lines(BufReader::with_capacity(64 * 1024, &mut reader), limit, visit)?;
        } else {
            let mut bytes = Vec::new();
            // One byte over the limit is enough to know that the text is too large.
            let content = match (&mut reader).take(limit as u64 + 1).read_to_end(&mut bytes) {
                Ok(_) if bytes.len() > limit => Content::TooLarge,
                Ok(_) => Content::Bytes(bytes),
                Err(error) => Content::Unreadable(error.to_string()),
            };
            visit(alone(content))?;
        }
        ControlFlow::Continue(reader.finish())
    }
}

/// Whether a path leads to a device. What another program writes into a pipe is read: it ends with that program.
#[cfg(unix)]
fn is_device(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt as _;
    std::fs::metadata(path).is_ok_and(|about| {
        let kind = about.file_type();
        kind.is_char_device() || kind.is_block_device()
    })
}

#[cfg(not(unix))]
fn is_device(_: &Path) -> bool {
    false
}

/// What tells that two files are the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fingerprint {
    /// SHA-256 in hexadecimal.
    pub(crate) sha256: String,
    pub(crate) bytes: u64,
}

/// Keeps the fingerprint of what is read through it: a file that is opened again could be another one by then.
struct Hashing<R> {
    reader: R,
    digest: Option<Sha256>,
    bytes: u64,
}

impl<R: Read> Read for Hashing<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let length = self.reader.read(buffer)?;
        if let Some(digest) = &mut self.digest {
            digest.update(buffer.get(..length).unwrap_or_default());
        }
        self.bytes += length as u64;
        Ok(length)
    }
}

impl<R: Read> Hashing<R> {
    /// Reads what is left, so that whoever writes into a pipe gets to its end. None when that fails.
    fn finish(mut self) -> Option<Fingerprint> {
        std::io::copy(&mut self, &mut std::io::sink()).ok()?;
        Some(Fingerprint { sha256: hex(&self.digest?.finalize()), bytes: self.bytes })
    }
}

fn read_lines(
    mut reader: impl BufRead,
    limit: usize,
    visit: &mut dyn FnMut(Record) -> ControlFlow<()>,
) -> ControlFlow<()> {
    let mut number = 0;
    let mut offset = 0;
    loop {
        number += 1;
        let line = Some((number, offset));
        let mut bytes = Vec::new();
        let (length, too_large) = match read_line(&mut reader, limit, &mut bytes) {
            Ok((0, _)) => return ControlFlow::Continue(()),
            Ok(read) => read,
            Err(error) => return visit(Record { line, content: Content::Unreadable(error.to_string()) }),
        };
        offset += length;
        let wide = number == 1 && (bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]));
        if too_large {
            visit(Record { line, content: Content::TooLarge })?;
        } else if !bytes.trim_ascii().is_empty() {
            // Without its end, so that a record cut short is reported on its own line.
            let record = bytes.strip_suffix(b"\n").unwrap_or(&bytes);
            let record = record.strip_suffix(b"\r").unwrap_or(record);
            visit(Record { line, content: Content::Bytes(record.to_vec()) })?;
        }
        if wide {
            // Not UTF-8 from its first byte, so a line feed byte does not end a line: one report for the file is enough.
            return ControlFlow::Continue(());
        }
    }
}

/// Reads up to and with the next line feed. Keeps at most `limit` bytes and tells how many there were and whether
/// that is more than the limit.
fn read_line(reader: &mut impl BufRead, limit: usize, line: &mut Vec<u8>) -> std::io::Result<(usize, bool)> {
    let mut length = 0;
    let mut too_large = false;
    loop {
        let available = match reader.fill_buf() {
            Ok(available) => available,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        let end = available.iter().position(|&byte| byte == b'\n').map(|at| at + 1);
        let taken = end.unwrap_or(available.len());
        let room = limit.saturating_sub(line.len());
        line.extend(available.iter().take(taken.min(room)));
        too_large |= taken > room + usize::from(end.is_some());
        reader.consume(taken);
        length += taken;
        if end.is_some() || taken == 0 {
            return Ok((length, too_large));
        }
    }
}

/// What the paths of a call name.
#[derive(Debug)]
pub(crate) struct Gathered {
    /// Folders and patterns opened up, each file once, sorted by path.
    pub(crate) sources: Vec<Source>,
    /// The folders and patterns that named nothing.
    pub(crate) unmatched: Vec<String>,
}

/// Finds out what the paths name, without reading it.
///
/// # Errors
/// How the run ends when the ignore file cannot be read; the reason has been said.
pub(crate) fn gather(arguments: &InputArguments, console: Console) -> Result<Gathered, Exit> {
    let choice = Choice::new(arguments).map_err(|reason| {
        console.fault(&reason);
        Exit::Usage
    })?;
    let mut gathering = Gathering { ndjson: arguments.ndjson, choice, sources: BTreeMap::new(), found: 0 };
    let mut unmatched = Vec::new();
    for given in &arguments.paths {
        let before = gathering.found;
        gathering.add(given, &arguments.stdin_name);
        if gathering.found == before {
            unmatched.push(given.to_string_lossy().into_owned());
        }
    }
    Ok(Gathered { sources: gathering.sources.into_values().collect(), unmatched })
}

/// Looked for in the current folder.
const IGNORE_FILE: &str = ".solewire-ignore";

/// What of folders and patterns is read. A file that is named is always read.
struct Choice {
    include: Vec<String>,
    exclude: Vec<String>,
}

impl Choice {
    fn new(arguments: &InputArguments) -> Result<Choice, String> {
        let mut exclude = arguments.exclude.clone();
        let path = arguments.ignore_file.as_deref().unwrap_or(Path::new(IGNORE_FILE));
        match std::fs::read_to_string(path) {
            Ok(text) => exclude.extend(
                text.lines()
                    .map(str::trim)
                    .filter(|line| !line.is_empty() && !line.starts_with('#'))
                    .map(str::to_owned),
            ),
            Err(error) if arguments.ignore_file.is_none() && error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(format!("{}: cannot be read: {error}.", path.display())),
        }
        for pattern in &mut exclude {
            if let Some(folder) = pattern.strip_suffix('/') {
                *pattern =
                    if folder.contains('/') { format!("{folder}/**") } else { format!("**/{folder}/**") };
            }
        }
        Ok(Choice { include: arguments.include.clone(), exclude })
    }

    /// Whether a file in a folder is of the kind that is read.
    fn includes(&self, path: &Path) -> bool {
        if self.include.is_empty() {
            return has_extension(path, "json") || has_extension(path, "ndjson");
        }
        fits_any(&self.include, path)
    }

    fn excludes(&self, path: &Path) -> bool {
        fits_any(&self.exclude, path)
    }
}

fn fits_any(patterns: &[String], path: &Path) -> bool {
    let path = shown(path);
    let path = path.to_string_lossy();
    patterns.iter().any(|pattern| glob::matches_path(pattern, &path))
}

struct Gathering {
    ndjson: bool,
    choice: Choice,
    sources: BTreeMap<PathBuf, Source>,
    /// How often something was found, the same thing twice included.
    found: usize,
}

impl Gathering {
    fn add(&mut self, given: &OsString, stdin_name: &str) {
        if given == "-" {
            self.put(Path::new(stdin_name), true, Origin::Stdin);
            return;
        }
        let path = Path::new(given);
        let pattern = given.to_str().filter(|text| glob::is_pattern(text) && !path.exists());
        match pattern {
            Some(pattern) => {
                for path in glob::expand(pattern) {
                    self.add_path(&path, false);
                }
            }
            None => self.add_path(path, true),
        }
    }

    fn add_path(&mut self, path: &Path, named: bool) {
        if path.is_dir() {
            // Without a real path of its own the folder cannot be listed either.
            let root = path.canonicalize().unwrap_or_else(|_| path.to_owned());
            self.add_folder(path, &root);
        } else if named || !self.choice.excludes(path) {
            // A path that does not exist is a file that cannot be read, which is how it is reported.
            self.put(path, named, Origin::File(path.to_owned()));
        }
    }

    /// Adds what lies in a folder. `root` is the real path of the folder that was named.
    fn add_folder(&mut self, folder: &Path, root: &Path) {
        let entries = match std::fs::read_dir(folder) {
            Ok(entries) => entries,
            Err(error) => return self.put(folder, true, Origin::Unlistable(error.to_string())),
        };
        for entry in entries {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => return self.put(folder, true, Origin::Unlistable(error.to_string())),
            };
            if entry.file_name().as_encoded_bytes().starts_with(b".") {
                continue;
            }
            let path = entry.path();
            let is_link = entry.file_type().is_ok_and(|kind| kind.is_symlink());
            if path.is_dir() {
                if is_link {
                    let reason = "a link to a folder, which is not followed; name it to have it read";
                    self.put(&path, false, Origin::Unfit(reason));
                } else {
                    self.add_folder(&path, root);
                }
            } else if self.choice.includes(&path) && !self.choice.excludes(&path) {
                let origin = if path.exists() && !path.is_file() {
                    Origin::Unfit("not a regular file; name it to have it read")
                } else if is_link && path.canonicalize().is_ok_and(|real| !real.starts_with(root)) {
                    Origin::Unfit("a link out of the folder, which is not followed; name it to have it read")
                } else {
                    Origin::File(path.clone())
                };
                self.put(&path, false, origin);
            }
        }
    }

    fn put(&mut self, path: &Path, named: bool, origin: Origin) {
        let lines = self.ndjson || has_extension(path, "ndjson");
        let path = match origin {
            Origin::Stdin => path.to_owned(),
            Origin::File(_) | Origin::Unlistable(_) | Origin::Unfit(_) => shown(path),
        };
        let source = Source {
            name: Name { shown: path.to_string_lossy().into_owned(), uri: uri(&path) },
            lines,
            named,
            origin,
        };
        let entry = self.sources.entry(path).or_insert(source);
        entry.named |= named;
        self.found += 1;
    }
}

fn has_extension(path: &Path, wanted: &str) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(wanted))
}

/// The path without what depends on the machine: relative to the working folder where it lies below it.
fn shown(path: &Path) -> PathBuf {
    let below =
        std::env::current_dir().ok().and_then(|here| path.strip_prefix(here).ok().map(Path::to_owned));
    let path = below.unwrap_or_else(|| path.to_owned());
    let plain: PathBuf = path.components().filter(|part| *part != std::path::Component::CurDir).collect();
    if plain.as_os_str().is_empty() { PathBuf::from(".") } else { plain }
}

/// Arguments that name paths and nothing else.
#[cfg(test)]
pub(crate) fn arguments(paths: Vec<OsString>) -> InputArguments {
    InputArguments {
        paths,
        stdin_name: "<stdin>".to_owned(),
        ndjson: false,
        include: Vec::new(),
        exclude: Vec::new(),
        ignore_file: None,
        allow_empty: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &[u8], limit: usize) -> Vec<(usize, usize, Option<String>)> {
        let mut records = Vec::new();
        let flow = read_lines(text, limit, &mut |record| {
            let (line, offset) = record.line.unwrap();
            let text = match record.content {
                Content::Bytes(bytes) => Some(String::from_utf8(bytes).unwrap().trim_end().to_owned()),
                Content::TooLarge => None,
                Content::Unreadable(_) | Content::Unfit(_) => unreachable!(),
            };
            records.push((line, offset, text));
            ControlFlow::Continue(())
        });
        assert!(flow.is_continue());
        records
    }

    #[test]
    fn lines_keep_their_number_and_offset_past_blank_and_large_ones() {
        let text = b"{}\r\n\r\n{\"a\":12345678}\n  \n[1]";
        assert_eq!(
            lines(text, 10),
            [(1, 0, Some("{}".to_owned())), (3, 6, None), (5, 24, Some("[1]".to_owned()))]
        );
    }

    #[test]
    fn a_line_of_exactly_the_limit_is_read() {
        assert_eq!(lines(b"1234\n12345\n1234", 4).iter().filter(|record| record.2.is_none()).count(), 1);
    }
}
