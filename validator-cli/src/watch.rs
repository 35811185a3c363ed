//! What happens around a run: an interrupt from outside, and progress for somebody who waits.

use std::io::{IsTerminal, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::args::Loudness;
use crate::console;
use crate::report::text::count;

/// How long a run stays silent about its progress.
const PATIENCE: Duration = Duration::from_secs(1);
/// How often the line changes.
const PACE: Duration = Duration::from_millis(200);

/// Watches over a run.
#[derive(Debug)]
pub(crate) struct Watch {
    interrupted: Arc<AtomicBool>,
    progress: Option<Progress>,
    documents: usize,
    files: usize,
}

#[derive(Debug)]
struct Progress {
    all_files: usize,
    next: Instant,
}

impl Watch {
    /// Begins to watch. `machine_format` tells that standard output carries a report for programs.
    pub(crate) fn begin(all_files: usize, loudness: Loudness, machine_format: bool) -> Watch {
        let interrupted = Arc::new(AtomicBool::new(false));
        // The first interrupt ends the run with what it has; a second one, at once. When no handler can be set, the
        // system ends the program, as it would have done anyway.
        let signal = signal_hook::consts::SIGINT;
        signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&interrupted)).ok();
        signal_hook::flag::register(signal, Arc::clone(&interrupted)).ok();
        let circumstances = Circumstances {
            stderr_is_terminal: std::io::stderr().is_terminal(),
            stdout_is_terminal: std::io::stdout().is_terminal(),
            machine_format,
            loudness,
            ci: std::env::var_os("CI").is_some_and(|value| !value.is_empty()),
        };
        let progress =
            circumstances.want_progress().then(|| Progress { all_files, next: Instant::now() + PATIENCE });
        Watch { interrupted, progress, documents: 0, files: 0 }
    }

    #[cfg(test)]
    pub(crate) fn unseen() -> Watch {
        Watch { interrupted: Arc::new(AtomicBool::new(false)), progress: None, documents: 0, files: 0 }
    }

    #[cfg(test)]
    pub(crate) fn interrupt(&mut self) {
        self.interrupted.store(true, Ordering::Relaxed);
    }

    /// Whether the run was interrupted from outside.
    pub(crate) fn is_interrupted(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed)
    }

    /// Counts a document, or the end of a file.
    pub(crate) fn count(&mut self, end_of_file: bool) {
        if end_of_file {
            self.files += 1;
        } else {
            self.documents += 1;
        }
    }

    /// Shows how far the run is, when somebody waits and it is time to.
    pub(crate) fn show(&mut self) {
        let Some(progress) = &mut self.progress else { return };
        let now = Instant::now();
        if now < progress.next {
            return;
        }
        progress.next = now + PACE;
        let line = line(self.documents, self.files, progress.all_files);
        console::show_progress(&line);
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        console::clear_progress(&mut std::io::stderr().lock() as &mut dyn Write);
    }
}

fn line(documents: usize, files: usize, all_files: usize) -> String {
    format!("{} checked, {files} of {}", count(documents, "document"), count(all_files, "file"))
}

#[derive(Debug, Clone, Copy)]
struct Circumstances {
    stderr_is_terminal: bool,
    stdout_is_terminal: bool,
    machine_format: bool,
    loudness: Loudness,
    ci: bool,
}

impl Circumstances {
    fn want_progress(self) -> bool {
        self.stderr_is_terminal
            && !(self.machine_format && self.stdout_is_terminal)
            && self.loudness >= Loudness::Normal
            && !self.ci
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn progress_is_for_people_who_wait_only() {
        let person = Circumstances {
            stderr_is_terminal: true,
            stdout_is_terminal: true,
            machine_format: false,
            loudness: Loudness::Normal,
            ci: false,
        };
        assert!(person.want_progress());
        assert!(
            Circumstances { stdout_is_terminal: false, machine_format: true, ..person }.want_progress(),
            "a report that goes into a file leaves the terminal free"
        );
        for nobody in [
            Circumstances { stderr_is_terminal: false, ..person },
            Circumstances { machine_format: true, ..person },
            Circumstances { loudness: Loudness::Quiet, ..person },
            Circumstances { ci: true, ..person },
        ] {
            assert!(!nobody.want_progress(), "{nobody:?}");
        }
    }

    #[test]
    fn the_line_counts() {
        assert_eq!(line(1, 0, 1), "1 document checked, 0 of 1 file");
        assert_eq!(line(30, 12, 40), "30 documents checked, 12 of 40 files");
    }

    #[test]
    fn a_run_is_silent_at_first() {
        let mut watch = Watch::unseen();
        watch.progress = Some(Progress { all_files: 3, next: Instant::now() + PATIENCE });
        watch.show();
        assert!(!console::progress_is_shown());
    }
}
