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
}
