//! How exams are assessed.

use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use solewire_profiles::findings::MonofilamentCriterion;
use solewire_profiles::time::{Calendar, time_zone};
use toml::Value;

use super::raw::Raw;
use solewire_profiles::nearest::nearest;

use super::{ConfigError, one_of};

/// How exams are assessed.
#[derive(Debug, Clone)]
pub struct Assessment {
    /// Ids of the guidelines; the first one decides recall and referral.
    pub guidelines: Vec<String>,
    /// What counts as loss of protective sensation by monofilament.
    pub monofilament: MonofilamentCriterion,
    /// Which days are working days.
    pub calendar: Calendar,
}

/// Guidelines that give a category, and so a recall.
const CATEGORY_GUIDELINES: &[&str] = &["iwgdf-2023", "nice-ng19", "ada-2008", "scotland-2016"];
/// Rules that give a probability; they stand beside a guideline.
const PROBABILITY_RULES: &[&str] = &["podus-2021"];

const DAYS: &[(&str, Weekday)] = &[
    ("monday", Weekday::Monday),
    ("tuesday", Weekday::Tuesday),
    ("wednesday", Weekday::Wednesday),
    ("thursday", Weekday::Thursday),
    ("friday", Weekday::Friday),
    ("saturday", Weekday::Saturday),
    ("sunday", Weekday::Sunday),
];

pub(super) fn read(raw: &Raw) -> Result<Assessment, ConfigError> {
    let key = "assessment.guideline";
    let first = raw.text(key)?.unwrap_or_else(|| "iwgdf-2023".to_owned());
    if !CATEGORY_GUIDELINES.contains(&first.as_str()) {
        return Err(unknown(raw, key, &first, CATEGORY_GUIDELINES));
    }
    let mut guidelines = vec![first];
    let key = "assessment.also";
    let all: Vec<&str> = CATEGORY_GUIDELINES.iter().chain(PROBABILITY_RULES).copied().collect();
    for also in raw.list(key)? {
        if !all.contains(&also.as_str()) {
            return Err(unknown(raw, key, &also, &all));
        }
        if !guidelines.contains(&also) {
            guidelines.push(also);
        }
    }
    Ok(Assessment { guidelines, monofilament: monofilament(raw)?, calendar: calendar(raw)? })
}

fn unknown(raw: &Raw, key: &str, word: &str, known: &[&'static str]) -> ConfigError {
    let mend = match nearest(word, known.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"? Known are {}", one_of(known)),
        None => format!("use {}", one_of(known)),
    };
    raw.error(key, format!("names \"{word}\", which is no guideline here"), mend)
}

fn monofilament(raw: &Raw) -> Result<MonofilamentCriterion, ConfigError> {
    let key = "assessment.monofilament";
    let refuse = || {
        let problem = "is neither \"three-site\" nor a number of sites";
        raw.error(key, problem, "use \"three-site\" or { felt_below = N } with N from 1 to 20")
    };
    match raw.value(key) {
        None => Ok(MonofilamentCriterion::ThreeSite),
        Some((Value::String(word), _)) if word == "three-site" => Ok(MonofilamentCriterion::ThreeSite),
        Some((Value::Table(table), _)) if table.len() == 1 => {
            let below = table.get("felt_below").and_then(Value::as_integer).ok_or_else(refuse)?;
            let below =
                u8::try_from(below).ok().filter(|sites| (1..=20).contains(sites)).ok_or_else(refuse)?;
            Ok(MonofilamentCriterion::FeltBelow(below))
        }
        Some(_) => Err(refuse()),
    }
}

fn calendar(raw: &Raw) -> Result<Calendar, ConfigError> {
    let key = "assessment.calendar";
    let mend = "write { weekend = [\"saturday\", \"sunday\"], holidays = [\"2026-12-25\"], time_zone = \"Europe/Dublin\" }";
    let mut calendar = Calendar::default();
    let Some((value, _)) = raw.value(key) else { return Ok(calendar) };
    let Value::Table(table) = value else { return Err(raw.error(key, "is not a table", mend)) };
    for (name, value) in table {
        if name == "time_zone" {
            calendar.time_zone = Some(zone(raw, key, value)?);
            continue;
        }
        let Value::Array(items) = value else {
            return Err(raw.error(key, format!("gives `{name}` no list"), mend));
        };
        match name.as_str() {
            "weekend" => calendar.weekend = each(raw, key, items, mend, weekday)?,
            "holidays" => calendar.holidays = each(raw, key, items, mend, holiday)?,
            other => return Err(raw.error(key, format!("holds `{other}`, which is no part of it"), mend)),
        }
    }
    if calendar.weekend.len() >= 7 {
        return Err(raw.error(key, "leaves no working day", "name at most six days as weekend"));
    }
    Ok(calendar)
}

/// A time zone by its IANA name.
fn zone(raw: &Raw, key: &str, value: &Value) -> Result<TimeZone, ConfigError> {
    let found = value.as_str().and_then(time_zone);
    found.ok_or_else(|| {
        let mend = "use a name of the IANA time zone database such as \"Europe/Dublin\", or leave `time_zone` out \
                    to take the offset of each exam";
        raw.error(key, format!("holds {value}, which is no time zone"), mend)
    })
}

fn each<T>(
    raw: &Raw,
    key: &str,
    items: &[Value],
    mend: &str,
    read: impl Fn(&Value) -> Option<T>,
) -> Result<Vec<T>, ConfigError> {
    items
        .iter()
        .map(|item| read(item).ok_or_else(|| raw.error(key, format!("holds {item}, which is no day"), mend)))
        .collect()
}

fn weekday(value: &Value) -> Option<Weekday> {
    let word = value.as_str()?.to_ascii_lowercase();
    DAYS.iter().find(|(name, _)| *name == word).map(|(_, day)| *day)
}

fn holiday(value: &Value) -> Option<Date> {
    match value {
        Value::String(text) => text.parse().ok(),
        Value::Datetime(date) => date.to_string().parse().ok(),
        Value::Integer(_) | Value::Float(_) | Value::Boolean(_) | Value::Array(_) | Value::Table(_) => None,
    }
}
