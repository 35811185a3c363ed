//! What is counted: numbers with labels from closed lists, so nothing of an exam can become one.

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::Duration;

use crate::delivery::{Expiries, Failure, LaneState, Verdict};
use crate::store::{DeliveryState, OutboxCounts};

/// What became of a submission.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SubmissionResult {
    /// Stored.
    Accepted,
    /// Known already.
    Unchanged,
    /// Refused.
    Refused,
    /// Not possible now.
    Failed,
}

impl SubmissionResult {
    const ALL: [SubmissionResult; 4] = [
        SubmissionResult::Accepted,
        SubmissionResult::Unchanged,
        SubmissionResult::Refused,
        SubmissionResult::Failed,
    ];

    /// The word in metrics and traces.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            SubmissionResult::Accepted => "accepted",
            SubmissionResult::Unchanged => "unchanged",
            SubmissionResult::Refused => "refused",
            SubmissionResult::Failed => "failed",
        }
    }
}

/// The counters of one process.
#[derive(Debug, Default)]
pub struct Metrics {
    answers: [AtomicU64; 5],
    submissions: [AtomicU64; 4],
    deliveries: [AtomicU64; 5],
    failures: Failures,
    durations: Durations,
    expiries: Arc<Expiries>,
}

/// Attempts that did not deliver, by why.
#[derive(Debug)]
struct Failures(Vec<AtomicU64>);

impl Default for Failures {
    fn default() -> Failures {
        Failures(Failure::ALL.iter().map(|_| AtomicU64::new(0)).collect())
    }
}

/// How long attempts took.
#[derive(Debug, Default)]
struct Durations {
    /// Up to each of [`BOUNDS`], and longer.
    buckets: [AtomicU64; BOUNDS.len() + 1],
    microseconds: AtomicU64,
}

/// In seconds.
const BOUNDS: [f64; 8] = [0.01, 0.05, 0.1, 0.5, 1.0, 5.0, 15.0, 60.0];

const DELIVERIES: [&str; 5] =
    ["delivered", "destination-fault", "unknown-outcome", "conflict", "message-fault"];

impl Metrics {
    /// Counts an answer by the class of its status.
    pub fn answer(&self, status: u16) {
        let class = usize::from(status / 100).saturating_sub(1);
        count(self.answers.get(class));
    }

    /// Counts a submission.
    pub fn submission(&self, result: SubmissionResult) {
        let position = SubmissionResult::ALL.iter().position(|other| *other == result);
        count(position.and_then(|position| self.submissions.get(position)));
    }

    /// Counts an attempt to deliver and how long it took.
    pub fn delivery(&self, verdict: &Verdict, took: Duration) {
        let (number, failure) = match verdict {
            Verdict::Delivered => (0, None),
            Verdict::DestinationFault { failure, .. } => (1, Some(*failure)),
            Verdict::UnknownOutcome { failure, .. } => (2, Some(*failure)),
            Verdict::Conflict => (3, Some(Failure::Conflict)),
            Verdict::MessageFault { failure, .. } => (4, Some(*failure)),
        };
        count(self.deliveries.get(number));
        let position = Failure::ALL.iter().position(|other| Some(*other) == failure);
        count(position.and_then(|position| self.failures.0.get(position)));
        let bucket = BOUNDS.iter().position(|bound| took.as_secs_f64() <= *bound).unwrap_or(BOUNDS.len());
        count(self.durations.buckets.get(bucket));
        let microseconds = u64::try_from(took.as_micros()).unwrap_or(u64::MAX);
        self.durations.microseconds.fetch_add(microseconds, Ordering::Relaxed);
    }

    /// Where it is kept until when the record system lets this service in.
    #[must_use]
    pub fn expiries(&self) -> &Arc<Expiries> {
        &self.expiries
    }

    /// All of it in the text format of Prometheus, version 0.0.4.
    #[must_use]
    pub fn render(&self, outbox: &OutboxCounts, lane: &LaneState, now: i64) -> String {
        let mut out = String::new();
        let classes = ["1xx", "2xx", "3xx", "4xx", "5xx"];
        counters(
            &mut out,
            "solewire_http_answers_total",
            "Answers by class of status.",
            "class",
            &classes,
            &self.answers,
        );
        counters(
            &mut out,
            "solewire_submissions_total",
            "Submissions by result.",
            "result",
            &SubmissionResult::ALL.map(SubmissionResult::word),
            &self.submissions,
        );
        counters(
            &mut out,
            "solewire_delivery_attempts_total",
            "Attempts to deliver by result.",
            "result",
            &DELIVERIES,
            &self.deliveries,
        );
        head(&mut out, "solewire_deliveries", "Deliveries in the outbox by state.", "gauge");
        for state in DeliveryState::ALL {
            let number =
                outbox.states.iter().find(|(other, _)| other == state).map_or(0, |(_, number)| *number);
            line(&mut out, &format!("solewire_deliveries{{state=\"{}\"}} {number}", state.word()));
        }
        let help = "Deliveries ever queued, counted with the exams; the states add up to it.";
        head(&mut out, "solewire_deliveries_received_total", help, "counter");
        line(&mut out, &format!("solewire_deliveries_received_total {}", outbox.received));
        if let Some(syncs) = outbox.syncs {
            let help = "Synchronisations of the disk for submissions; several submissions can share one.";
            head(&mut out, "solewire_store_syncs_total", help, "counter");
            line(&mut out, &format!("solewire_store_syncs_total {syncs}"));
        }
        head(
            &mut out,
            "solewire_oldest_open_delivery_seconds",
            "Age of the oldest delivery still to be sent.",
            "gauge",
        );
        let age = outbox.oldest_open.map_or(0, |created| now.saturating_sub(created).max(0) / 1000);
        line(&mut out, &format!("solewire_oldest_open_delivery_seconds {age}"));
        head(&mut out, "solewire_lane_paused", "1 while everything waits for the record system.", "gauge");
        let paused = u8::from(matches!(lane, LaneState::Paused { .. }));
        line(&mut out, &format!("solewire_lane_paused {paused}"));
        self.render_attempts(&mut out);
        out
    }

    fn render_attempts(&self, out: &mut String) {
        let words: Vec<&str> = Failure::ALL.iter().map(|failure| failure.word()).collect();
        let help = "Attempts that did not deliver, by why.";
        counters(out, "solewire_delivery_failures_total", help, "failure", &words, &self.failures.0);
        let name = "solewire_delivery_attempt_seconds";
        head(out, name, "How long attempts to deliver took.", "histogram");
        let mut sum = 0;
        let bounds = BOUNDS.iter().map(ToString::to_string).chain(["+Inf".to_owned()]);
        for (bound, bucket) in bounds.zip(&self.durations.buckets) {
            sum += bucket.load(Ordering::Relaxed);
            line(out, &format!("{name}_bucket{{le=\"{bound}\"}} {sum}"));
        }
        let seconds =
            Duration::from_micros(self.durations.microseconds.load(Ordering::Relaxed)).as_secs_f64();
        line(out, &format!("{name}_sum {seconds}"));
        line(out, &format!("{name}_count {sum}"));
        let name = "solewire_record_system_expiry_timestamp_seconds";
        head(
            out,
            name,
            "When what the record system asks for or shows runs out; absent while not known.",
            "gauge",
        );
        let all: [(&str, &AtomicI64); 3] = [
            ("server-certificate", &self.expiries.server_certificate),
            ("client-certificate", &self.expiries.client_certificate),
            ("token", &self.expiries.token),
        ];
        for (what, until) in all {
            let until = until.load(Ordering::Relaxed);
            if until != 0 {
                line(out, &format!("{name}{{what=\"{what}\"}} {until}"));
            }
        }
    }
}

fn count(counter: Option<&AtomicU64>) {
    if let Some(counter) = counter {
        counter.fetch_add(1, Ordering::Relaxed);
    }
}

fn counters(out: &mut String, name: &str, help: &str, label: &str, values: &[&str], counters: &[AtomicU64]) {
    head(out, name, help, "counter");
    for (value, counter) in values.iter().zip(counters) {
        line(out, &format!("{name}{{{label}=\"{value}\"}} {}", counter.load(Ordering::Relaxed)));
    }
}

fn head(out: &mut String, name: &str, help: &str, kind: &str) {
    line(out, &format!("# HELP {name} {help}"));
    line(out, &format!("# TYPE {name} {kind}"));
}

fn line(out: &mut String, text: &str) {
    // Writing to a String does not fail.
    if writeln!(out, "{text}").is_err() {
        out.clear();
    }
}
