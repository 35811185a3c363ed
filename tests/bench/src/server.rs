//! A server under measurement: the service or the baseline, in a folder that outlives it if it shall.

use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use solewire_tests::binaries;

use crate::driver::{Connection, get};

const READY_LIMIT: Duration = Duration::from_secs(120);

/// A running server. Killed when dropped.
#[derive(Debug)]
pub(crate) struct Server {
    pub(crate) address: SocketAddr,
    /// Where the operators of the service are served.
    pub(crate) operations: SocketAddr,
    /// Seconds from its start until it was ready.
    pub(crate) ready_after: f64,
    folder: PathBuf,
    child: Child,
}

impl Server {
    /// The service on a store, such as `sqlite:solewire.db`, which is taken from the folder.
    pub(crate) async fn service(folder: &Path, store: &str, record_system: Option<&str>) -> Server {
        let (address, operations) = (free(), free());
        let record_system = record_system.map_or_else(String::new, |url| {
            format!("[record_system]\nbase_url = \"{url}\"\nwrite = \"transaction\"\n\n")
        });
        let settings = format!(
            "[server]\nlisten = \"{address}\"\noperations_listen = \"{operations}\"\n\n{record_system}[access]\nmode = \
             \"open\"\n\n[store]\nurl = \"{store}\"\n"
        );
        let file = format!("solewire-{}.toml", address.port());
        std::fs::write(folder.join(&file), settings).expect("the settings are written");
        let mut command = Command::new(binaries::solewire());
        command.args(["serve", "--config", &file]);
        Server::start(command, folder, address, operations).await
    }

    pub(crate) async fn baseline(folder: &Path) -> Server {
        let address = free();
        let mut command = Command::new(binaries::solewire().with_file_name("bench-baseline"));
        command.args([&address.to_string(), "baseline.db"]);
        Server::start(command, folder, address, address).await
    }

    async fn start(
        mut command: Command,
        folder: &Path,
        address: SocketAddr,
        operations: SocketAddr,
    ) -> Server {
        let log = std::fs::File::create(folder.join("log")).expect("a log");
        command.current_dir(folder).stdin(Stdio::null());
        command.stdout(log.try_clone().expect("a log")).stderr(log);
        let began = Instant::now();
        let child = command.spawn().expect("the server starts");
        let mut server = Server { address, operations, ready_after: 0.0, folder: folder.to_owned(), child };
        while !server.is_ready().await {
            assert!(began.elapsed() < READY_LIMIT, "not ready; see {}/log", folder.display());
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        server.ready_after = began.elapsed().as_secs_f64();
        server
    }

    /// Waits until the check of the pages is over, which goes on beside the first requests of a large store.
    pub(crate) async fn checked(&self) {
        let log = self.folder.join("log");
        loop {
            let text = std::fs::read_to_string(&log).expect("its log");
            if !text.contains("being checked meanwhile") || text.contains("the pages of the store are sound")
            {
                return;
            }
            tokio::time::sleep(Duration::from_millis(500)).await;
        }
    }

    async fn is_ready(&mut self) -> bool {
        let listens = tokio::net::TcpStream::connect(self.operations).await.is_ok();
        listens
            && Connection::open(self.operations).await.send(&get(self.operations, "/health/ready")).await
                == 200
    }

    /// The memory that it has in use, in MiB.
    pub(crate) fn resident(&self) -> f64 {
        let status =
            std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("its status");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("its memory");
        line.trim().trim_end_matches(" kB").parse::<f64>().expect("a number") / 1024.0
    }

    /// Asks it to stop, so that its store is closed as usual, and waits.
    pub(crate) fn stop(mut self) {
        let id = self.child.id().to_string();
        let asked = Command::new("kill").args(["-TERM", &id]).status().expect("kill runs");
        assert!(asked.success(), "the server is asked to stop");
        self.child.wait().expect("it has stopped");
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have stopped already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn free() -> SocketAddr {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
    listener.local_addr().expect("an address")
}
