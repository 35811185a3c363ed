//! The guidelines against what was published: rows of tables and worked numbers (`oracles/`), every combination of what
//! a table asks, and the resources that come of them.

mod exam;
mod exhaustive;
mod measurements;
mod oracle;
mod published;
mod results;
mod stratification;
