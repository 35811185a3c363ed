//! Dates and times of FHIR, and the working-day calendar. No clock: the present is always an argument.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Weekday};
use jiff::tz::{Offset, TimeZone, TimeZoneDatabase};
use jiff::{Span, ToSpan};

/// An instant as an examiner or a device wrote it: local date and time with the offset from UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExamTime {
    local: DateTime,
    offset: Offset,
}

impl ExamTime {
    /// Reads a FHIR `dateTime` or `instant` that has a time and an offset. Gives none for a partial date, for a time
    /// without an offset and for anything malformed.
    #[must_use]
    pub fn parse(text: &str) -> Option<ExamTime> {
        let (date_part, rest) = text.split_at_checked(10)?;
        let date: Date = date_part.parse().ok()?;
        let rest = rest.strip_prefix('T')?;
        let zone_at = rest.find(['Z', '+', '-'])?;
        let (time_part, zone) = rest.split_at_checked(zone_at)?;
        // A leap second stands for the last ordinary second: no derived value depends on it.
        let time_part = match time_part.split_at_checked(6) {
            Some((minutes, seconds)) if seconds.starts_with("60") => format!("{minutes}59"),
            _ => time_part.to_owned(),
        };
        let time: jiff::civil::Time = time_part.parse().ok()?;
        let offset = if zone == "Z" {
            Offset::UTC
        } else {
            let (sign, digits) = zone.split_at_checked(1)?;
            let (hours, minutes) = digits.split_once(':')?;
            let seconds = hours.parse::<i32>().ok()? * 3600 + minutes.parse::<i32>().ok()? * 60;
            Offset::from_seconds(if sign == "-" { -seconds } else { seconds }).ok()?
        };
        Some(ExamTime { local: date.to_datetime(time), offset })
    }

    /// The local calendar date.
    #[must_use]
    pub fn date(self) -> Date {
        self.local.date()
    }

    /// The instant.
    #[must_use]
    pub fn timestamp(self) -> Option<Timestamp> {
        self.offset.to_timestamp(self.local).ok()
    }

    /// The last second of a day, at the same offset, as a FHIR `dateTime`.
    #[must_use]
    pub fn end_of_day(self, date: Date) -> String {
        end_of_day_at(date, self.offset)
    }
}

fn end_of_day_at(date: Date, offset: Offset) -> String {
    let seconds = offset.seconds();
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.abs() / 60;
    if seconds == 0 {
        return format!("{date}T23:59:59Z");
    }
    format!("{date}T23:59:59{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

/// The unit of a screening interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum IntervalUnit {
    /// Calendar weeks.
    Week,
    /// Calendar months; the last day of a shorter month stands for the days that it lacks.
    Month,
}

/// Adds an interval to a date. None only at the end of the calendar.
#[must_use]
pub fn add_interval(date: Date, count: i64, unit: IntervalUnit) -> Option<Date> {
    let span = match unit {
        IntervalUnit::Week => Span::new().try_weeks(count),
        IntervalUnit::Month => Span::new().try_months(count),
    };
    date.checked_add(span.ok()?).ok()
}

/// Which days are working days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calendar {
    /// Days of the week without work.
    pub weekend: Vec<Weekday>,
    /// Dates without work.
    pub holidays: Vec<Date>,
    /// Where the people work: their date decides when a working day ends. None for the offset written in each exam.
    pub time_zone: Option<TimeZone>,
}

impl Default for Calendar {
    /// Monday to Friday, no holidays: the widest assumption that still has weekends (project rule).
    fn default() -> Self {
        Calendar { weekend: vec![Weekday::Saturday, Weekday::Sunday], holidays: Vec::new(), time_zone: None }
    }
}

/// The time zone of an IANA name, such as `Europe/Dublin`, from the data that ships with the program. Names are
/// compared without regard to case. None for a name that is not known.
#[must_use]
pub fn time_zone(name: &str) -> Option<TimeZone> {
    TimeZoneDatabase::bundled().get(name).ok()
}

impl Calendar {
    /// Whether people work on this date.
    #[must_use]
    pub fn is_working_day(&self, date: Date) -> bool {
        !self.weekend.contains(&date.weekday()) && !self.holidays.contains(&date)
    }

    /// The date of an exam where the people work.
    #[must_use]
    pub fn date_of(&self, time: ExamTime) -> Date {
        let there = self.time_zone.as_ref().zip(time.timestamp());
        there.map_or_else(|| time.date(), |(zone, instant)| zone.to_datetime(instant).date())
    }

    /// The last second of a date where the people work, as a FHIR `dateTime` with the offset that holds there then.
    #[must_use]
    pub fn end_of_day(&self, time: ExamTime, date: Date) -> String {
        let offset = self.time_zone.as_ref().and_then(|zone| {
            let instant = zone.to_timestamp(date.at(23, 59, 59, 0)).ok()?;
            Some(zone.to_offset(instant))
        });
        offset.map_or_else(|| time.end_of_day(date), |offset| end_of_day_at(date, offset))
    }

    /// The date `count` working days after `date`, which itself does not count. None when no working day comes
    /// within a year for each day asked, as with a calendar without any.
    #[must_use]
    pub fn after_working_days(&self, date: Date, count: u32) -> Option<Date> {
        let mut here = date;
        for _ in 0..count {
            let mut steps = 0;
            loop {
                here = here.checked_add(1.day()).ok()?;
                steps += 1;
                if self.is_working_day(here) {
                    break;
                }
                if steps > 366 {
                    return None;
                }
            }
        }
        Some(here)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> Date {
        text.parse().unwrap()
    }

    #[test]
    fn times_need_a_time_and_an_offset() {
        for text in
            ["2026", "2026-09", "2026-09-14", "2026-09-14T10:20:00", "2026-13-01T00:00:00Z", "é026-09-14T1Z"]
        {
            assert_eq!(ExamTime::parse(text), None, "{text}");
        }
        let time = ExamTime::parse("2026-09-14T00:20:00.5+01:00").unwrap();
        assert_eq!(time.timestamp().unwrap().to_string(), "2026-09-13T23:20:00.5Z");
        assert_eq!(time.end_of_day(time.date()), "2026-09-14T23:59:59+01:00");
        assert!(ExamTime::parse("2026-06-30T23:59:60Z").is_some());
        let west = ExamTime::parse("2026-09-14T00:20:00-03:30").unwrap();
        assert_eq!(west.end_of_day(west.date()), "2026-09-14T23:59:59-03:30");
    }

    #[test]
    fn a_time_zone_gives_the_date_and_the_offset_of_the_people_who_work_there() {
        let calendar = Calendar { time_zone: time_zone("Europe/Dublin"), ..Calendar::default() };
        assert!(calendar.time_zone.is_some() && time_zone("europe/dublin").is_some());
        // Late on a Friday by the clock of a device that writes UTC, and Saturday where people are.
        let late = ExamTime::parse("2026-09-11T23:30:00Z").unwrap();
        assert_eq!(calendar.date_of(late), date("2026-09-12"));
        assert_eq!(Calendar::default().date_of(late), date("2026-09-11"));
        // The clocks go back in the night to Sunday 25 October 2026: the deadline has the offset of its own day.
        let friday = ExamTime::parse("2026-10-23T16:00:00+01:00").unwrap();
        let monday = calendar.after_working_days(calendar.date_of(friday), 1).unwrap();
        assert_eq!(calendar.end_of_day(friday, monday), "2026-10-26T23:59:59Z");
        assert_eq!(Calendar::default().end_of_day(friday, monday), "2026-10-26T23:59:59+01:00");
        let tokyo = Calendar { time_zone: time_zone("Asia/Tokyo"), ..Calendar::default() };
        assert_eq!(tokyo.end_of_day(friday, monday), "2026-10-26T23:59:59+09:00");
        for unknown in ["", "Europe", "Harbour/Lane", "+01:00"] {
            assert_eq!(time_zone(unknown), None, "{unknown}");
        }
    }

    #[test]
    fn months_end_on_the_last_day_there_is() {
        assert_eq!(add_interval(date("2026-08-31"), 6, IntervalUnit::Month), Some(date("2027-02-28")));
        assert_eq!(add_interval(date("2026-09-14"), 2, IntervalUnit::Week), Some(date("2026-09-28")));
    }

    #[test]
    fn working_days_step_over_weekends_and_holidays() {
        let mut calendar = Calendar::default();
        assert_eq!(calendar.after_working_days(date("2026-09-11"), 1), Some(date("2026-09-14")));
        calendar.holidays.push(date("2026-09-14"));
        assert_eq!(calendar.after_working_days(date("2026-09-11"), 1), Some(date("2026-09-15")));
        assert_eq!(calendar.after_working_days(date("2026-09-12"), 2), Some(date("2026-09-16")));
        let never = Calendar {
            weekend: (1..=7).map(|day| Weekday::from_monday_one_offset(day).unwrap()).collect(),
            ..Calendar::default()
        };
        assert_eq!(never.after_working_days(date("2026-09-11"), 1), None);
    }
}
