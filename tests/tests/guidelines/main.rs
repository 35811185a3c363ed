//! The guidelines against what was published: rows of tables and worked numbers (`oracles/`), every combination of what
//! a table asks, and the resources that come of them.

// What holds without having been confirmed, and what is set aside, is said to whoever runs the tests.
#![allow(clippy::print_stdout)]

mod exam;
mod exhaustive;
mod measurements;
mod oracle;
mod published;
mod results;
mod stratification;
