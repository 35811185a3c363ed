//! Measures what is promised about speed and memory, side by side on one machine, and writes the table.
//!
//! `tests/bench/run` starts it with the names of the parts. It checks nothing: the table says what is met.
#![allow(clippy::print_stdout, reason = "it prints what it measured")]
#![allow(clippy::expect_used, reason = "a fault ends the measurement")]

mod command_line;
mod delivery;
mod driver;
mod exams;
mod figures;
mod filled;
mod intake;
mod library;
mod linear;
mod server;
mod start;
mod table;

use std::path::Path;

use table::Table;

#[tokio::main]
async fn main() {
    let mut table = Table::open(&Path::new(env!("CARGO_MANIFEST_DIR")).join("RESULTS.md"));
    for part in std::env::args().skip(1) {
        println!("-- {part}");
        match part.as_str() {
            "library" => library::measure(&mut table),
            "command-line" => command_line::measure(&mut table),
            "large-file" => command_line::large(&mut table),
            "linear" => linear::measure(&mut table),
            "intake" => intake::measure(&mut table).await,
            "start" => start::measure(&mut table).await,
            "delivery" => delivery::measure(&mut table).await,
            "memory" => intake::memory(&mut table).await,
            "filled" => filled::measure(&mut table).await,
            unknown => panic!("there is no part {unknown}"),
        }
    }
}
