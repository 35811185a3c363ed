//! Which devices there are, and what each may send.

use jiff::SignedDuration;
use solewire_profiles::exam::Test;
use solewire_profiles::nearest::nearest;
use toml::{Table, Value};

use super::ConfigError;
use super::raw::Raw;

/// The devices that a site knows.
#[derive(Debug, Clone, Default)]
pub struct Devices {
    /// Whether results of other devices are refused.
    pub only_registered: bool,
    /// The known ones.
    pub known: Vec<Device>,
}

/// A device.
#[derive(Debug, Clone)]
pub struct Device {
    /// Its name in settings, logs and messages; no secret and nothing about a person.
    pub id: String,
    /// What its results call it: `system|value` of an identifier in Observation.device, or the reference there.
    pub identifier: String,
    /// What it may send; empty for everything.
    pub tests: Vec<Test>,
    /// How far the time it states may lie from the time of receipt, either way.
    pub clock_tolerance: SignedDuration,
    /// How many new or changed results are taken of it on one day (UTC); none for any number.
    pub per_day: Option<i64>,
}

impl Devices {
    /// The device of this id.
    #[must_use]
    pub fn of_id(&self, id: &str) -> Option<&Device> {
        self.known.iter().find(|device| device.id == id)
    }

    /// The device that results call by this name.
    #[must_use]
    pub fn find(&self, identifier: &str) -> Option<&Device> {
        self.known.iter().find(|device| device.identifier == identifier)
    }
}

const KEY: &str = "devices.known";
const MEND: &str = "write [[devices.known]] with id, identifier = \"SYSTEM|VALUE\" and, where wanted, tests, \
                    clock_tolerance_seconds, per_day";
/// As far as clocks may run ahead in any document.
const USUAL_TOLERANCE_SECONDS: i64 = 600;

pub(super) fn read(raw: &Raw) -> Result<Devices, ConfigError> {
    let mut devices =
        Devices { only_registered: raw.yes_or_no("devices.only_registered", false)?, known: Vec::new() };
    let items = match raw.value(KEY) {
        None => return Ok(devices),
        Some((Value::Array(items), _)) => items,
        Some(_) => return Err(raw.error(KEY, "is not a list of devices", MEND)),
    };
    for item in items {
        let Value::Table(table) = item else {
            return Err(raw.error(KEY, "holds something that is not a device", MEND));
        };
        let device = device(raw, table)?;
        let taken = |other: &&Device| other.id == device.id || other.identifier == device.identifier;
        if let Some(other) = devices.known.iter().find(taken) {
            let problem = format!("holds \"{}\" and \"{}\", which are the same device", other.id, device.id);
            return Err(raw.error(KEY, problem, "give each device an id and an identifier of its own"));
        }
        devices.known.push(device);
    }
    Ok(devices)
}

fn device(raw: &Raw, table: &Table) -> Result<Device, ConfigError> {
    const NAMES: [&str; 5] = ["id", "identifier", "tests", "clock_tolerance_seconds", "per_day"];
    if let Some(other) = table.keys().find(|name| !NAMES.contains(&name.as_str())) {
        return Err(raw.error(KEY, format!("holds `{other}`, which is no part of a device"), MEND));
    }
    let text = |name: &str| {
        let found = table.get(name).and_then(Value::as_str).map(str::trim).filter(|text| !text.is_empty());
        found
            .map(str::to_owned)
            .ok_or_else(|| raw.error(KEY, format!("holds a device without `{name}`"), MEND))
    };
    let id = text("id")?;
    if !id.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.')) {
        let problem = format!("names a device \"{id}\"");
        return Err(raw.error(KEY, problem, "use letters, digits, `-`, `_` and `.` in its id"));
    }
    let number = |name: &str, least: i64| match table.get(name) {
        None => Ok(None),
        Some(value) => match value.as_integer().filter(|number| *number >= least) {
            Some(number) => Ok(Some(number)),
            None => {
                let problem = format!("gives the device \"{id}\" no number as `{name}`");
                Err(raw.error(KEY, problem, format!("write a whole number of {least} or more")))
            }
        },
    };
    Ok(Device {
        identifier: text("identifier")?,
        tests: tests(raw, table, &id)?,
        clock_tolerance: SignedDuration::from_secs(
            number("clock_tolerance_seconds", 0)?.unwrap_or(USUAL_TOLERANCE_SECONDS),
        ),
        per_day: number("per_day", 1)?,
        id,
    })
}

fn tests(raw: &Raw, table: &Table, id: &str) -> Result<Vec<Test>, ConfigError> {
    let items = match table.get("tests") {
        None => return Ok(Vec::new()),
        Some(Value::Array(items)) if !items.is_empty() => items,
        Some(_) => {
            let problem = format!("gives the device \"{id}\" no list of `tests`");
            return Err(raw.error(KEY, problem, "name the tests, or leave `tests` out to allow all"));
        }
    };
    items
        .iter()
        .map(|item| {
            let code = item.as_str().unwrap_or_default();
            Test::from_code(code).ok_or_else(|| {
                let problem = format!("lets the device \"{id}\" send {item}, which is no test");
                let mend = match nearest(code, Test::ALL.iter().map(|test| test.code())) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => "use the codes of foot-test, such as \"monofilament-10g\"".to_owned(),
                };
                raw.error(KEY, problem, mend)
            })
        })
        .collect()
}
