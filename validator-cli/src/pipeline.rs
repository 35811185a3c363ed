//! Documents through the checks, several at a time, and back in the order in which they were read.
//!
//! One thread reads, some work, and the caller's thread takes the results. What is read ahead is bounded, so a batch of
//! any length needs the memory of a few documents. The order never depends on which check ends first.

use std::io;
use std::ops::ControlFlow;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::Builder;
use std::time::{Duration, Instant};

use crate::input::{Fingerprint, Reading, Record, Source};
use crate::watch::Watch;

/// How long the taker waits before it looks whether the run was interrupted.
const GLANCE: Duration = Duration::from_millis(50);

/// What comes back.
#[derive(Debug)]
pub(crate) enum Step<T> {
    /// A document went through.
    Document {
        /// What came of it.
        result: T,
        /// How long that took.
        took: Duration,
    },
    /// The last document of the file was given before. Its fingerprint, when it was asked for and read whole.
    EndOfFile(Option<Fingerprint>),
}

/// Why no more comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// Everything was read.
    Whole,
    /// The taker broke off.
    BrokenOff,
    /// The run was interrupted from outside.
    Interrupted,
    /// A thread could not be started or ended without a result.
    Fault,
}

struct Job<T> {
    source: usize,
    record: Record,
    reply: SyncSender<(T, Duration)>,
}

enum Slot<T> {
    Document(usize, Receiver<(T, Duration)>),
    EndOfFile(usize, Option<Fingerprint>),
}

/// What is done with each document.
pub(crate) type Work<T> = Arc<dyn Fn(&Source, Record) -> T + Send + Sync>;

/// Puts every document of the sources through `work` on `jobs` threads, and gives the results to `take` in order.
pub(crate) fn run<T: Send + 'static>(
    sources: &Arc<Vec<Source>>,
    reading: Reading,
    jobs: usize,
    work: &Work<T>,
    watch: &mut Watch,
    take: &mut dyn FnMut(&Source, Step<T>) -> ControlFlow<()>,
) -> End {
    let Ok(slots) = start(sources, reading, jobs.max(1), work) else { return End::Fault };
    loop {
        let slot = match wait(&slots, watch) {
            Wait::Got(slot) => slot,
            Wait::Gone => return End::Whole,
            Wait::Interrupted => return End::Interrupted,
        };
        let (source, step) = match slot {
            Slot::EndOfFile(source, fingerprint) => (source, Step::EndOfFile(fingerprint)),
            Slot::Document(source, reply) => match wait(&reply, watch) {
                Wait::Got((result, took)) => (source, Step::Document { result, took }),
                Wait::Gone => return End::Fault,
                Wait::Interrupted => return End::Interrupted,
            },
        };
        let Some(source) = sources.get(source) else { return End::Fault };
        watch.count(matches!(step, Step::EndOfFile(_)));
        if take(source, step).is_break() {
            return End::BrokenOff;
        }
    }
}

/// Starts the threads. They are not waited for: a reader of standard input may never come back.
fn start<T: Send + 'static>(
    sources: &Arc<Vec<Source>>,
    reading: Reading,
    jobs: usize,
    work: &Work<T>,
) -> io::Result<Receiver<Slot<T>>> {
    let (slots_in, slots) = sync_channel::<Slot<T>>(2 * jobs);
    let (jobs_in, jobs_out) = sync_channel::<Job<T>>(jobs);
    let jobs_out = Arc::new(Mutex::new(jobs_out));
    for _ in 0..jobs {
        let (jobs_out, sources, work) = (Arc::clone(&jobs_out), Arc::clone(sources), Arc::clone(work));
        Builder::new().name("check".to_owned()).spawn(move || {
            loop {
                let job = match jobs_out.lock() {
                    Ok(jobs) => jobs.recv(),
                    Err(_) => return,
                };
                let Ok(Job { source, record, reply }) = job else { return };
                let Some(source) = sources.get(source) else { return };
                let began = Instant::now();
                let result = work(source, record);
                // When nobody waits for it any more, the next receive ends this thread.
                reply.send((result, began.elapsed())).ok();
            }
        })?;
    }
    let sources = Arc::clone(sources);
    Builder::new().name("read".to_owned()).spawn(move || {
        for (number, source) in sources.iter().enumerate() {
            let flow = source.read(reading, &mut |record| {
                let (reply, result) = sync_channel(1);
                let sent = slots_in.send(Slot::Document(number, result)).is_ok()
                    && jobs_in.send(Job { source: number, record, reply }).is_ok();
                if sent { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
            });
            let ControlFlow::Continue(fingerprint) = flow else { return };
            if slots_in.send(Slot::EndOfFile(number, fingerprint)).is_err() {
                return;
            }
        }
    })?;
    Ok(slots)
}

enum Wait<T> {
    Got(T),
    Gone,
    Interrupted,
}

fn wait<T>(receiver: &Receiver<T>, watch: &mut Watch) -> Wait<T> {
    loop {
        if watch.is_interrupted() {
            return Wait::Interrupted;
        }
        watch.show();
        match receiver.recv_timeout(GLANCE) {
            Ok(got) => return Wait::Got(got),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Wait::Gone,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input;

    fn sources(folder: &std::path::Path) -> Arc<Vec<Source>> {
        for number in 0..5 {
            std::fs::write(folder.join(format!("{number}.ndjson")), "{}\n".repeat(20)).unwrap();
        }
        let paths = vec![folder.as_os_str().to_owned()];
        let console = crate::console::Console::new(crate::args::Loudness::Normal);
        Arc::new(input::gather(&input::arguments(paths), console).unwrap().sources)
    }

    fn run_with(jobs: usize, watch: &mut Watch, most: usize) -> (End, Vec<String>) {
        let folder = tempfile::tempdir().unwrap();
        let work: Work<String> = Arc::new(|_, record| {
            let line = record.line.map_or(0, |(line, _)| line);
            // The earlier ones take longer, so that they end out of order.
            std::thread::yield_now();
            (0..(20 - line) * 1000).map(|number| number as u64).fold(0, u64::wrapping_add);
            line.to_string()
        });
        let mut seen = Vec::new();
        let reading = Reading { limit: 100, fingerprints: true };
        let end = run(&sources(folder.path()), reading, jobs, &work, watch, &mut |source, step| {
            let file = source.path().unwrap().file_stem().unwrap().to_string_lossy().into_owned();
            seen.push(match step {
                Step::Document { result, .. } => format!("{file}:{result}"),
                Step::EndOfFile(fingerprint) => {
                    assert_eq!(fingerprint.map(|found| found.bytes), Some(60));
                    format!("{file} ends")
                }
            });
            if seen.len() < most { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
        });
        (end, seen)
    }

    #[test]
    fn results_come_in_the_order_of_reading_whatever_the_number_of_threads() {
        let (end, alone) = run_with(1, &mut Watch::unseen(), usize::MAX);
        assert_eq!(end, End::Whole);
        assert_eq!(alone.len(), 105);
        assert_eq!((alone[0].as_str(), alone[20].as_str(), alone[21].as_str()), ("0:1", "0 ends", "1:1"));
        assert_eq!(run_with(7, &mut Watch::unseen(), usize::MAX).1, alone);
    }

    #[test]
    fn a_taker_may_break_off() {
        let (end, seen) = run_with(3, &mut Watch::unseen(), 4);
        assert_eq!((end, seen.len()), (End::BrokenOff, 4));
    }

    #[test]
    fn an_interrupted_run_gives_nothing_more() {
        let mut watch = Watch::unseen();
        watch.interrupt();
        assert_eq!(run_with(2, &mut watch, usize::MAX), (End::Interrupted, Vec::new()));
    }
}
