//! Standard error: what is said about the run, as opposed to the report about the documents.

use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::args::Loudness;
use crate::report::text::visible;

/// Says things on standard error, as loudly as was asked.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Console {
    loudness: Loudness,
}

impl Console {
    pub(crate) fn new(loudness: Loudness) -> Console {
        Console { loudness }
    }

    /// Something kept the run from doing what was asked. Always said.
    pub(crate) fn fault(&self, text: &str) {
        say(text);
    }

    /// Something the caller should know, though the run does what was asked.
    pub(crate) fn note(&self, text: &str) {
        if self.loudness >= Loudness::Normal {
            say(text);
        }
    }

    /// Detail for somebody who looks closer.
    pub(crate) fn detail(&self, text: &str) {
        if self.loudness >= Loudness::Verbose {
            say(text);
        }
    }

    /// The steps of the checks, for somebody who looks for a rule.
    pub(crate) fn trace(&self, text: &str) {
        if self.loudness >= Loudness::Trace {
            say(text);
        }
    }
}

fn say(text: &str) {
    let mut stderr = std::io::stderr().lock();
    clear_progress(&mut stderr);
    // There is nowhere left to report that standard error is gone.
    writeln!(stderr, "solewire-check: {}", visible(text)).ok();
}

/// Whether the last line of the terminal is that of the progress. Everything that writes there clears it first.
static PROGRESS: AtomicBool = AtomicBool::new(false);

/// Shows a line that the next one, or anything else, takes the place of.
pub(crate) fn show_progress(line: &str) {
    let mut stderr = std::io::stderr().lock();
    write!(stderr, "\r\x1b[K{line}").and_then(|()| stderr.flush()).ok();
    PROGRESS.store(true, Ordering::Relaxed);
}

/// Takes the line of the progress away.
pub(crate) fn clear_progress(stderr: &mut dyn Write) {
    if PROGRESS.swap(false, Ordering::Relaxed) {
        write!(stderr, "\r\x1b[K").and_then(|()| stderr.flush()).ok();
    }
}

#[cfg(test)]
pub(crate) fn progress_is_shown() -> bool {
    PROGRESS.load(Ordering::Relaxed)
}

/// Makes a panic name its place in the program only: its message may hold a value of the document at hand.
pub(crate) fn keep_values_out_of_panics() {
    std::panic::set_hook(Box::new(|panic| {
        let place = panic
            .location()
            .map_or_else(String::new, |place| format!(" at {}:{}", place.file(), place.line()));
        say(&format!("A fault of this program{place}. Please report it with this place."));
    }));
}
