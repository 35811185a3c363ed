//! Help for a shell and for `man`, made from the definition of the arguments.

use std::io::{self, Write};

use clap::CommandFactory as _;
use clap_complete::Shell;

use crate::args::Args;

/// Writes the script that completes the command line of `solewire` in a shell.
///
/// # Errors
/// When `out` does not take it.
pub fn completion(shell: Shell, out: &mut impl Write) -> io::Result<()> {
    // The generator panics when its own writer fails, so it writes to memory.
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Args::command(), "solewire", &mut script);
    out.write_all(&script)
}

/// Writes the manual page of `solewire`, with those of its commands behind it.
///
/// # Errors
/// When `out` does not take it.
pub fn manual(out: &mut impl Write) -> io::Result<()> {
    let mut command = Args::command();
    command.build();
    pages_of(&command, "", out)
}

fn pages_of(command: &clap::Command, above: &str, out: &mut impl Write) -> io::Result<()> {
    let name = format!("{above}{}", command.get_name());
    clap_mangen::Man::new(command.clone().display_name(&name).name(name.clone())).render(out)?;
    let below = command.get_subcommands().filter(|below| below.get_name() != "help");
    below.into_iter().try_for_each(|below| pages_of(below, &format!("{name}-"), out))
}
