//! What several rounds of one measurement gave.

use std::time::{Duration, Instant};

use rustix::time::{ClockId, clock_gettime};

/// Least, middle and most of the rounds, and how many they were.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Figures {
    pub(crate) min: f64,
    pub(crate) median: f64,
    pub(crate) max: f64,
    pub(crate) rounds: usize,
}

impl Figures {
    pub(crate) fn of(mut rounds: Vec<f64>) -> Figures {
        assert!(!rounds.is_empty(), "nothing was measured");
        rounds.sort_by(f64::total_cmp);
        Figures {
            min: rounds[0],
            median: rounds[rounds.len() / 2],
            max: rounds[rounds.len() - 1],
            rounds: rounds.len(),
        }
    }
}

/// The middle one.
pub(crate) fn median(rounds: &[f64]) -> f64 {
    Figures::of(rounds.to_vec()).median
}

/// The one below which so many percent of the others lie.
pub(crate) fn percentile(sorted: &[f64], percent: f64) -> f64 {
    let place = (sorted.len() as f64 * percent / 100.0).ceil() as usize;
    sorted[place.clamp(1, sorted.len()) - 1]
}

/// Seconds that a job takes.
pub(crate) fn timed(job: impl FnOnce()) -> f64 {
    let began = Instant::now();
    job();
    began.elapsed().as_secs_f64()
}

/// Seconds of a processor that a job of this thread takes, whoever else had one in the meantime.
fn worked(job: impl FnOnce()) -> f64 {
    let now = || Duration::try_from(clock_gettime(ClockId::ThreadCPUTime)).expect("a time since the start");
    let began = now();
    job();
    (now() - began).as_secs_f64()
}

/// Jobs that take turns for a while, so that all of them meet the same machine: of each the seconds of a processor in its
/// fastest turn, which is the one that other work disturbed least. Time on the clock would not do: a short job finds a
/// turn of its own on a machine that others use, a long one does not.
pub(crate) fn fastest<const N: usize>(span: Duration, jobs: [&dyn Fn(); N]) -> [f64; N] {
    let began = Instant::now();
    let mut fastest = [f64::INFINITY; N];
    let mut turns = 0;
    while began.elapsed() < span || turns < 3 {
        for (job, fastest) in jobs.iter().zip(&mut fastest) {
            *fastest = worked(job).min(*fastest);
        }
        turns += 1;
    }
    fastest
}
