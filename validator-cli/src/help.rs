//! `solewire-check completion` and `manual`: help for a shell and for `man`, made from the definition of the arguments.

use clap::CommandFactory;

use crate::args::{Arguments, CompletionArguments, Loudness};
use crate::catalogue::print;
use crate::console::Console;
use crate::exit::Exit;

/// Prints the script of a shell.
pub(crate) fn completion(arguments: &CompletionArguments) -> Exit {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Arguments::command(), "solewire-check", &mut script);
    print(&String::from_utf8_lossy(&script))
}

/// Prints the page of the program, with those of its commands behind it.
pub(crate) fn manual() -> Exit {
    let mut pages = Vec::new();
    let mut command = Arguments::with_long_version();
    command.build();
    match pages_of(&command, "", &mut pages) {
        Ok(()) => print(&String::from_utf8_lossy(&pages)),
        Err(error) => {
            Console::new(Loudness::Normal).fault(&format!("The manual cannot be made: {error}."));
            Exit::Fault
        }
    }
}

fn pages_of(command: &clap::Command, above: &str, pages: &mut Vec<u8>) -> std::io::Result<()> {
    let name = format!("{above}{}", command.get_name());
    clap_mangen::Man::new(command.clone().display_name(&name).name(name.clone())).render(pages)?;
    let below = command.get_subcommands().filter(|below| below.get_name() != "help" && !below.is_hide_set());
    below.into_iter().try_for_each(|below| pages_of(below, &format!("{name}-"), pages))
}
