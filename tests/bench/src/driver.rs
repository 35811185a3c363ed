//! A small load driver: connections that are kept, and requests either as fast as they are answered or at the times of
//! a plan, whether or not earlier ones were answered.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::task::JoinSet;

const CONNECTIONS: usize = 32;

/// Requests by number.
pub(crate) type Requests = Arc<dyn Fn(usize) -> Vec<u8> + Send + Sync>;

/// What came of a load.
#[derive(Debug)]
pub(crate) struct Load {
    /// Answers a second.
    pub(crate) throughput: f64,
    /// Seconds from when each request was due to its answer, the shortest first.
    pub(crate) latencies: Vec<f64>,
}

/// When requests are sent.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Pace {
    /// Each connection sends its next one once it has an answer.
    Closed,
    /// So many a second, evenly, whatever the answers do.
    Open(f64),
}

/// A POST of an exam.
pub(crate) fn post(address: SocketAddr, body: &[u8]) -> Vec<u8> {
    let length = body.len();
    let head = format!(
        "POST /fhir HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/fhir+json\r\ncontent-length: {length}\r\n\r\n"
    );
    [head.as_bytes(), body].concat()
}

/// A GET of a path.
pub(crate) fn get(address: SocketAddr, path: &str) -> Vec<u8> {
    format!("GET {path} HTTP/1.1\r\nhost: {address}\r\n\r\n").into_bytes()
}

/// How long to send.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Until {
    /// So long.
    Elapsed(Duration),
    /// So many.
    Sent(usize),
}

/// Sends the requests from a number on, over kept connections, and counts that number up.
pub(crate) async fn load(
    address: SocketAddr,
    pace: Pace,
    until: Until,
    first: &AtomicUsize,
    requests: &Requests,
) -> Load {
    let next = Arc::new(AtomicUsize::new(0));
    let start = first.load(Ordering::Relaxed);
    let began = Instant::now();
    let mut senders = JoinSet::new();
    for _ in 0..CONNECTIONS {
        let (next, requests) = (Arc::clone(&next), Arc::clone(requests));
        senders.spawn(async move {
            let mut connection = Connection::open(address).await;
            let mut latencies = Vec::new();
            loop {
                let number = next.fetch_add(1, Ordering::Relaxed);
                let due = match pace {
                    Pace::Closed => Instant::now(),
                    Pace::Open(rate) => began + Duration::from_secs_f64(number as f64 / rate),
                };
                let over = match until {
                    Until::Elapsed(span) => due - began >= span,
                    Until::Sent(most) => number >= most,
                };
                if over {
                    return latencies;
                }
                let request = requests(start + number);
                let early = due > Instant::now();
                tokio::time::sleep_until(due.into()).await;
                // A timer that fires late is the driver's own doing; a connection that was still waiting is not.
                let from = if early { Instant::now() } else { due };
                let status = connection.send(&request).await;
                assert!(status == 200, "answered with {status}");
                latencies.push(from.elapsed().as_secs_f64());
            }
        });
    }
    let mut latencies: Vec<f64> = senders.join_all().await.into_iter().flatten().collect();
    let elapsed = began.elapsed().as_secs_f64();
    first.fetch_add(next.load(Ordering::Relaxed), Ordering::Relaxed);
    latencies.sort_by(f64::total_cmp);
    Load { throughput: latencies.len() as f64 / elapsed, latencies }
}

/// A connection that is kept.
pub(crate) struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Connection {
    pub(crate) async fn open(address: SocketAddr) -> Connection {
        let stream = TcpStream::connect(address).await.expect("a connection");
        stream.set_nodelay(true).expect("a setting of the connection");
        Connection { stream, buffer: Vec::new() }
    }

    /// Sends a request and reads the whole answer; gives its status.
    pub(crate) async fn send(&mut self, request: &[u8]) -> u16 {
        self.stream.write_all(request).await.expect("the request is sent");
        self.buffer.clear();
        let head = loop {
            self.more().await;
            if let Some(end) = self.buffer.windows(4).position(|four| four == b"\r\n\r\n") {
                break end + 4;
            }
        };
        let text = String::from_utf8_lossy(&self.buffer[..head]).to_ascii_lowercase();
        let status = text.split(' ').nth(1).and_then(|word| word.parse().ok()).expect("a status");
        match text.lines().find_map(|line| line.strip_prefix("content-length: ")) {
            Some(length) => {
                let end = head + length.trim().parse::<usize>().expect("a length");
                while self.buffer.len() < end {
                    self.more().await;
                }
            }
            None if text.contains("transfer-encoding: chunked") => {
                while !self.buffer.ends_with(b"0\r\n\r\n") {
                    self.more().await;
                }
            }
            None => {}
        }
        status
    }

    /// The body of the last answer.
    pub(crate) fn body(&self) -> &[u8] {
        let head = self.buffer.windows(4).position(|four| four == b"\r\n\r\n").map_or(0, |end| end + 4);
        &self.buffer[head..]
    }

    async fn more(&mut self) {
        let read = self.stream.read_buf(&mut self.buffer).await.expect("the answer is read");
        assert!(read > 0, "the connection was closed");
    }
}
