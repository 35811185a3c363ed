//! Dates, times and both, as exact as they were written.

use std::cmp::Ordering;

use jiff::civil;
use jiff::tz::Offset;

/// A date or time whose finer parts may be unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Moment {
    kind: MomentKind,
    /// Year, month, day, hour, minute, nanosecond of the minute: only the first `known` of them count. A time alone
    /// begins at the hour.
    parts: [i64; 6],
    known: usize,
    /// Seconds east of UTC.
    offset: Option<i32>,
}

/// Which of the three types of FHIRPath it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum MomentKind {
    Date,
    DateTime,
    Time,
}

const NANOSECONDS: i64 = 1_000_000_000;

impl Moment {
    /// Reads what follows `@` in an expression.
    pub(super) fn literal(text: &str) -> Option<Moment> {
        match text.strip_prefix('T') {
            Some(time) => Moment::time(time),
            None => Moment::date_time(text),
        }
    }

    /// Reads a value of the FHIR types date, dateTime or instant.
    pub(super) fn date_time(text: &str) -> Option<Moment> {
        let (date, time) = match text.split_once('T') {
            Some((date, time)) => (date, Some(time)),
            None => (text, None),
        };
        let mut parts = [0_i64; 6];
        let mut known = 0;
        for (piece, width) in date.split('-').zip([4, 2, 2]) {
            *parts.get_mut(known)? = number(piece, width)?;
            known += 1;
        }
        if date.split('-').count() != known {
            return None;
        }
        let [year, month, day, ..] = parts;
        let month = if known > 1 { month } else { 1 };
        let day = if known > 2 { day } else { 1 };
        civil::Date::new(year.try_into().ok()?, month.try_into().ok()?, day.try_into().ok()?).ok()?;
        let Some(time) = time else {
            return Some(Moment { kind: MomentKind::Date, parts, known, offset: None });
        };
        if time.is_empty() {
            return Some(Moment { kind: MomentKind::DateTime, parts, known, offset: None });
        }
        if known != 3 {
            return None;
        }
        let (clock, offset) = split_offset(time)?;
        let known = known + clock_parts(clock, parts.get_mut(3..)?)?;
        Some(Moment { kind: MomentKind::DateTime, parts, known, offset })
    }

    /// Reads a value of the FHIR type time.
    pub(super) fn time(text: &str) -> Option<Moment> {
        let mut parts = [0_i64; 6];
        let known = 3 + clock_parts(text, parts.get_mut(3..)?)?;
        Some(Moment { kind: MomentKind::Time, parts, known, offset: None })
    }

    pub(super) fn kind(&self) -> MomentKind {
        self.kind
    }

    /// The order of two moments; none where it is unknown, because one is less exact or because a time of day and a
    /// date are compared.
    ///
    /// Two instants with a zone are compared in UTC. A date beside an instant is compared with the calendar day at
    /// the place of the instant.
    pub(super) fn order(&self, other: &Moment) -> Option<Ordering> {
        if (self.kind == MomentKind::Time) != (other.kind == MomentKind::Time) {
            return None;
        }
        let timed = self.known > 3 && other.known > 3 && self.kind != MomentKind::Time;
        let (left, right) = match (self.offset, other.offset) {
            (Some(_), Some(_)) => (self.in_utc()?, other.in_utc()?),
            // One zone is unknown: more than a day apart the order is still certain.
            (Some(_), None) | (None, Some(_)) if timed => {
                let days = |moment: &Moment| Some(moment.civil()?.date().duration_since(civil::Date::ZERO));
                let gap = days(self)?.checked_sub(days(other)?)?;
                if gap.abs().as_hours() <= 24 {
                    return None;
                }
                (self.parts, other.parts)
            }
            _ => (self.parts, other.parts),
        };
        for place in 0..6 {
            match (place < self.known, place < other.known) {
                (true, true) => match left.get(place).cmp(&right.get(place)) {
                    Ordering::Equal => {}
                    decided => return Some(decided),
                },
                (false, false) => return Some(Ordering::Equal),
                _ => return None,
            }
        }
        Some(Ordering::Equal)
    }

    fn civil(&self) -> Option<civil::DateTime> {
        let [year, month, day, hour, minute, nanosecond] = self.parts;
        let date =
            civil::Date::new(year.try_into().ok()?, month.try_into().ok()?, day.try_into().ok()?).ok()?;
        // A leap second (R4 allows :60) is held as the last nanosecond of its minute.
        let nanosecond = nanosecond.min(60 * NANOSECONDS - 1);
        let second = nanosecond / NANOSECONDS;
        let time = civil::Time::new(
            hour.try_into().ok()?,
            minute.try_into().ok()?,
            second.try_into().ok()?,
            (nanosecond % NANOSECONDS).try_into().ok()?,
        );
        Some(civil::DateTime::from_parts(date, time.ok()?))
    }

    fn in_utc(&self) -> Option<[i64; 6]> {
        let offset = Offset::from_seconds(self.offset?).ok()?;
        let utc = Offset::UTC.to_datetime(offset.to_timestamp(self.civil()?).ok()?);
        Some([
            utc.year().into(),
            utc.month().into(),
            utc.day().into(),
            utc.hour().into(),
            utc.minute().into(),
            i64::from(utc.second()) * NANOSECONDS + i64::from(utc.subsec_nanosecond()),
        ])
    }
}

fn number(text: &str, width: usize) -> Option<i64> {
    let digits = text.len() == width && text.bytes().all(|byte| byte.is_ascii_digit());
    if digits { text.parse().ok() } else { None }
}

fn split_offset(time: &str) -> Option<(&str, Option<i32>)> {
    if let Some(clock) = time.strip_suffix('Z') {
        return Some((clock, Some(0)));
    }
    let Some(at) = time.find(['+', '-']) else { return Some((time, None)) };
    let (clock, offset) = time.split_at_checked(at)?;
    let sign = if offset.starts_with('-') { -1 } else { 1 };
    let (hours, minutes) = offset.get(1..)?.split_once(':')?;
    let seconds = number(hours, 2)? * 3600 + number(minutes, 2)? * 60;
    (seconds <= 14 * 3600).then_some(())?;
    Some((clock, Some(sign * i32::try_from(seconds).ok()?)))
}

/// Fills hour, minute and nanosecond of the minute; gives how many are known.
fn clock_parts(clock: &str, parts: &mut [i64]) -> Option<usize> {
    let mut known = 0;
    for piece in clock.split(':') {
        let value = match known {
            0 => number(piece, 2).filter(|hour| *hour < 24)?,
            1 => number(piece, 2).filter(|minute| *minute < 60)?,
            2 => {
                let (seconds, fraction) = piece.split_once('.').unwrap_or((piece, "0"));
                let seconds = number(seconds, 2).filter(|second| *second <= 60)?;
                if fraction.is_empty() || !fraction.bytes().all(|byte| byte.is_ascii_digit()) {
                    return None;
                }
                let nanoseconds: String = fraction.chars().chain("000000000".chars()).take(9).collect();
                seconds * NANOSECONDS + nanoseconds.parse::<i64>().ok()?
            }
            _ => return None,
        };
        *parts.get_mut(known)? = value;
        known += 1;
    }
    Some(known)
}
