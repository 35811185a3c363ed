//! What must hold for every exam, whatever was found, left out or said twice.
//!
//! Exams are generated at random and go the real way: JSON, checks, submission, assessment. A few cases run each time;
//! `PROPTEST_CASES=5000 cargo test -p solewire-tests --test properties` looks longer.

mod changes;
mod completions;
mod counting;
mod edges;
mod generate;
mod model;
mod output;
mod run;
mod sequence;
