//! Puts the parts together, binds the listeners, and takes everything down in order.

use std::io;
use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;

use actix_web::dev::ServerHandle;
use actix_web::{HttpServer, web};
use solewire_profiles::LoadError;
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;

use crate::access::{self, Issuer, KeySource};
use crate::clock::Clock;
use crate::config::{Access, Auth, Config, RecordSystem, Server, TrustedIssuer};
use crate::delivery::{Client, ConnectionError, Lane, Pace, Parts, Worker};
use crate::http::{self, State};
use crate::intake::{Intake, LargeBodies};
use crate::metrics::Metrics;
use crate::retention;
use crate::site_files;
use crate::store::{Store, StoreError};
use crate::tls::{self, TlsError};
use crate::traces::{Exporter, Traces};

/// How long requests under way may take to finish when the service stops, in seconds.
const DRAIN_SECONDS: u64 = 10;

/// Why the service did not start: one line that says what to change.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A listener.
    #[error("`{setting}`: cannot listen on {address} ({reason}); stop what uses it, or change `{setting}`")]
    Listen {
        /// Which setting.
        setting: &'static str,
        /// The address.
        address: SocketAddr,
        /// What the system said.
        reason: io::Error,
    },
    /// The shipped definitions.
    #[error("the shipped definitions cannot be used: {0}")]
    Definitions(#[from] LoadError),
    /// The definitions of the site.
    #[error("`profiles.dir`: {reason}")]
    SiteDefinitions {
        /// The file or folder, what is wrong, and how to mend it.
        reason: String,
    },
    /// The client of the record system.
    #[error("`record_system`: {0}")]
    Client(#[from] ConnectionError),
    /// The files of TLS.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// The client of the issuer of tokens.
    #[error(
        "`access.jwks_url`: no client can be made; check that the system's certificate authorities are installed"
    )]
    Issuer(#[source] reqwest::Error),
    /// The client of the collector of traces.
    #[error(
        "`telemetry.otlp_url`: no client can be made; check that the system's certificate authorities are installed"
    )]
    Collector(#[source] reqwest::Error),
}

/// A running service.
#[derive(Debug)]
pub struct Running {
    /// Where the FHIR interface listens.
    pub listen: SocketAddr,
    /// Where operators are served.
    pub operations_listen: SocketAddr,
    servers: Vec<(ServerHandle, JoinHandle<io::Result<()>>)>,
    worker: Option<JoinHandle<()>>,
    /// What follows files, keys and tokens that change.
    followers: Vec<JoinHandle<()>>,
    closing: Option<JoinHandle<()>>,
    purging: Option<JoinHandle<()>>,
    exporter: Option<Exporter>,
    stop: watch::Sender<bool>,
    store: Store,
}

/// Starts the service with the usual pace of delivery.
///
/// # Errors
/// What keeps it from starting.
pub async fn start(config: Config, clock: Clock) -> Result<Running, StartError> {
    start_with_pace(config, clock, Pace::default()).await
}

/// Starts the service with a given pace of delivery.
///
/// # Errors
/// What keeps it from starting.
pub async fn start_with_pace(config: Config, clock: Clock, pace: Pace) -> Result<Running, StartError> {
    let main = listener("server.listen", config.server.listen)?;
    let side = listener("server.operations_listen", config.server.operations_listen)?;
    let engine = Arc::new(site_files::engine(config.profiles_dir.as_deref())?);
    let store = Store::open_at(&config.store.place).await?.limited(config.store.limits);
    let released = store.release_leases(clock.now_ms()).await?;
    if released > 0 {
        tracing::info!(deliveries = released, "took back deliveries that an earlier process had under way");
    }
    let mut followers = Vec::new();
    let main_tls = tls::listener("server.", config.server.tls.as_ref(), &mut followers)?;
    let side_tls =
        tls::listener("server.operations_", config.server.operations_tls.as_ref(), &mut followers)?;
    let gate = gate(&config, &store, &clock, &mut followers).await?;
    warn_of_plain_http(&config.server);
    warn_of_wide_scope(config.record_system.as_ref());
    let wake = Arc::new(Notify::new());
    let lane = Arc::new(Lane::new(config.record_system.is_some()));
    let metrics = Arc::new(Metrics::default());
    let (stop, stopped) = watch::channel(false);
    let forwards = config.record_system.is_some();
    let public_keys = config.record_system.as_ref().map(RecordSystem::public_keys);
    let (traces, exporter) = match config.collector.clone() {
        None => (Traces::default(), None),
        Some(collector) => {
            let (traces, exporter) = Traces::to(collector, clock.clone()).map_err(StartError::Collector)?;
            (traces, Some(exporter))
        }
    };
    let record_system = match config.record_system {
        None => None,
        Some(target) => {
            Some(Arc::new(Client::new(target, pace.timeouts, clock.clone(), metrics.expiries())?))
        }
    };
    let purging = config
        .store
        .keep_delivered
        .map(|keep| tokio::spawn(retention::keep_for(keep, store.clone(), clock.clone(), stopped.clone())));
    let worker = record_system.as_ref().map(|client| {
        let parts = Parts {
            store: store.clone(),
            clock: clock.clone(),
            wake: Arc::clone(&wake),
            lane: Arc::clone(&lane),
            metrics: Arc::clone(&metrics),
            traces: traces.clone(),
            pace,
        };
        tokio::spawn(Worker::new(Arc::clone(client), parts).run(stopped.clone()))
    });
    let state = web::Data::new(State {
        intake: Intake {
            engine,
            store: store.clone(),
            clock,
            assessment: config.assessment,
            group_by: config.group_by,
            devices: Arc::new(config.devices),
            forward: forwards.then(|| Arc::clone(&wake)),
            large_bodies: LargeBodies::default(),
        },
        access: gate,
        pages: config.pages,
        body_limit: config.server.body_limit,
        public_url: config.server.public_url.clone(),
        lane,
        wake,
        metrics,
        traces,
        record_system,
        public_keys,
    });
    let closing = config.quiet.map(|quiet| {
        let state = state.clone();
        tokio::spawn(async move { state.intake.close_quiet_exams(quiet, stopped).await })
    });
    let (listen, operations_listen) =
        (address(&main, "server.listen")?, address(&side, "server.operations_listen")?);
    let fhir_state = state.clone();
    let fhir = HttpServer::new(move || http::application!(fhir_state.clone(), http::fhir))
        .on_connect(access::note_certificate)
        .disable_signals()
        .shutdown_timeout(DRAIN_SECONDS);
    let fhir = match main_tls {
        Some(tls) => fhir.listen_rustls_0_23(main, tls),
        None => fhir.listen(main),
    };
    let fhir = fhir
        .map_err(|reason| StartError::Listen { setting: "server.listen", address: listen, reason })?
        .run();
    let operations = HttpServer::new(move || http::application!(state.clone(), http::operations))
        .on_connect(access::note_certificate)
        .workers(1)
        .disable_signals()
        .shutdown_timeout(DRAIN_SECONDS);
    let operations = match side_tls {
        Some(tls) => operations.listen_rustls_0_23(side, tls),
        None => operations.listen(side),
    };
    let operations = operations
        .map_err(|reason| StartError::Listen {
            setting: "server.operations_listen",
            address: operations_listen,
            reason,
        })?
        .run();
    let servers =
        [fhir, operations].into_iter().map(|server| (server.handle(), tokio::spawn(server))).collect();
    tracing::info!(%listen, %operations_listen, forwards, "listening");
    Ok(Running {
        listen,
        operations_listen,
        servers,
        worker,
        closing,
        purging,
        followers,
        exporter,
        stop,
        store,
    })
}

impl Running {
    /// What is wrong with the store, once that shows while the service runs. It has to be stopped then.
    pub async fn damage(&self) -> StoreError {
        self.store.damage().await
    }

    /// Stops: no new requests, those under way finish, then deliveries under way, then the store closes.
    pub async fn stop(self) {
        for (handle, server) in self.servers {
            handle.stop(true).await;
            log_end("a listener", server.await.map(|ended| ended.map_err(|error| error.to_string())));
        }
        for follower in self.followers {
            follower.abort();
        }
        self.stop.send_replace(true);
        if let Some(worker) = self.worker {
            log_end("delivery", worker.await.map(Ok));
        }
        if let Some(closing) = self.closing {
            log_end("closing exams", closing.await.map(Ok));
        }
        if let Some(purging) = self.purging {
            log_end("purging", purging.await.map(Ok));
        }
        if let Some(exporter) = self.exporter {
            exporter.stop().await;
        }
        self.store.close().await;
        tracing::info!("stopped");
    }
}

/// What lets callers in: those of the settings, the tokens of the store, and whom the issuer vouches for.
async fn gate(
    config: &Config,
    store: &Store,
    clock: &Clock,
    followers: &mut Vec<JoinHandle<()>>,
) -> Result<http::Gate, StartError> {
    let gate = http::Gate::new(config.access.clone(), clock.clone(), config.pages.idle, store.clone());
    let gate = gate.noting(store.clone());
    let Access::Tokens(callers) = &config.access else { return Ok(gate) };
    let (stored, follower) = access::follow(store.clone(), access::known_now(store).await?);
    followers.push(follower);
    let issuer = match &callers.issuer {
        None => None,
        Some(settings) => Some(issuer(settings, followers).await?),
    };
    let listed = !callers.tokens.is_empty() || !callers.certificates.is_empty();
    if !listed && issuer.is_none() && stored.is_empty() {
        tracing::warn!("nobody is let in yet: make a token with `solewire token create`");
    }
    Ok(gate.knowing(stored, issuer))
}

/// An issuer that cannot be reached now does not keep the service from starting: other callers are let in.
async fn issuer(
    settings: &TrustedIssuer,
    followers: &mut Vec<JoinHandle<()>>,
) -> Result<Arc<Issuer>, StartError> {
    let source = KeySource::of(&settings.keys).map_err(StartError::Issuer)?;
    let issuer = Arc::new(Issuer::new(settings.clone(), source));
    issuer.read_keys().await;
    let follows = Arc::clone(&issuer);
    followers.push(tokio::spawn(async move { follows.keep_up().await }));
    Ok(issuer)
}

/// Tokens and exams can be read on their way when nothing on it speaks TLS.
fn warn_of_plain_http(server: &Server) {
    let proxied = server.public_url.as_ref().is_some_and(|url| url.scheme() == "https");
    for (setting, address, tls) in [
        ("server.listen", server.listen, &server.tls),
        ("server.operations_listen", server.operations_listen, &server.operations_tls),
    ] {
        if tls.is_none() && !proxied && !address.ip().is_loopback() {
            tracing::warn!(
                setting,
                "plain HTTP that others can reach: set the certificate, or stand behind a proxy"
            );
        }
    }
}

/// Whoever gets hold of the key of this service can do there what its tokens can.
fn warn_of_wide_scope(target: Option<&RecordSystem>) {
    let Some(Auth::Smart(smart)) = target.map(|target| &target.auth) else { return };
    for scope in smart.scope.split_whitespace().filter(|scope| scope.contains('*')) {
        tracing::warn!(
            scope,
            "`record_system.scope` asks for more than deliveries need: name the types, or leave it out"
        );
    }
}

fn log_end(part: &str, ended: Result<Result<(), String>, tokio::task::JoinError>) {
    match ended {
        Ok(Ok(())) => {}
        Ok(Err(error)) => tracing::error!(part, error, "ended with an error"),
        Err(error) => tracing::error!(part, error = %error, "crashed"),
    }
}

fn listener(setting: &'static str, address: SocketAddr) -> Result<TcpListener, StartError> {
    TcpListener::bind(address).map_err(|reason| StartError::Listen { setting, address, reason })
}

fn address(listener: &TcpListener, setting: &'static str) -> Result<SocketAddr, StartError> {
    listener.local_addr().map_err(|reason| StartError::Listen {
        setting,
        address: SocketAddr::from(([0, 0, 0, 0], 0)),
        reason,
    })
}

/// Waits for an interrupt or, where there is such a thing, a request to terminate.
pub async fn interrupted() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = tokio::signal::ctrl_c() => {}
            }
            return;
        }
    }
    if tokio::signal::ctrl_c().await.is_err() {
        tracing::warn!("interrupts cannot be noticed; kill the process to stop it");
        std::future::pending::<()>().await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config(folder: &std::path::Path, listen: SocketAddr) -> Config {
        let text = format!(
            "[access]\nmode = \"open\"\n[server]\nlisten = \"{listen}\"\noperations_listen = \"127.0.0.1:0\"\n\
             [store]\nurl = \"sqlite:{}\"",
            folder.join("solewire.db").display()
        );
        Config::parse(&text, std::path::Path::new("test"), []).unwrap()
    }

    #[tokio::test]
    async fn it_serves_on_the_port_it_names_tells_what_is_taken_and_stops() {
        let any = SocketAddr::from(([127, 0, 0, 1], 0));
        let (first, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let running = start(config(first.path(), any), Clock::system()).await.unwrap();
        for address in [running.listen, running.operations_listen] {
            let ready = reqwest::get(format!("http://{address}/health/ready")).await.unwrap();
            assert_eq!(ready.status(), 200);
        }
        let taken = start(config(second.path(), running.listen), Clock::system()).await.unwrap_err();
        let message = taken.to_string();
        assert!(
            message.contains("`server.listen`") && message.contains(&running.listen.to_string()),
            "{message}"
        );
        let in_use = start(config(first.path(), any), Clock::system()).await.unwrap_err();
        assert!(in_use.to_string().contains("in use by another process"), "{in_use}");
        running.stop().await;
        let again = start(config(first.path(), any), Clock::system()).await.unwrap();
        again.stop().await;
    }
}
