//! Traces: spans of requests, of intake and of attempts to deliver, sent to a collector in the JSON form of OTLP over HTTP
//! (OpenTelemetry protocol 1, `opentelemetry-proto`), with the context of W3C Trace Context level 1.
//!
//! Nothing of an exam can get into a span: its names and keys stand in the code, and its values are numbers, words of the
//! code, and ids of our own. What the log holds is not sent.

use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;
use url::Url;

use crate::addresses::Reachable;
use crate::clock::Clock;

/// The header of W3C Trace Context.
pub const TRACEPARENT: &str = "traceparent";
/// Spans that wait to be sent; further ones are left out rather than held.
const WAITING: usize = 4096;
/// How many go at once.
const BATCH: usize = 512;
/// How long a span waits for others to go with.
const PAUSE: Duration = Duration::from_millis(500);
const TIMEOUT: Duration = Duration::from_secs(5);
/// How long a stop waits for the last spans to go out.
const LAST: Duration = Duration::from_secs(2);

tokio::task_local! {
    static CURRENT: Context;
}

/// Where in a trace something stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Context {
    trace: u128,
    span: u64,
    sampled: bool,
}

impl Context {
    /// Reads the header; none when it is not one of version 00 or says nothing.
    #[must_use]
    pub fn read(header: &str) -> Option<Context> {
        let mut parts = header.split('-');
        let mut hex = |length: usize| {
            let plain = |text: &&str| {
                text.len() == length && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
            };
            u128::from_str_radix(parts.next().filter(plain)?, 16).ok()
        };
        let (version, trace, span, flags) = (hex(2)?, hex(32)?, hex(16)?, hex(2)?);
        let span = u64::try_from(span).ok()?;
        let whole = parts.next().is_none() && version == 0 && trace != 0 && span != 0;
        whole.then_some(Context { trace, span, sampled: flags & 1 == 1 })
    }

    /// The header.
    #[must_use]
    pub fn header(self) -> String {
        format!("00-{:032x}-{:016x}-{:02x}", self.trace, self.span, u8::from(self.sampled))
    }

    fn below(above: Option<Context>) -> Context {
        let (random, other) = (uuid::Uuid::new_v4(), uuid::Uuid::new_v4());
        let (_, span) = other.as_u64_pair();
        match above {
            Some(above) => Context { span, ..above },
            None => Context { trace: random.as_u128(), span, sampled: true },
        }
    }
}

/// The context of what runs here; none outside of a span.
#[must_use]
pub fn current() -> Option<Context> {
    CURRENT.try_with(|context| *context).ok()
}

/// Runs something within a span, so that what it asks of others names it.
pub async fn within<T>(span: Option<&Span>, run: impl Future<Output = T>) -> T {
    match span {
        Some(span) => CURRENT.scope(span.context, run).await,
        None => run.await,
    }
}

/// On which side of a connection a span stands. The numbers are those of OTLP.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Within the program.
    Internal = 1,
    /// Answers a request.
    Server = 2,
    /// Asks another service.
    Client = 3,
}

/// What a span says.
#[derive(Debug, Clone)]
pub enum Said {
    /// A count, a status, the number of a delivery.
    Number(i64),
    /// A word of the code.
    Word(&'static str),
    /// An id of our own or the pattern of a route; never anything that a caller wrote.
    Own(String),
}

/// Makes spans; none while no collector is named. Copies belong together.
#[derive(Debug, Clone, Default)]
pub struct Traces(Option<Arc<Sender>>);

#[derive(Debug)]
struct Sender {
    clock: Clock,
    spans: mpsc::Sender<Ended>,
}

#[derive(Debug)]
struct Ended {
    name: &'static str,
    kind: Kind,
    context: Context,
    above: Option<u64>,
    /// In nanoseconds since 1970.
    began: i128,
    took: Duration,
    said: Vec<(&'static str, Said)>,
    failed: bool,
}

/// Something that takes time, until it is dropped.
#[derive(Debug)]
pub struct Span {
    context: Context,
    sender: Arc<Sender>,
    began: Instant,
    ended: Option<Ended>,
}

impl Traces {
    /// Spans for the collector at this address, sent by a task of their own.
    ///
    /// # Errors
    /// When the system has no client for it.
    pub fn to(collector: Url, clock: Clock) -> reqwest::Result<(Traces, Exporter)> {
        let http = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .dns_resolver(Reachable::of([&collector]))
            .timeout(TIMEOUT)
            .build()?;
        let (spans, waiting) = mpsc::channel(WAITING);
        let (stop, stopped) = oneshot::channel();
        let task = tokio::spawn(export(http, collector, waiting, stopped));
        Ok((Traces(Some(Arc::new(Sender { clock, spans }))), Exporter { stop, task }))
    }

    /// Begins a span below another, or a trace of its own. None while nothing is traced, or when whoever began the trace
    /// does not record it.
    #[must_use]
    pub fn begin(&self, name: &'static str, kind: Kind, above: Option<Context>) -> Option<Span> {
        let sender = Arc::clone(self.0.as_ref()?);
        let context = Context::below(above);
        let began = i128::from(sender.clock.now_ms()) * 1_000_000;
        let ended = context.sampled.then(|| Ended {
            name,
            kind,
            context,
            above: above.map(|above| above.span),
            began,
            took: Duration::ZERO,
            said: Vec::new(),
            failed: false,
        });
        Some(Span { context, sender, began: Instant::now(), ended })
    }
}

impl Span {
    /// Where it stands.
    #[must_use]
    pub fn context(&self) -> Context {
        self.context
    }

    /// Says something about it.
    pub fn say(&mut self, key: &'static str, said: Said) {
        if let Some(ended) = &mut self.ended {
            ended.said.push((key, said));
        }
    }

    /// It did not come to what it was for.
    pub fn failed(&mut self) {
        if let Some(ended) = &mut self.ended {
            ended.failed = true;
        }
    }
}

impl Drop for Span {
    fn drop(&mut self) {
        if let Some(mut ended) = self.ended.take() {
            ended.took = self.began.elapsed();
            // What finds no room is left out: traces never hold up what they tell of.
            drop(self.sender.spans.try_send(ended));
        }
    }
}

/// The task that sends spans.
#[derive(Debug)]
pub struct Exporter {
    stop: oneshot::Sender<()>,
    task: JoinHandle<()>,
}

impl Exporter {
    /// Sends what is left and ends.
    pub async fn stop(self) {
        if self.stop.send(()).is_err() {
            tracing::debug!("the exporter of traces had ended before");
        }
        if tokio::time::timeout(LAST, self.task).await.is_err() {
            tracing::warn!("the last traces could not be sent");
        }
    }
}

async fn export(
    http: reqwest::Client,
    collector: Url,
    mut waiting: mpsc::Receiver<Ended>,
    mut stop: oneshot::Receiver<()>,
) {
    let instance = uuid::Uuid::new_v4().to_string();
    let (mut batch, mut works, mut last) = (Vec::new(), true, false);
    while !last {
        tokio::select! {
            biased;
            _ = &mut stop => last = true,
            () = tokio::time::sleep(PAUSE) => {}
        }
        while let Ok(ended) = waiting.try_recv() {
            batch.push(ended);
            if batch.len() == BATCH {
                works = send(&http, &collector, &instance, &mut batch, works).await;
            }
        }
        if !batch.is_empty() {
            works = send(&http, &collector, &instance, &mut batch, works).await;
        }
    }
}

/// Sends a batch once: a trace is not worth holding for a collector that is away. Says when that changes.
async fn send(
    http: &reqwest::Client,
    collector: &Url,
    instance: &str,
    batch: &mut Vec<Ended>,
    worked: bool,
) -> bool {
    let body = document(instance, batch).to_string();
    batch.clear();
    let request = http.post(collector.clone()).header("content-type", "application/json").body(body);
    let works = request.send().await.is_ok_and(|answer| answer.status().is_success());
    match (worked, works) {
        (true, false) => tracing::warn!("the collector of `telemetry.otlp_url` does not take traces"),
        (false, true) => tracing::info!("the collector of `telemetry.otlp_url` takes traces again"),
        (true, true) | (false, false) => {}
    }
    works
}

fn document(instance: &str, batch: &[Ended]) -> Value {
    let text = |key: &str, value: &str| json!({"key": key, "value": {"stringValue": value}});
    json!({"resourceSpans": [{
        "resource": {"attributes": [
            text("service.name", "solewire"),
            text("service.version", env!("CARGO_PKG_VERSION")),
            text("service.instance.id", instance),
        ]},
        "scopeSpans": [{
            "scope": {"name": "solewire", "version": env!("CARGO_PKG_VERSION")},
            "spans": batch.iter().map(span).collect::<Vec<Value>>(),
        }],
    }]})
}

fn span(ended: &Ended) -> Value {
    let nanoseconds = |at: i128| at.to_string();
    let took = i128::try_from(ended.took.as_nanos()).unwrap_or(0);
    let said: Vec<Value> = ended
        .said
        .iter()
        .map(|(key, said)| {
            let value = match said {
                // 64-bit numbers are text in the JSON form.
                Said::Number(number) => json!({"intValue": number.to_string()}),
                Said::Word(word) => json!({"stringValue": word}),
                Said::Own(text) => json!({"stringValue": text}),
            };
            json!({"key": key, "value": value})
        })
        .collect();
    let mut span = json!({
        "traceId": format!("{:032x}", ended.context.trace),
        "spanId": format!("{:016x}", ended.context.span),
        "flags": u8::from(ended.context.sampled),
        "name": ended.name,
        "kind": ended.kind as u8,
        "startTimeUnixNano": nanoseconds(ended.began),
        "endTimeUnixNano": nanoseconds(ended.began + took),
        "attributes": said,
        "status": if ended.failed { json!({"code": 2}) } else { json!({}) },
    });
    if let (Some(above), Some(members)) = (ended.above, span.as_object_mut()) {
        members.insert("parentSpanId".to_owned(), json!(format!("{above:016x}")));
    }
    span
}

#[cfg(test)]
mod tests {
    use super::Context;

    #[test]
    fn a_context_reads_back_as_it_was_written_and_others_are_not_read() {
        let header = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        assert_eq!(Context::read(header).unwrap().header(), header);
        for wrong in [
            "",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more",
            "ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "00-00000000000000000000000000000000-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01",
            "00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01",
        ] {
            assert_eq!(Context::read(wrong), None, "{wrong}");
        }
        let below = Context::below(Context::read(header));
        assert!(below.header().starts_with(&header[..36]) && below.header() != header);
    }
}
