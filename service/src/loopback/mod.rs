//! A record system on the loopback address, for the demonstration, `solewire stand-in` and tests.
//!
//! It is a FHIR R4 server of its own: it parses what it gets, holds it against the standard, resolves references,
//! honours conditions, keeps versions in memory and answers one-to-one. It shares no code with the delivery side of
//! the service, so that both have to read the standard the same way on their own.
//!
//! It makes no resource that it was not sent. Patients are seeded by whoever starts it.
//!
//! Tests script it to misbehave ([`LoopbackRecordSystem::script`]), take it off the network and bring it back
//! ([`LoopbackRecordSystem::go_down`], [`LoopbackRecordSystem::come_back`]), and look into it.
//!
//! ```no_run
//! use serde_json::json;
//! use solewire_service::loopback::LoopbackRecordSystem;
//!
//! let patient = json!({ "resourceType": "Patient", "id": "river-stone" });
//! let mut records = LoopbackRecordSystem::start(&[patient])?;
//! println!("{}", records.base_url());
//! records.stop();
//! # Ok::<(), std::io::Error>(())
//! ```

mod capabilities;
mod criteria;
mod http;
mod interactions;
mod issuer;
mod records;
mod references;
mod refusal;
mod script;
mod shape;
#[cfg(test)]
mod tests;
mod transaction;

use std::fs::File;
use std::io::{self, Write as _};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::Path;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use actix_web::web::{Data, PayloadConfig};
use actix_web::{App, HttpServer, rt, web};
use jiff::Timestamp;
use serde_json::Value;

use self::issuer::Issuer;
use self::records::{Key, Records};
use self::refusal::Refusal;
use self::script::Script;
pub use self::script::{Answer, Behaviour, Request, When};

/// The largest body taken, in bytes.
const BODY_LIMIT: usize = 64 * 1024 * 1024;

/// What the server and its owner both see.
#[derive(Debug)]
struct Shared {
    base: String,
    started: Instant,
    state: Mutex<State>,
    /// Rings at each request and each change.
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    records: Records,
    script: Script,
    requests: Vec<Request>,
    authorization: Option<String>,
    most_entries: Option<usize>,
    heeds_conditions: Heed,
    log: Option<File>,
    issuer: Option<Issuer>,
    /// A kept connection outlives the listener for a moment; nothing is answered on it any more.
    down: bool,
}

/// Whether the condition of a create is heeded, as it is by every record system worth its name.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
enum Heed {
    #[default]
    Yes,
    No,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        // A test that panics while it looks at the state leaves it as it was.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn token_url(&self) -> String {
        format!("{}/token", self.base.trim_end_matches("/fhir"))
    }

    /// Keeps a request and takes its behaviour from the script.
    fn note(&self, request: Request) -> Option<Behaviour> {
        let mut state = self.state();
        let path = request.target.split('?').next().unwrap_or_default();
        let behaviour = state.script.next(&request.method, path);
        state.requests.push(request);
        self.changed.notify_all();
        behaviour
    }

    fn admits(&self, authorization: Option<&str>) -> bool {
        let state = self.state();
        state.authorization.as_deref().is_none_or(|wanted| authorization == Some(wanted))
            && state.issuer.as_ref().is_none_or(|issuer| issuer.admits(authorization))
    }

    /// Changes the records in one step: the conditions that were looked at still hold when the change is made.
    fn change<T>(&self, change: impl FnOnce(&mut Records) -> Result<T, Refusal>) -> Result<T, Refusal> {
        let mut state = self.state();
        let result = state.records.change(change)?;
        if let Some(log) = &mut state.log {
            let kept = log.write_all(b"change\n").and_then(|()| log.sync_data());
            kept.map_err(|_| Refusal::new(500, "exception", "The change cannot be kept."))?;
        }
        drop(state);
        self.changed.notify_all();
        Ok(result)
    }
}

/// A running server.
#[derive(Debug)]
struct Server {
    handle: actix_web::dev::ServerHandle,
    thread: JoinHandle<io::Result<()>>,
}

impl Server {
    fn run(listener: TcpListener, shared: Data<Shared>) -> io::Result<Server> {
        let (sender, receiver) = mpsc::channel();
        let thread = std::thread::Builder::new().name("loopback-records".to_owned()).spawn(move || {
            rt::System::new().block_on(async move {
                let server = HttpServer::new(move || {
                    App::new()
                        .app_data(PayloadConfig::new(BODY_LIMIT))
                        .app_data(shared.clone())
                        .default_service(web::to(http::serve))
                })
                .on_connect(http::keep_connection)
                .workers(1)
                .disable_signals()
                .shutdown_timeout(1)
                .listen(listener)?
                .run();
                // The owner waits for the handle, so the receiver is still there.
                drop(sender.send(server.handle()));
                server.await
            })
        })?;
        match receiver.recv() {
            Ok(handle) => Ok(Server { handle, thread }),
            Err(_) => match thread.join() {
                Ok(Err(error)) => Err(error),
                Ok(Ok(())) | Err(_) => Err(io::Error::other("the loopback record system did not start")),
            },
        }
    }

    fn stop(self) {
        // The command is sent at once; the future only waits for its end, which the thread tells as well.
        drop(self.handle.stop(false));
        drop(self.thread.join());
    }
}

/// A record system on the loopback address. Stops when dropped.
#[derive(Debug)]
pub struct LoopbackRecordSystem {
    shared: Data<Shared>,
    address: SocketAddr,
    server: Option<Server>,
}

impl LoopbackRecordSystem {
    /// Starts one on a free port of `127.0.0.1`, on a thread of its own, with these resources in it: as a rule the
    /// Patients, whom it never makes by itself. A resource without an id gets one.
    ///
    /// # Errors
    /// When no port can be bound, no thread started, or a seeded resource breaks R4.
    pub fn start(seeded: &[Value]) -> io::Result<LoopbackRecordSystem> {
        let system = LoopbackRecordSystem::listen(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?)?;
        for resource in seeded {
            system.seed(resource)?;
        }
        Ok(system)
    }

    /// Starts one at an address of this machine, with nothing in it.
    ///
    /// # Errors
    /// When the address is not of the loopback interface or cannot be bound, or no thread started.
    pub fn start_at(address: SocketAddr) -> io::Result<LoopbackRecordSystem> {
        if !address.ip().is_loopback() {
            let problem = format!("{address} is not a loopback address; use one, such as 127.0.0.1:8090");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, problem));
        }
        LoopbackRecordSystem::listen(TcpListener::bind(address)?)
    }

    fn listen(listener: TcpListener) -> io::Result<LoopbackRecordSystem> {
        let address = listener.local_addr()?;
        let shared = Data::new(Shared {
            base: format!("http://{address}/fhir"),
            started: Instant::now(),
            state: Mutex::default(),
            changed: Condvar::new(),
        });
        let server = Some(Server::run(listener, shared.clone())?);
        Ok(LoopbackRecordSystem { shared, address, server })
    }

    /// Puts a resource in, as if it had been there before, and gives its `Type/id`.
    ///
    /// # Errors
    /// When the resource breaks R4.
    pub fn seed(&self, resource: &Value) -> io::Result<String> {
        let refused = |refusal: Refusal| io::Error::new(io::ErrorKind::InvalidInput, refusal.text);
        let resource_type = shape::check(resource).map_err(refused)?;
        self.shared
            .change(|records| {
                let key = match criteria::text(resource, "id") {
                    Some(id) => Key::new(resource_type, id),
                    None => records.new_key(resource_type),
                };
                records.store(&key, resource.clone(), Timestamp::now());
                Ok(key.reference())
            })
            .map_err(refused)
    }

    /// The FHIR base address.
    #[must_use]
    pub fn base_url(&self) -> &str {
        &self.shared.base
    }

    /// Queues a behaviour for the next request of this kind. Queued behaviours are used up in order, each once.
    pub fn script(&self, when: When, behaviour: Behaviour) {
        self.shared.state().script.push_once(when, behaviour);
    }

    /// Sets a behaviour for every request of this kind that no queued one takes, until [`Self::clear_script`].
    pub fn script_always(&self, when: When, behaviour: Behaviour) {
        self.shared.state().script.push_always(when, behaviour);
    }

    /// Forgets every scripted behaviour.
    pub fn clear_script(&self) {
        self.shared.state().script.clear();
    }

    /// How many queued behaviours no request has used yet.
    #[must_use]
    pub fn script_left(&self) -> usize {
        self.shared.state().script.left()
    }

    /// Asks for this value of the Authorization header from now on; without it requests are answered with 401.
    pub fn require_authorization(&self, value: Option<&str>) {
        self.shared.state().authorization = value.map(str::to_owned);
    }

    /// Makes what is to be made under a condition without looking whether it is there, from now on: a record system that
    /// does not do what conditional creates rely on.
    pub fn ignore_conditions(&self) {
        self.shared.state().heeds_conditions = Heed::No;
    }

    /// Asks for tokens from now on, and gives them for assertions of this client, checked with its public keys.
    ///
    /// # Errors
    /// When the keys are no JWK set.
    pub fn issue_tokens(&self, client_id: &str, keys: &Value, lifetime: Duration) -> io::Result<()> {
        let keys = serde_json::from_value(keys.clone()).map_err(io::Error::other)?;
        self.shared.state().issuer = Some(Issuer::of(client_id, keys, lifetime.as_secs()));
        Ok(())
    }

    /// Takes back every token that was given.
    pub fn expire_tokens(&self) {
        if let Some(issuer) = &mut self.shared.state().issuer {
            issuer.expire();
        }
    }

    /// How often somebody asked for a token.
    #[must_use]
    pub fn token_requests(&self) -> usize {
        self.shared.state().issuer.as_ref().map_or(0, Issuer::requests)
    }

    /// The address where tokens are given.
    #[must_use]
    pub fn token_url(&self) -> String {
        self.shared.token_url()
    }

    /// Reaches the disk with each change before it is answered, from now on, as a record system does that keeps what it
    /// takes.
    ///
    /// # Errors
    /// When no file can be made.
    pub fn sync_changes(&self, file: &Path) -> io::Result<()> {
        self.shared.state().log = Some(File::create(file)?);
        Ok(())
    }

    /// Refuses transactions of more entries from now on.
    pub fn limit_entries(&self, most: Option<usize>) {
        self.shared.state().most_entries = most;
    }

    /// Changes a resource as somebody who works with the record system does: a new version of it. Says whether it was
    /// there.
    pub fn edit(&self, resource_type: &str, id: &str, change: impl FnOnce(&mut Value)) -> bool {
        let key = Key::new(resource_type, id);
        let mut state = self.shared.state();
        let Some(mut body) = state.records.current(&key).map(|version| version.body.clone()) else {
            return false;
        };
        change(&mut body);
        state.records.store(&key, body, Timestamp::now());
        self.shared.changed.notify_all();
        true
    }

    /// Leaves the network: connections are refused. What is stored stays.
    pub fn go_down(&mut self) {
        self.shared.state().down = true;
        if let Some(server) = self.server.take() {
            server.stop();
        }
    }

    /// Comes back at the same address.
    ///
    /// # Errors
    /// When the port has been taken meanwhile.
    pub fn come_back(&mut self) -> io::Result<()> {
        if self.server.is_none() {
            self.shared.state().down = false;
            self.server = Some(Server::run(TcpListener::bind(self.address)?, self.shared.clone())?);
        }
        Ok(())
    }

    /// Stops for good. What was stored can still be looked at.
    pub fn stop(&mut self) {
        self.go_down();
    }

    /// Every request so far, in the order of arrival.
    #[must_use]
    pub fn requests(&self) -> Vec<Request> {
        self.shared.state().requests.clone()
    }

    /// How many requests asked to store something.
    #[must_use]
    pub fn write_count(&self) -> usize {
        self.shared.state().requests.iter().filter(|request| request.is_write()).count()
    }

    /// The current version of every resource, by type and id.
    #[must_use]
    pub fn resources(&self) -> Vec<Value> {
        self.shared.state().records.all().map(|(_, version)| version.body.clone()).collect()
    }

    /// The current version of every resource of a type, by id.
    #[must_use]
    pub fn resources_of(&self, resource_type: &str) -> Vec<Value> {
        let state = self.shared.state();
        let of_type = state.records.all().filter(|(key, _)| key.resource_type == resource_type);
        of_type.map(|(_, version)| version.body.clone()).collect()
    }

    /// How many resources of a type carry an identifier. More than one is a duplicate.
    #[must_use]
    pub fn count_by_identifier(&self, resource_type: &str, system: &str, value: &str) -> usize {
        self.shared.state().records.count_by_identifier(resource_type, system, value)
    }

    /// Forgets a resource and its history, as after a restore from an older backup. Says whether it was there.
    pub fn forget(&self, resource_type: &str, id: &str) -> bool {
        let gone = self.shared.state().records.forget(&Key::new(resource_type, id));
        self.shared.changed.notify_all();
        gone
    }

    /// Waits until `condition` holds, looking again after each request and each change. Says whether it came to hold
    /// in time.
    #[must_use]
    pub fn wait_until(&self, limit: Duration, condition: impl Fn(&LoopbackRecordSystem) -> bool) -> bool {
        let deadline = Instant::now() + limit;
        loop {
            if condition(self) {
                return true;
            }
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            // A change between the look and the wait is not lost for longer than this.
            let step = left.min(Duration::from_millis(50));
            drop(self.shared.changed.wait_timeout(self.shared.state(), step));
        }
    }
}

impl Drop for LoopbackRecordSystem {
    fn drop(&mut self) {
        self.stop();
    }
}
