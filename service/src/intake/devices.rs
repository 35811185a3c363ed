//! What devices may send, how much of it, and how far their clocks are off.

use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use solewire_profiles::issue::Issue;
use solewire_profiles::submit::{SUBMIT_DEVICE_CLOCK, SUBMIT_DEVICE_TEST, SUBMIT_DEVICE_UNKNOWN};
use solewire_profiles::time::ExamTime;
use solewire_profiles::{Engine, PlacedResource, SubmittedExam};

use super::answer::EntryAnswer;
use super::plan::{Fate, Plan};
use super::{Intake, Refusal};
use crate::config::{Device, Devices};
use crate::store::{Commit, DeviceResults};

/// The milliseconds of a day.
const DAY: i64 = 86_400_000;

/// The devices that are known, and which of them the caller is. The caller's own says more than what a result names.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sender<'d> {
    pub(super) known: &'d Devices,
    pub(super) caller: Option<&'d str>,
}

impl<'d> Sender<'d> {
    fn device(self, body: &Value) -> Option<&'d Device> {
        let own = self.caller.and_then(|id| self.known.of_id(id));
        own.or_else(|| self.known.find(&device_name(body)?))
    }
}

/// What the devices of a submission may not send.
pub(super) fn check<'e>(
    engine: &Engine,
    devices: Sender<'_>,
    exams: impl IntoIterator<Item = &'e SubmittedExam>,
) -> Vec<Issue> {
    let resources = exams.into_iter().flat_map(|exam| &exam.resources);
    resources.filter_map(|resource| check_one(engine, devices, resource)).collect()
}

fn check_one(engine: &Engine, devices: Sender<'_>, resource: &PlacedResource) -> Option<Issue> {
    let base = pointer(resource);
    let Some(device) = devices.device(&resource.body) else {
        let named = device_name(&resource.body).is_some() || devices.caller.is_some();
        return (named && devices.known.only_registered).then(|| {
            let message = "The result comes from a device that is not registered here.";
            Issue::new(&SUBMIT_DEVICE_UNKNOWN, format!("{base}/device"), message)
        });
    };
    let test = engine.test_of(&resource.body)?;
    (!device.tests.is_empty() && !device.tests.contains(&test)).then(|| {
        let codes: Vec<&str> = device.tests.iter().map(|test| test.code()).collect();
        let message = format!("The device {} may send {} only.", device.id, codes.join(", "));
        Issue::new(&SUBMIT_DEVICE_TEST, format!("{base}/code"), message)
    })
}

/// What an Observation calls its device: an identifier with its system, else the reference.
fn device_name(body: &Value) -> Option<String> {
    let device = body.get("device")?;
    let text = |pointer: &str| device.pointer(pointer).and_then(Value::as_str);
    match (text("/identifier/system"), text("/identifier/value")) {
        (Some(system), Some(value)) => Some(format!("{system}|{value}")),
        _ => text("/reference").map(str::to_owned),
    }
}

fn pointer(resource: &PlacedResource) -> String {
    resource.entry.map(|number| format!("/entry/{number}/resource")).unwrap_or_default()
}

/// Counts what is new of each device, among `counted`, and flags with the entries what states a time that its device's
/// clock cannot have shown at its receipt.
pub(super) fn note(
    sender: Sender<'_>,
    exam: &SubmittedExam,
    plan: &Plan,
    receipt: Timestamp,
    counted: &mut Vec<DeviceResults>,
    entries: &mut [EntryAnswer],
    root: &str,
) {
    for (resource, (fate, _, _)) in exam.resources.iter().zip(&plan.fates) {
        if *fate == Fate::Unchanged {
            continue;
        }
        let Some(device) = sender.device(&resource.body) else { continue };
        if let Some(most) = device.per_day {
            count(counted, device, most, receipt);
        }
        let Some((element, off)) = off_by(&resource.body, receipt) else { continue };
        if off.abs() <= device.clock_tolerance {
            continue;
        }
        tracing::warn!(device = device.id, seconds = off.as_secs(), "a stated time is far from its receipt");
        let message = format!(
            "The stated time lies {} seconds {} its receipt, and the device {} may be off by {}. Both times are \
             kept.",
            off.as_secs().unsigned_abs(),
            if off.is_negative() { "before" } else { "after" },
            device.id,
            device.clock_tolerance.as_secs()
        );
        let issue = Issue::new(&SUBMIT_DEVICE_CLOCK, format!("{}/{element}", pointer(resource)), message);
        if let Some(entry) = entries.get_mut(resource.entry.unwrap_or(0)) {
            entry.note(&[issue], root);
        }
    }
}

impl Intake {
    /// Refuses what is over a device's quota of the day.
    pub(super) async fn within_quotas(&self, commit: &Commit) -> Result<(), Refusal> {
        for wanted in &commit.device_results {
            let so_far = self.store.device_results(&wanted.device, wanted.day).await?;
            if so_far + wanted.results > wanted.most {
                tracing::warn!(
                    device = wanted.device,
                    most = wanted.most,
                    "a device is over its quota of the day"
                );
                let left = (wanted.day + 1) * DAY - commit.at;
                return Err(Refusal::Quota { seconds: left.div_euclid(1000) + 1 });
            }
        }
        Ok(())
    }
}

fn count(counted: &mut Vec<DeviceResults>, device: &Device, most: i64, at: Timestamp) {
    let day = at.as_millisecond().div_euclid(DAY);
    match counted.iter_mut().find(|one| one.device == device.id) {
        Some(one) => one.results += 1,
        None => counted.push(DeviceResults { device: device.id.clone(), day, results: 1, most }),
    }
}

/// The element with the stated time, and how far after the receipt it lies.
fn off_by(body: &Value, at: Timestamp) -> Option<(&'static str, SignedDuration)> {
    ["effectiveDateTime", "effectiveInstant"].into_iter().find_map(|element| {
        let stated = body.get(element).and_then(Value::as_str).and_then(ExamTime::parse)?.timestamp()?;
        Some((element, stated.duration_since(at)))
    })
}
