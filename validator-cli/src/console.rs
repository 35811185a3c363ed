//! Standard error: what is said about the run, as opposed to the report about the documents.

use std::io::Write;

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
}

fn say(text: &str) {
    // There is nowhere left to report that standard error is gone.
    writeln!(std::io::stderr().lock(), "solewire-check: {}", visible(text)).ok();
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
