//! Programs that end by themselves, with a limit of time.

use std::ffi::OsStr;
use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often something that has to come is looked for.
pub const POLL: Duration = Duration::from_millis(20);

/// What a program did.
#[derive(Debug)]
pub struct Ran {
    /// The exit code; none after a signal.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

/// Runs a program in a folder and waits for its end.
///
/// # Panics
/// When it does not start, or does not end in time.
#[must_use]
pub fn run<A: AsRef<OsStr>>(program: &Path, arguments: &[A], folder: &Path, limit: Duration) -> Ran {
    let mut child = Command::new(program)
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{} does not start: {error}", program.display()));
    let out = collect(child.stdout.take());
    let err = collect(child.stderr.take());
    let status = wait(&mut child, limit);
    if status.is_none() {
        drop(child.kill());
        drop(child.wait());
    }
    let ran = Ran {
        code: status.and_then(|status| status.code()),
        out: out.join().expect("standard output is read"),
        err: err.join().expect("standard error is read"),
    };
    assert!(status.is_some(), "{} did not end in {limit:?}: {ran:#?}", program.display());
    ran
}

/// Waits for the end of a process; none when the limit comes first.
///
/// # Panics
/// When the operating system does not know the process.
pub fn wait(child: &mut Child, limit: Duration) -> Option<ExitStatus> {
    let deadline = Instant::now() + limit;
    loop {
        if let Some(status) = child.try_wait().expect("a child of this process") {
            return Some(status);
        }
        if Instant::now() >= deadline {
            return None;
        }
        std::thread::sleep(POLL);
    }
}

fn collect(stream: Option<impl Read + Send + 'static>) -> JoinHandle<String> {
    std::thread::spawn(move || {
        let mut bytes = Vec::new();
        if let Some(mut stream) = stream {
            // What was read before a fault of the pipe is still worth showing.
            drop(stream.read_to_end(&mut bytes));
        }
        String::from_utf8_lossy(&bytes).into_owned()
    })
}
