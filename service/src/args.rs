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
    /// Look after the store; a service may be using it.
    Store {
        /// What to do with it.
        #[command(subcommand)]
        action: StoreAction,
    },
    /// Show the whole job on this machine, with nothing to set up: a shipped exam is submitted, checked, assessed,
    /// delivered to a record system of the demonstration's own, and read back.
    Demo {
        /// End after the job instead of serving until interrupted.
        #[arg(long)]
        once: bool,
    },
}

/// What to do with the store.
#[derive(Debug, Subcommand)]
pub enum StoreAction {
    /// Copy it into a new file, as it is at one moment. To restore: stop the service, put the copy in the place of the
    /// store, remove the files beside it that end in -wal and -shm, start the service.
    Backup {
        /// The new file.
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
        /// The settings, which name the store.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
    },
    /// Check its pages, its references, and that every exam that was queued is accounted for. Exit status 1 when
    /// something is wrong.
    Check {
        /// The settings, which name the store.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
    },
}
