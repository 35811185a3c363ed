//! Dates and times of FHIR, and the working-day calendar. No clock: the present is always an argument.

use jiff::civil::{Date, Weekday};

/// Which days are working days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calendar {
    /// Days of the week without work.
    pub weekend: Vec<Weekday>,
    /// Dates without work.
    pub holidays: Vec<Date>,
}

impl Default for Calendar {
    fn default() -> Self {
        Calendar { weekend: vec![Weekday::Saturday, Weekday::Sunday], holidays: Vec::new() }
    }
}
