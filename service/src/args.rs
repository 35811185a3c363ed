//! The command line.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

/// Takes foot exams of people with diabetes in FHIR R4, assesses, stores and forwards them.
#[derive(Debug, Parser)]
#[command(name = "solewire", version)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the service until it is interrupted.
    Serve {
        /// Settings in TOML; each can also be set as environment variable SOLEWIRE_SECTION__KEY.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
    },
    /// Show the whole job on this machine, with nothing to set up: a shipped exam is submitted, checked, assessed,
    /// delivered to a record system of the demonstration's own, and read back.
    Demo {
        /// End after the job instead of serving until interrupted.
        #[arg(long)]
        once: bool,
    },
}
