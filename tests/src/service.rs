//! The service as a process of its own, with a store in a temporary folder.

use std::io::{BufRead, BufReader, Read};
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::binaries;
use crate::client::Client;
use crate::postgres;
use crate::process::{self, POLL};

/// How long the service may take to be ready, on a busy machine.
const READY_LIMIT: Duration = Duration::from_secs(60);

/// How to run the service.
#[derive(Debug, Clone, Default)]
pub struct Setup {
    /// The base address of the record system; none to keep exams only.
    pub record_system: Option<String>,
    /// Lines of TOML below `[server]`.
    pub server: String,
    /// Lines of TOML put behind the generated ones.
    pub more: String,
    /// The address of the store; none for a fresh one of the kind that this run is for.
    pub store: Option<String>,
    /// The `access` section; none to let everybody in.
    pub access: Option<String>,
}

impl Setup {
    /// With a record system.
    #[must_use]
    pub fn with(record_system: &str) -> Setup {
        Setup { record_system: Some(record_system.to_owned()), ..Setup::default() }
    }

    fn toml(&self, listen: u16, operations: u16, store: &str) -> String {
        let record_system = match &self.record_system {
            Some(url) => format!("[record_system]\nbase_url = \"{url}\"\nwrite = \"transaction\"\n\n"),
            None => String::new(),
        };
        let server = &self.server;
        format!(
            "[server]\nlisten = \"127.0.0.1:{listen}\"\noperations_listen = \"127.0.0.1:{operations}\"\n{server}\n\
             {record_system}{}\n\n[store]\nurl = \"{store}\"\n{}",
            self.access.as_deref().unwrap_or("[access]\nmode = \"open\""),
            self.more.trim_start_matches("[store]\n")
        )
    }
}

/// A running service. Killed when dropped.
#[derive(Debug)]
pub struct Service {
    /// The base address of the FHIR interface.
    pub fhir_url: String,
    /// The base address of the operators' interface.
    pub operations_url: String,
    /// For any request.
    pub client: Client,
    setup: Setup,
    ports: (u16, u16),
    store: String,
    folder: tempfile::TempDir,
    child: Child,
    log: Arc<Mutex<String>>,
}

impl Service {
    /// Starts one on free ports with a fresh store and waits until it is ready.
    ///
    /// # Panics
    /// When it does not become ready; the message holds its log.
    pub async fn start(setup: Setup) -> Service {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (listen, operations) = free_ports();
        let log = Arc::new(Mutex::new(String::new()));
        let store = match &setup.store {
            Some(store) => store.clone(),
            None => postgres::store_of_this_run().await,
        };
        std::fs::write(folder.path().join("solewire.toml"), setup.toml(listen, operations, &store))
            .expect("the settings are written");
        let mut service = Service {
            fhir_url: format!("http://127.0.0.1:{listen}/fhir"),
            operations_url: format!("http://127.0.0.1:{operations}"),
            client: Client::of_the_service(),
            setup,
            ports: (listen, operations),
            store,
            child: spawn(folder.path(), &log),
            folder,
            log,
        };
        service.ready().await;
        service
    }

    /// Kills the process with SIGKILL: no clean-up, nothing flushed that was not flushed before.
    ///
    /// # Panics
    /// When the process cannot be killed.
    pub fn kill(&mut self) {
        self.child.kill().expect("the service is killed");
        self.child.wait().expect("the service has ended");
    }

    /// Starts a killed service again on the same store and the same settings, and waits until it is ready.
    ///
    /// # Panics
    /// When it does not become ready.
    pub async fn restart(&mut self) {
        self.child = spawn(self.folder.path(), &self.log);
        self.client = Client::of_the_service();
        self.ready().await;
    }

    /// Starts a killed service again that will not be ready, and waits until it is live.
    ///
    /// # Panics
    /// When it does not become live.
    pub async fn restart_not_ready(&mut self) {
        self.child = spawn(self.folder.path(), &self.log);
        self.client = Client::of_the_service();
        self.answers("live").await;
    }

    /// Changes the lines of TOML behind the generated ones, for the next start. A section that is there already is
    /// continued.
    ///
    /// # Panics
    /// When the settings cannot be written.
    pub fn set_more(&mut self, more: &str) {
        more.clone_into(&mut self.setup.more);
        self.write_settings();
    }

    /// Puts another `access` section in the place of what there is, for the next start.
    ///
    /// # Panics
    /// When the settings cannot be written.
    pub fn set_access(&mut self, access: &str) {
        self.setup.access = Some(access.to_owned());
        self.write_settings();
    }

    fn write_settings(&self) {
        let settings = self.setup.toml(self.ports.0, self.ports.1, &self.store);
        std::fs::write(self.folder.path().join("solewire.toml"), settings).expect("the settings are written");
    }

    /// What it wrote so far, from all its lives.
    ///
    /// # Panics
    /// When the reader of the log panicked.
    #[must_use]
    pub fn log(&self) -> String {
        self.log.lock().expect("the log").clone()
    }

    /// The memory that it has in use, in KiB.
    ///
    /// # Panics
    /// Where the system does not tell.
    #[must_use]
    pub fn resident_kib(&self) -> u64 {
        self.kib("VmRSS:")
    }

    /// The most memory that it ever had in use, in KiB.
    ///
    /// # Panics
    /// Where the system does not tell.
    #[must_use]
    pub fn highest_kib(&self) -> u64 {
        self.kib("VmHWM:")
    }

    fn kib(&self, name: &str) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()));
        let status = status.expect("the status of the service");
        let line = status.lines().find_map(|line| line.strip_prefix(name)).expect("its memory");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }

    /// The time that processors have worked for it, in clock ticks of the system.
    ///
    /// # Panics
    /// Where the system does not tell.
    #[must_use]
    pub fn work(&self) -> u64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id()));
        let stat = stat.expect("the state of the service");
        let (_, fields) = stat.rsplit_once(") ").expect("its name in brackets");
        // Fields 14 and 15 of proc_pid_stat(5), for the program and for the system.
        fields.split(' ').skip(11).take(2).map(|field| field.parse::<u64>().expect("a number")).sum()
    }

    /// The folder with its settings and its store.
    #[must_use]
    pub fn folder(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    /// Its setup.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// An address under the FHIR interface.
    #[must_use]
    pub fn url(&self, path: &str) -> String {
        format!("{}/{}", self.fhir_url, path.trim_start_matches('/'))
    }

    /// The state of every delivery, in the order they are listed.
    pub async fn delivery_states(&self) -> Vec<String> {
        let list =
            self.client.get(&format!("{}/operations/deliveries", self.operations_url)).await.expect(200);
        let list = list.json();
        let deliveries = list["deliveries"].as_array().expect("deliveries");
        deliveries.iter().map(|delivery| delivery["state"].as_str().expect("a state").to_owned()).collect()
    }

    /// Waits until there are this many deliveries and all of them have been taken by the record system.
    ///
    /// # Panics
    /// When it takes too long, or one is parked.
    pub async fn delivered(&self, count: usize, limit: Duration) {
        let deadline = Instant::now() + limit;
        loop {
            let states = self.delivery_states().await;
            let done =
                states.iter().filter(|state| matches!(state.as_str(), "delivered" | "verified")).count();
            if done == states.len() && done >= count {
                return;
            }
            let parked = states.iter().any(|state| state == "parked");
            assert!(!parked && Instant::now() < deadline, "deliveries are {states:?}\n{}", self.log());
            tokio::time::sleep(POLL).await;
        }
    }

    async fn ready(&mut self) {
        self.answers("ready").await;
    }

    async fn answers(&mut self, health: &str) {
        let deadline = Instant::now() + READY_LIMIT;
        let url = format!("{}/health/{health}", self.operations_url);
        loop {
            if let Some(status) = self.child.try_wait().expect("a child of this process") {
                panic!("the service ended with {status}:\n{}", self.log());
            }
            if self.client.try_get(&url).await.is_some_and(|answer| answer.status == 200) {
                return;
            }
            assert!(Instant::now() < deadline, "not {health} in {READY_LIMIT:?}:\n{}", self.log());
            tokio::time::sleep(POLL).await;
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // It may have been killed already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Runs `solewire serve` with these settings and waits for its end: for settings that must be refused.
#[must_use]
pub fn serve_once(settings: &str) -> process::Ran {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(folder.path().join("solewire.toml"), settings).expect("the settings are written");
    let arguments = ["serve", "--config", "solewire.toml"];
    process::run(&binaries::solewire(), &arguments, folder.path(), Duration::from_secs(30))
}

fn spawn(folder: &Path, log: &Arc<Mutex<String>>) -> Child {
    let mut child = Command::new(binaries::solewire())
        .args(["serve", "--config", "solewire.toml"])
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the service starts");
    keep(child.stdout.take(), log);
    keep(child.stderr.take(), log);
    child
}

fn keep(stream: Option<impl Read + Send + 'static>, log: &Arc<Mutex<String>>) {
    let log = Arc::clone(log);
    std::thread::spawn(move || {
        for line in stream.into_iter().flat_map(|stream| BufReader::new(stream).lines()).map_while(Result::ok)
        {
            let mut log = log.lock().expect("the log");
            log.push_str(&line);
            log.push('\n');
        }
    });
}

/// Two ports that were free a moment ago. Both are held until both are known, so they differ.
///
/// # Panics
/// When there is no free port.
#[must_use]
pub fn free_ports() -> (u16, u16) {
    let bind = || TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
    let (first, second) = (bind(), bind());
    let port = |listener: &TcpListener| listener.local_addr().expect("an address").port();
    (port(&first), port(&second))
}
