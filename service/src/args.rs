//! The command line.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand};

use crate::config::{LONGEST_KEPT_DAYS, Right};

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
    /// The audit of who did what; a service may be adding to it.
    Audit {
        /// What to do with it.
        #[command(subcommand)]
        action: AuditAction,
    },
    /// Bearer tokens that are kept in the store. A running service takes them up, and lets go of them, within seconds.
    Token {
        /// What to do with them.
        #[command(subcommand)]
        action: TokenAction,
    },
    /// Show the whole job on this machine, with nothing to set up: a shipped exam is submitted, checked, assessed,
    /// delivered to a record system of the demonstration's own, and read back.
    Demo {
        /// End after the job instead of serving until interrupted.
        #[arg(long)]
        once: bool,
    },
    /// Print a script that completes the arguments in a shell.
    Completion {
        /// The shell.
        #[arg(value_enum, value_name = "SHELL")]
        shell: clap_complete::Shell,
    },
    /// Print the manual page.
    Manual,
    /// Be a record system, to try the settings of a service before the real one: in memory, on this machine only.
    StandIn(StandInArgs),
}

/// How the record system for trials is to behave.
#[derive(Debug, ClapArgs)]
pub struct StandInArgs {
    /// Where it listens: an address of the loopback interface.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8090")]
    pub listen: SocketAddr,
    /// A person whom it knows, by identifier. Can stand several times.
    #[arg(long = "person", value_name = "SYSTEM|VALUE")]
    pub persons: Vec<String>,
    /// Answer 401 unless the header Authorization is what stands in this file.
    #[arg(long, value_name = "FILE")]
    pub authorization_file: Option<PathBuf>,
    /// Give tokens to this client by SMART Backend Services, and answer 401 without one.
    #[arg(long, value_name = "ID", requires = "keys_file", conflicts_with = "authorization_file")]
    pub client_id: Option<String>,
    /// The public keys of that client, a JWK set.
    #[arg(long, value_name = "FILE", requires = "client_id")]
    pub keys_file: Option<PathBuf>,
}

/// What to do with the audit.
#[derive(Debug, Subcommand)]
pub enum AuditAction {
    /// Check that every event is there, unchanged and in its place. Says the number and the hash of the last one: kept
    /// elsewhere, they also tell a store that was rewritten as a whole. Exit status 1 when something is wrong.
    Check {
        /// The settings, which name the store.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
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
    /// Purge what was delivered longer ago than `store.keep_delivered_days`: payloads, superseded versions, answers under
    /// keys of callers. Without --now it only says how much that is. The current exams, what is not delivered, and the
    /// audit stay.
    Purge {
        /// Do it. It cannot be taken back.
        #[arg(long)]
        now: bool,
        /// So many days instead of the setting; 0 for everything that is delivered.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(..=LONGEST_KEPT_DAYS))]
        older_than_days: Option<u64>,
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

/// What to do with tokens.
#[derive(Debug, Subcommand)]
pub enum TokenAction {
    /// Make one and print it, this once.
    Create {
        /// The settings, which name the store.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
        /// Who holds it: a system or a device, not a person.
        #[arg(long)]
        name: String,
        /// What it allows: submit, read or operate. Can stand several times.
        #[arg(long, value_name = "RIGHT", required = true, value_parser = right)]
        right: Vec<Right>,
        /// The device that holds it.
        #[arg(long, value_name = "ID")]
        device: Option<String>,
        /// The clinic of its holder: its exams are all that the holder sees. Without it the holder sees every clinic.
        #[arg(long, value_name = "ID")]
        clinic: Option<String>,
        /// It ends after so many days; without it, when it is taken back.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=3650))]
        expires_in_days: Option<u32>,
    },
    /// List them, with what they allow; never the tokens themselves.
    List {
        /// The settings, which name the store.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
    },
    /// Take one back. Its sessions at pages end with it.
    Revoke {
        /// What it is called by in the list.
        id: String,
        /// The settings, which name the store.
        #[arg(long, value_name = "FILE", default_value = "solewire.toml")]
        config: PathBuf,
    },
}

fn right(word: &str) -> Result<Right, String> {
    Right::of(word).ok_or_else(|| "use submit, read or operate".to_owned())
}
