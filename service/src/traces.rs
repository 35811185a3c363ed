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

/// The header of W3C Trace Context that says where in which trace its sender stands.
pub const TRACEPARENT: &str = "traceparent";
/// The header beside it, in which tracing systems keep what only they understand.
pub const TRACESTATE: &str = "tracestate";
/// How long the first header is in version 00.
const TRACEPARENT_LENGTH: usize = 55;
/// The flag of a trace that is recorded.
const SAMPLED: u8 = 1;
/// The most entries of the second header, how much of it is passed on, and which entries go first where there is more.
const STATE_ENTRIES: usize = 32;
const STATE_LENGTH: usize = 512;
const LONG_STATE_ENTRY: usize = 128;
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
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Context {
    trace: u128,
    span: u64,
    flags: u8,
    /// What other systems on the way said of the trace, for each other. It is passed on and told to nobody else.
    state: Option<Arc<str>>,
}

impl Context {
    /// Reads the headers; none when the first says nothing that can be used. Of a version to come what this one knows
    /// is read. A `tracestate` that is not of the form is left out.
    #[must_use]
    pub fn read(traceparent: &str, tracestate: Option<&str>) -> Option<Context> {
        let (known, more) = traceparent.split_at_checked(TRACEPARENT_LENGTH)?;
        let mut parts = known.split('-');
        let mut hex = |length: usize| {
            let plain = |text: &&str| {
                text.len() == length && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
            };
            u128::from_str_radix(parts.next().filter(plain)?, 16).ok()
        };
        let (version, trace, span, flags) = (hex(2)?, hex(32)?, hex(16)?, hex(2)?);
        let (span, flags) = (u64::try_from(span).ok()?, u8::try_from(flags).ok()?);
        let whole = match version {
            0 => more.is_empty(),
            0xff => false,
            _ => more.is_empty() || more.starts_with('-'),
        };
        let state = tracestate.and_then(state).map(Arc::from);
        (whole && trace != 0 && span != 0).then_some(Context { trace, span, flags, state })
    }

    /// The header `traceparent`.
    #[must_use]
    pub fn header(&self) -> String {
        format!("00-{:032x}-{:016x}-{:02x}", self.trace, self.span, self.flags)
    }

    /// The header `tracestate`; none when nobody said anything.
    #[must_use]
    pub fn state(&self) -> Option<&str> {
        self.state.as_deref()
    }

    fn is_sampled(&self) -> bool {
        self.flags & SAMPLED != 0
    }

    /// A new place below another one, in a trace that is recorded; or the first of a trace.
    fn below(above: Option<&Context>) -> Context {
        let (random, other) = (uuid::Uuid::new_v4(), uuid::Uuid::new_v4());
        let (_, span) = other.as_u64_pair();
        match above {
            // Whoever makes a place answers for the flags, and knows no others.
            Some(above) => Context { span, flags: SAMPLED, ..above.clone() },
            None => Context { trace: random.as_u128(), span, flags: SAMPLED, state: None },
        }
    }
}

/// A `tracestate` as it is passed on: in its order, without long entries and then without the last ones where it finds no
/// room. None when it is not of its form, or says nothing.
fn state(header: &str) -> Option<String> {
    let entries = header.split(',').map(|entry| entry.trim_matches([' ', '\t']));
    let mut entries: Vec<&str> = entries.filter(|entry| !entry.is_empty()).collect();
    if entries.len() > STATE_ENTRIES || !entries.iter().all(|entry| is_state_entry(entry)) {
        return None;
    }
    let long =
        |entries: &[&str]| entries.iter().map(|entry| entry.len() + 1).sum::<usize>() > STATE_LENGTH + 1;
    if long(&entries) {
        entries.retain(|entry| entry.len() <= LONG_STATE_ENTRY);
    }
    while long(&entries) {
        entries.pop();
    }
    (!entries.is_empty()).then(|| entries.join(","))
}

fn is_state_entry(entry: &str) -> bool {
    let Some((key, value)) = entry.split_once('=') else { return false };
    let in_key = |byte: u8| matches!(byte, b'a'..=b'z' | b'0'..=b'9' | b'_' | b'-' | b'*' | b'/' | b'@');
    (1..=256).contains(&key.len())
        && key.starts_with(|first: char| first.is_ascii_lowercase() || first.is_ascii_digit())
        && key.bytes().all(in_key)
        && (1..=256).contains(&value.len())
        && value.bytes().all(|byte| matches!(byte, 0x20..=0x7e) && !matches!(byte, b',' | b'='))
}

/// The context of what runs here; none outside of a span.
#[must_use]
pub fn current() -> Option<Context> {
    CURRENT.try_with(Context::clone).ok()
}

/// Runs something within a span, so that what it asks of others names it.
pub async fn within<T>(span: Option<&Span>, run: impl Future<Output = T>) -> T {
    match span {
        Some(span) => CURRENT.scope(span.context.clone(), run).await,
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
    began: Instant,
    /// What is told of it, and to whom; none where the context is only passed on.
    told: Option<(Ended, Arc<Sender>)>,
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

    /// Begins a span below another, or a trace of its own. While nothing is traced, or when whoever began the trace does
    /// not record it, the context is passed on as it came, as the recommendation asks of who takes no part in a trace.
    /// None when there is none to pass on.
    #[must_use]
    pub fn begin(&self, name: &'static str, kind: Kind, above: Option<Context>) -> Option<Span> {
        let began = Instant::now();
        let Some(sender) = self.0.as_ref().filter(|_| above.as_ref().is_none_or(Context::is_sampled)) else {
            return above.map(|context| Span { context, began, told: None });
        };
        let context = Context::below(above.as_ref());
        let ended = Ended {
            name,
            kind,
            context: context.clone(),
            above: above.map(|above| above.span),
            began: i128::from(sender.clock.now_ms()) * 1_000_000,
            took: Duration::ZERO,
            said: Vec::new(),
            failed: false,
        };
        Some(Span { context, began, told: Some((ended, Arc::clone(sender))) })
    }
}

impl Span {
    /// Says something about it.
    pub fn say(&mut self, key: &'static str, said: Said) {
        if let Some((ended, _)) = &mut self.told {
            ended.said.push((key, said));
        }
    }

    /// It did not come to what it was for.
    pub fn failed(&mut self) {
        if let Some((ended, _)) = &mut self.told {
            ended.failed = true;
        }
    }
}

impl Drop for Span {
    fn drop(&mut self) {
        if let Some((mut ended, sender)) = self.told.take() {
            ended.took = self.began.elapsed();
            // What finds no room is left out: traces never hold up what they tell of.
            drop(sender.spans.try_send(ended));
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
        "flags": ended.context.flags,
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
    use super::{Context, Kind, Traces};

    const HEADER: &str = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";

    #[test]
    fn a_context_reads_back_as_it_was_written_and_others_are_not_read() {
        assert_eq!(Context::read(HEADER, None).unwrap().header(), HEADER);
        for wrong in [
            "",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more",
            "ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "01-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01more",
            "00-00000000000000000000000000000000-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01",
            "00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b-\u{e9}1",
        ] {
            assert_eq!(Context::read(wrong, None), None, "{wrong}");
        }
    }

    #[test]
    fn of_a_version_to_come_is_read_what_this_one_knows() {
        let later = HEADER.replacen("00", "01", 1);
        assert_eq!(Context::read(&later, None).unwrap().header(), HEADER);
        assert_eq!(Context::read(&format!("{later}-more"), None).unwrap().header(), HEADER);
    }

    #[test]
    fn a_state_is_passed_on_as_far_as_it_finds_room_and_only_in_its_form() {
        let state = |text: &str| Context::read(HEADER, Some(text)).unwrap().state().map(str::to_owned);
        assert_eq!(state("one=a b:c,\t2@two=*").as_deref(), Some("one=a b:c,2@two=*"));
        let entry = |key: &str, length: usize| format!("{key}={}", "x".repeat(length - key.len() - 1));
        let fits = [entry("a", 255), entry("b", 256)].join(",");
        assert_eq!(state(&fits), Some(fits));
        let (long, short) = (entry("long", 129), entry("last", 128));
        assert_eq!(
            state(&[&long, &short, &short, &long].map(String::as_str).join(",")),
            Some([&short, &short].map(String::as_str).join(","))
        );
        let five = ["a", "b", "c", "d", "e"].map(|key| entry(key, 128));
        assert_eq!(state(&five.join(",")), Some(five[..3].join(",")));
        let many = |number: usize| (0..number).map(|one| format!("k{one}=v")).collect::<Vec<_>>().join(",");
        assert!(state(&many(32)).is_some() && state(&many(33)).is_none());
        for wrong in ["", " , ", "one", "=a", "One=a", "one=", "one=a=b", "one=a\u{e9}", "one=a\r\nhost: b"] {
            assert_eq!(state(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn what_stands_below_keeps_trace_and_state_and_answers_for_its_own_flags() {
        let above = Context::read(&HEADER.replace("-01", "-ff"), Some("one=a")).unwrap();
        let below = Context::below(Some(&above));
        assert_eq!((below.trace, below.state(), below.flags), (above.trace, Some("one=a"), 1));
        assert_ne!(below.span, above.span);
    }

    #[test]
    fn a_context_is_passed_on_as_it_came_where_nothing_is_traced() {
        let above = Context::read(&HEADER.replace("-01", "-03"), Some("one=a")).unwrap();
        let span = Traces::default().begin("request", Kind::Server, Some(above.clone())).unwrap();
        assert_eq!(span.context, above);
        assert!(Traces::default().begin("request", Kind::Server, None).is_none());
    }
}
