//! The stretch of time that a FHIR date leaves open.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// From `low` up to, but without, `high`; milliseconds since 1970.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// The first millisecond.
    pub low: i64,
    /// The first millisecond after it.
    pub high: i64,
}

impl Span {
    /// The span of a `date`, `dateTime` or `instant` (HL7 FHIR R4, Search: a date stands for the whole interval that
    /// its precision leaves open). A date without a time zone is taken in UTC. Nothing for other texts.
    #[must_use]
    pub fn of(text: &str) -> Option<Span> {
        if text.contains('T') {
            return Span::of_time(text);
        }
        let mut parts = text.split('-');
        let year: i16 = digits(parts.next()?, 4)?;
        let month: Option<i8> =
            parts.next().map(|part| digits(part, 2)).map_or(Some(None), |part| part.map(Some))?;
        let day: Option<i8> =
            parts.next().map(|part| digits(part, 2)).map_or(Some(None), |part| part.map(Some))?;
        if parts.next().is_some() {
            return None;
        }
        let first = Date::new(year, month.unwrap_or(1), day.unwrap_or(1)).ok()?;
        let next = match (month, day) {
            (_, Some(_)) => first.tomorrow().ok()?,
            (Some(_), None) => first.last_of_month().tomorrow().ok()?,
            (None, None) => first.last_of_year().tomorrow().ok()?,
        };
        Some(Span { low: midnight(first)?, high: midnight(next)? })
    }

    fn of_time(text: &str) -> Option<Span> {
        let (_, time) = text.split_once('T')?;
        let clock = time.split(['Z', '+', '-']).next()?;
        let low = text.parse::<Timestamp>().ok().map(Timestamp::as_millisecond).or_else(|| {
            let local: jiff::civil::DateTime = text.parse().ok()?;
            Some(TimeZone::UTC.to_timestamp(local).ok()?.as_millisecond())
        })?;
        let width = match clock.len() {
            0..=5 => 60_000,
            6..=8 => 1_000,
            _ => 1,
        };
        Some(Span { low, high: low + width })
    }
}

fn digits<T: std::str::FromStr>(text: &str, length: usize) -> Option<T> {
    (text.len() == length && text.bytes().all(|byte| byte.is_ascii_digit())).then(|| text.parse().ok())?
}

fn midnight(date: Date) -> Option<i64> {
    Some(TimeZone::UTC.to_timestamp(date.at(0, 0, 0, 0)).ok()?.as_millisecond())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn precision_decides_the_width() {
        let day = 86_400_000;
        for (text, width) in [
            ("2024", 366 * day),
            ("2026-02", 28 * day),
            ("2026-11-25", day),
            ("2026-11-25T10:00Z", 60_000),
            ("2026-11-25T10:00:00+01:00", 1_000),
            ("2026-11-25T10:00:00.250Z", 1),
        ] {
            let span = Span::of(text).unwrap();
            assert_eq!(span.high - span.low, width, "{text}");
        }
        assert_eq!(
            Span::of("2026-11-25T10:00:00+01:00").unwrap().low,
            Span::of("2026-11-25T09:00:00Z").unwrap().low
        );
        for text in ["", "26", "2026-1", "2026-13", "2026-02-30", "2026-11-25T", "tomorrow", "2026-11-25-01"]
        {
            assert_eq!(Span::of(text), None, "{text}");
        }
    }
}
