//! The exit code: one meaning each, and the gravest of a run wins.

use std::process::ExitCode;

/// What a run came to. Ordered, so that the gravest is the greatest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Exit {
    /// 0: nothing at or above the level that fails.
    Clean,
    /// 1: findings at or above the level that fails, however many.
    Findings,
    /// 2: the call itself is wrong, or it matched no input.
    Usage,
    /// 3: some input could not be read, a report could not be written, or the program is at fault.
    Fault,
    /// 130: interrupted from outside; the reports are marked as incomplete.
    Interrupted,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(match exit {
            Exit::Clean => 0,
            Exit::Findings => 1,
            Exit::Usage => 2,
            Exit::Fault => 3,
            Exit::Interrupted => 130,
        })
    }
}
