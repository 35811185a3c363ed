//! What is counted: numbers with labels from closed lists, so nothing of an exam can become one.

use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::delivery::{LaneState, Verdict};
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

/// The counters of one process.
#[derive(Debug, Default)]
pub struct Metrics {
    answers: [AtomicU64; 5],
    submissions: [AtomicU64; 4],
    deliveries: [AtomicU64; 5],
}

const SUBMISSIONS: [&str; 4] = ["accepted", "unchanged", "refused", "failed"];
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
        count(self.submissions.get(match result {
            SubmissionResult::Accepted => 0,
            SubmissionResult::Unchanged => 1,
            SubmissionResult::Refused => 2,
            SubmissionResult::Failed => 3,
        }));
    }

    /// Counts an attempt to deliver.
    pub fn delivery(&self, verdict: &Verdict) {
        count(self.deliveries.get(match verdict {
            Verdict::Delivered => 0,
            Verdict::DestinationFault { .. } => 1,
            Verdict::UnknownOutcome { .. } => 2,
            Verdict::Conflict => 3,
            Verdict::MessageFault { .. } => 4,
        }));
    }

    /// All of it in the text format of Prometheus, version 0.0.4.
    #[must_use]
    pub fn render(&self, outbox: &OutboxCounts, lane: LaneState, now: i64) -> String {
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
            &SUBMISSIONS,
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
        out
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
