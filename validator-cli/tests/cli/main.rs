//! Runs the built program and compares standard output, standard error and exit code.
//!
//! The documents here are broken in ways that the JSON reader alone sees, or not at all: what the engine finds in an
//! exam is tested beside the engine.

#![allow(missing_docs)]

mod accepting;
mod assess;
mod catalogue;
mod config;
mod corpus;
mod evidence;
mod exits;
mod export;
mod help;
mod inputs;
mod reports;
mod site;
mod xml;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A resource without a fault and without an exam.
const CLINIC: &str = r#"{"resourceType":"Organization","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Harbour Lane community foot clinic</div>"},"name":"Harbour Lane community foot clinic"}"#;

/// The same with a property twice.
const TWICE: &str =
    "{\"resourceType\":\"Organization\",\n \"name\":\"Secret One\",\n \"name\":\"Secret Two\"}";

/// A folder of its own for each test, and the program run in it.
struct Bench {
    folder: tempfile::TempDir,
}

struct Ran {
    code: Option<i32>,
    out: String,
    err: String,
}

impl Bench {
    fn new() -> Bench {
        Bench { folder: tempfile::tempdir().unwrap() }
    }

    /// A bench with one file.
    fn with(name: &str, content: impl AsRef<[u8]>) -> Bench {
        let bench = Bench::new();
        bench.put(name, content);
        bench
    }

    fn put(&self, name: &str, content: impl AsRef<[u8]>) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, content).unwrap();
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    fn command(&self, arguments: &[&str]) -> Command {
        command(self.folder.path(), arguments)
    }

    fn run(&self, arguments: &[&str]) -> Ran {
        ran(&mut self.command(arguments), b"")
    }

    fn run_with(&self, arguments: &[&str], stdin: impl AsRef<[u8]>) -> Ran {
        ran(&mut self.command(arguments), stdin.as_ref())
    }
}

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_solewire-check"));
    command.args(arguments).current_dir(folder).env_remove("NO_COLOR").env("TERM", "xterm");
    // Whoever runs the tests may have settings of their own.
    command.env_remove("XDG_CONFIG_HOME").env_remove("HOME");
    command
}

fn ran(command: &mut Command, stdin: &[u8]) -> Ran {
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut pipe = child.stdin.take().unwrap();
    let stdin = stdin.to_owned();
    // The program may end without reading everything, which is its right.
    let writer = std::thread::spawn(move || pipe.write_all(&stdin).ok());
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    Ran {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

impl Ran {
    #[track_caller]
    fn ends(self, code: i32) -> Ran {
        assert_eq!(self.code, Some(code), "stdout:\n{}\nstderr:\n{}", self.out, self.err);
        self
    }
}
