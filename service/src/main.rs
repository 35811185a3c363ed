//! The binary `solewire`.

use std::path::Path;
use std::process::ExitCode;

use clap::Parser as _;
use solewire_service::args::{Args, AuditAction, Command, StandInArgs, StoreAction, TokenAction};
use solewire_service::clock::Clock;
use solewire_service::config::Config;
use solewire_service::demo::{self, Afterwards};
use solewire_service::{care, help, stand_in, startup, telemetry, tokens};

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Exit code for something the caller has to change.
const USAGE: u8 = 2;

#[tokio::main]
async fn main() -> ExitCode {
    match Args::parse().command {
        Command::Serve { config } => serve(&config).await,
        Command::Store { action } => look_after(action).await,
        Command::Audit { action: AuditAction::Check { config } } => check_audit(&config).await,
        Command::Token { action } => look_after_tokens(action).await,
        Command::Demo { once } => show(once).await,
        Command::Completion { shell } => printed(help::completion(shell, &mut std::io::stdout())),
        Command::Manual => printed(help::manual(&mut std::io::stdout())),
        Command::StandIn(args) => stand_in(&args).await,
    }
}

async fn serve(file: &Path) -> ExitCode {
    let config = match Config::load(file) {
        Ok(config) => config,
        Err(error) => return give_up(&error),
    };
    telemetry::start(&config.log);
    let running = match startup::start(config, Clock::system()).await {
        Ok(running) => running,
        Err(error) => return give_up(&error),
    };
    let damage = tokio::select! {
        () = startup::interrupted() => None,
        damage = running.damage() => Some(damage),
    };
    if let Some(damage) = &damage {
        tracing::error!(error = %damage, "stopping");
    }
    running.stop().await;
    damage.map_or(ExitCode::SUCCESS, |damage| give_up(&damage))
}

async fn look_after(action: StoreAction) -> ExitCode {
    let (StoreAction::Backup { config, .. }
    | StoreAction::Check { config }
    | StoreAction::Purge { config, .. }) = &action;
    let settings = match Config::load(config) {
        Ok(config) => config.store,
        Err(error) => return give_up(&error),
    };
    let place = &settings.place;
    let out = &mut std::io::stdout();
    let done = match &action {
        StoreAction::Backup { to, .. } => care::back_up(place, to, out).await,
        StoreAction::Check { .. } => care::check(place, out).await,
        StoreAction::Purge { now, older_than_days, .. } => {
            care::purge(&settings, *older_than_days, *now, &Clock::system(), out).await
        }
    };
    match done {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => give_up(error.as_ref()),
    }
}

async fn check_audit(file: &Path) -> ExitCode {
    let place = match Config::load(file) {
        Ok(config) => config.store.place,
        Err(error) => return give_up(&error),
    };
    match care::check_audit(&place, &mut std::io::stdout()).await {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => give_up(error.as_ref()),
    }
}

async fn look_after_tokens(action: TokenAction) -> ExitCode {
    let (TokenAction::Create { config, .. }
    | TokenAction::List { config }
    | TokenAction::Revoke { config, .. }) = &action;
    let place = match Config::load(config) {
        Ok(config) => config.store.place,
        Err(error) => return give_up(&error),
    };
    let clock = Clock::system();
    match tokens::look_after(&place, &action, &clock, &mut std::io::stdout(), &mut std::io::stderr()).await {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => give_up(&error),
    }
}

async fn show(once: bool) -> ExitCode {
    let afterwards = if once { Afterwards::Exit } else { Afterwards::Serve };
    match demo::run(afterwards, &mut std::io::stdout()).await {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("solewire: {error}");
            ExitCode::FAILURE
        }
    }
}

fn printed(result: std::io::Result<()>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => give_up(&error),
    }
}

async fn stand_in(args: &StandInArgs) -> ExitCode {
    let _records = match stand_in::start(args, &mut std::io::stdout()) {
        Ok(records) => records,
        Err(error) => return give_up(&error),
    };
    startup::interrupted().await;
    ExitCode::SUCCESS
}

fn give_up(error: &dyn std::error::Error) -> ExitCode {
    eprintln!("solewire: {error}");
    ExitCode::from(USAGE)
}
