//! `solewire-check`: checks and assesses foot examination files offline, with the engine of the service.
//!
//! It reads the files it is given and writes reports; it never changes an input and never uses the network.

#![deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod accept;
mod args;
mod assess;
mod baseline;
mod catalogue;
mod check;
mod config;
mod console;
mod evidence;
mod exit;
mod export;
mod glob;
mod help;
mod input;
mod inventory;
mod pipeline;
mod report;
mod site_files;
mod unconfirmed;
mod validate;
mod watch;

use std::process::ExitCode;

use crate::args::{Arguments, BaselineCommand, Command, ConfigCommand, ProfilesCommand};

fn main() -> ExitCode {
    console::keep_values_out_of_panics();
    let exit = match Arguments::of_process().command {
        Command::Validate(arguments) => validate::run(arguments),
        Command::Assess(arguments) => assess::run(arguments),
        Command::Baseline(BaselineCommand::Create(arguments)) => accept::create(arguments),
        Command::Config(ConfigCommand::Show(arguments)) => config::show(&arguments),
        Command::Completion(arguments) => help::completion(&arguments),
        Command::Manual => help::manual(),
        Command::Rules(arguments) => catalogue::rules(arguments),
        Command::Explain(arguments) => catalogue::explain(arguments),
        Command::Profiles(ProfilesCommand::Export(arguments)) => export::run(&arguments),
        Command::Profiles(ProfilesCommand::List(arguments)) => inventory::list(arguments),
    };
    exit.into()
}
