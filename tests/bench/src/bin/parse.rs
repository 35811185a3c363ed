//! Reads a file and parses it as JSON: the least that any program does that looks at one.
#![allow(clippy::expect_used, reason = "a program of the bench")]

fn main() {
    let path = std::env::args_os().nth(1).expect("a file");
    let text = std::fs::read(path).expect("the file is read");
    let value: serde_json::Value = serde_json::from_slice(&text).expect("the file is JSON");
    std::hint::black_box(&value);
}
