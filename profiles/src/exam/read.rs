//! Resources to [`FootExam`], with the issues that reading raises.

use std::collections::BTreeMap;
use std::str::FromStr;

use rust_decimal::Decimal;
use serde_json::Value;

use super::document::same_target;
use super::rules::{
    EXAM_NOT_COUNTED, EXAM_RANGE, EXAM_RATIO, EXAM_RESULT_AND_REASON, EXAM_RESULT_MISSING,
    EXAM_SIDE_CONFLICT, EXAM_SITE_CONTRADICTION, EXAM_TIME_OFFSET, EXAM_UNIT,
};
use super::units::{self, Conversion, UCUM, UnitSense};
use super::{
    BodySite, FootExam, Item, Key, Laterality, Measured, Outcome, PanelStatus, Part, Reading, ResultCode,
    Site, Source, Test, Ulcer,
};
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::issue::Issue;
use crate::json::{get, text};
use crate::terminology::{LocalSystem, Resolved, Terminology};
use crate::time::ExamTime;

/// A resource to read, with how others refer to it and where it stands in its document.
#[derive(Debug, Clone)]
pub(crate) struct SourceResource<'d> {
    pub(crate) reference: String,
    pub(crate) pointer: String,
    pub(crate) value: &'d Value,
}

/// Reads the resources of one exam.
pub(crate) fn read(terminology: &Terminology, resources: &[SourceResource<'_>]) -> (FootExam, Vec<Issue>) {
    let exam = FootExam {
        subject: None,
        encounter: None,
        time: None,
        time_text: None,
        panel: PanelStatus::NoPanel,
        performer: None,
        sources: Vec::new(),
        entries: BTreeMap::new(),
        ulcers: Vec::new(),
    };
    let mut reader = Reader { terminology, exam, issues: Vec::new() };
    for resource in resources {
        reader.resource(resource);
    }
    reader.report_contradictions();
    // What follows must not depend on which of two results came first.
    for entry in reader.exam.entries.values_mut() {
        entry.readings.sort_by_key(|reading| reading.outcome);
        entry.not_tested.sort();
    }
    (reader.exam, reader.issues)
}

/// The test that an Observation reports, if it is one of the exam.
pub(crate) fn test_of(terminology: &Terminology, observation: &Value) -> Option<Test> {
    if text(observation, "resourceType") != Some("Observation") {
        return None;
    }
    code(terminology, LocalSystem::FootTest, get(observation, "code")?).and_then(Test::from_code)
}

/// The body site of an Observation, if it has one that is known.
pub(crate) fn body_site_of(terminology: &Terminology, observation: &Value) -> Option<BodySite> {
    code(terminology, LocalSystem::FootSite, get(observation, "bodySite")?).and_then(BodySite::from_code)
}

fn code<'t>(terminology: &'t Terminology, system: LocalSystem, concept: &Value) -> Option<&'t str> {
    match terminology.resolve(system, concept) {
        Resolved::Code(code) => Some(code),
        Resolved::Conflict(_) | Resolved::Unknown => None,
    }
}

/// The history item or active problem that a Condition or Procedure states, if it states one as present.
fn stated_item(terminology: &Terminology, resource: &Value) -> Option<Item> {
    let resource_type = resource.get("resourceType").and_then(Value::as_str)?;
    let codes = |pointer: &str| -> Vec<&str> {
        resource
            .pointer(pointer)
            .and_then(Value::as_array)
            .map(|codings| {
                codings.iter().filter_map(|coding| coding.get("code").and_then(Value::as_str)).collect()
            })
            .unwrap_or_default()
    };
    let item = code(terminology, LocalSystem::FootTest, resource.get("code")?).and_then(Item::from_code)?;
    match resource_type {
        "Condition" => {
            let verification = codes("/verificationStatus/coding");
            if verification.iter().any(|code| ["refuted", "entered-in-error"].contains(code)) {
                return None;
            }
            let clinical = codes("/clinicalStatus/coding");
            let over = clinical.iter().any(|code| ["inactive", "remission", "resolved"].contains(code));
            // An ulcer that is over is a previous one.
            if item == Item::ActiveUlcer && over {
                return Some(Item::PreviousUlcer);
            }
            let counts = Item::HISTORY.contains(&item) || (Item::ACTIVE_PROBLEMS.contains(&item) && !over);
            counts.then_some(item)
        }
        "Procedure" => {
            let status = resource.get("status").and_then(Value::as_str)?;
            (["completed", "in-progress"].contains(&status) && Item::HISTORY.contains(&item)).then_some(item)
        }
        _ => None,
    }
}

const RIGHT: Decimal = Decimal::TWO;
const ASKED: Decimal = Decimal::from_parts(3, 0, 0, false, 0);

/// The clinical values that reading an exam rests on.
pub(crate) const VALUES: &[ClinicalValue] = &[
    ClinicalValue {
        id: "right-answers",
        number: Some(RIGHT),
        unit: "",
        meaning: "so many right answers of every three questions, one of them a sham: felt",
        source: "IWGDF sensory addendum",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "questions-asked",
        number: Some(ASKED),
        unit: "",
        meaning: "so many questions at a site at the least",
        source: "IWGDF sensory addendum",
        certainty: Certainty::Primary,
    },
    ClinicalValue {
        id: "plausible-bounds",
        number: None,
        unit: "",
        meaning: "the bounds outside of which a number cannot be a measurement, which refuse an exam",
        source: "common practice",
        certainty: Certainty::CommonPractice,
    },
];

/// Bounds outside of which a number cannot be a measurement of the thing (common practice, no source).
fn plausible(test: Test, part: Part) -> Option<(u32, u32)> {
    match (test, part) {
        (Test::VibrationThreshold, _) => Some((0, 100)),
        (Test::Vibration128Hz, _) => Some((0, 60)),
        (Test::CapillaryRefill, _) => Some((0, 60)),
        (Test::SystolicPressure, _) => Some((0, 350)),
        (Test::AnkleBrachialIndex | Test::ToeBrachialIndex, _) => Some((0, 4)),
        (Test::Tcpo2, _) => Some((0, 200)),
        (Test::SkinTemperature, _) => Some((10, 45)),
        (Test::Egfr, _) => Some((0, 250)),
        (Test::Ulcer, Part::Item(Item::UlcerArea) | Part::ItemAt(Item::UlcerArea, _)) => Some((0, 1000)),
        (Test::Ulcer, Part::Item(Item::UlcerDuration) | Part::ItemAt(Item::UlcerDuration, _)) => {
            Some((0, 36500))
        }
        _ => None,
    }
}

struct Reader<'t> {
    terminology: &'t Terminology,
    exam: FootExam,
    issues: Vec<Issue>,
}

/// Where the reading of an Observation has come to.
#[derive(Clone, Copy)]
struct Place {
    test: Test,
    side: Option<Laterality>,
    site: Option<Site>,
    source: usize,
}

impl Reader<'_> {
    fn resource(&mut self, resource: &SourceResource<'_>) {
        let source = self.exam.sources.len();
        self.exam.sources.push(Source { reference: resource.reference.clone(), counts: false });
        let counts = match text(resource.value, "resourceType") {
            Some("Observation") => self.observation(resource, source),
            Some("Condition" | "Procedure") => self.stated(resource, source),
            _ => false,
        };
        if let Some(source) = self.exam.sources.get_mut(source) {
            source.counts = counts;
        }
    }

    fn observation(&mut self, resource: &SourceResource<'_>, source: usize) -> bool {
        let (value, pointer) = (resource.value, resource.pointer.as_str());
        let Some(test) = test_of(self.terminology, value) else { return false };
        let status = text(value, "status").unwrap_or_default();
        self.time(test, value, pointer, status);
        if test == Test::FootExam {
            self.panel(value, status);
            return false;
        }
        if self.exam.subject.is_none() {
            self.exam.subject = value.get("subject").cloned();
            self.exam.encounter = value.get("encounter").cloned();
        }
        if !["final", "preliminary", "amended", "corrected"].contains(&status) {
            let message = "This result does not count: its status says that it is withdrawn, cancelled or not there yet.";
            self.issues.push(Issue::new(&EXAM_NOT_COUNTED, format!("{pointer}/status"), message));
            return false;
        }
        let body_site = body_site_of(self.terminology, value);
        let site = match body_site {
            Some(BodySite::Sided(_, site) | BodySite::Unsided(site)) => Some(site),
            Some(BodySite::Foot(_)) | None => None,
        };
        let place = Place { test, side: body_site.and_then(BodySite::side), site, source };
        let components = value.get("component").and_then(Value::as_array);
        if test == Test::Ulcer && (components.is_some() || value.get("dataAbsentReason").is_none()) {
            self.exam.ulcers.push(Ulcer { site: body_site, source });
            let key =
                Key { test: Test::ActiveProblem, side: place.side, part: Part::Item(Item::ActiveUlcer) };
            self.add(key, Outcome::Code(ResultCode::Present), source, pointer);
        }
        match components {
            Some(components) => {
                for (number, component) in components.iter().enumerate() {
                    self.component(place, component, &format!("{pointer}/component/{number}"));
                }
            }
            None if test == Test::Ulcer => {}
            None => {
                let part = site.map_or(Part::Whole, Part::Site);
                self.result(Key { test, side: place.side, part }, value, pointer, source);
            }
        }
        true
    }

    fn panel(&mut self, value: &Value, status: &str) {
        self.exam.panel = match status {
            "final" => PanelStatus::Final,
            "preliminary" => PanelStatus::Preliminary,
            "amended" => PanelStatus::Amended,
            "corrected" => PanelStatus::Corrected,
            "entered-in-error" => PanelStatus::EnteredInError,
            _ => PanelStatus::NotCounted,
        };
        self.exam.subject = value.get("subject").cloned();
        self.exam.encounter = value.get("encounter").cloned();
        self.exam.performer = value.pointer("/performer/0").cloned();
    }

    fn time(&mut self, test: Test, value: &Value, pointer: &str, status: &str) {
        let name =
            if value.get("effectiveInstant").is_some() { "effectiveInstant" } else { "effectiveDateTime" };
        let Some(text) = value.get(name).and_then(Value::as_str) else { return };
        let Some(time) = ExamTime::parse(text) else {
            let message =
                "The time of the examination is not exact: it needs a date, a time and an offset from UTC.";
            self.issues.push(Issue::new(&EXAM_TIME_OFFSET, format!("{pointer}/{name}"), message));
            return;
        };
        let is_panel = test == Test::FootExam;
        let panel_spoke = self.exam.panel != PanelStatus::NoPanel;
        let withdrawn = status == "entered-in-error" && !is_panel;
        let later = self.exam.time.is_none_or(|known| known.timestamp() < time.timestamp());
        if is_panel || (!panel_spoke && !withdrawn && later) {
            self.exam.time = Some(time);
            self.exam.time_text = Some(text.to_owned());
        }
    }

    fn component(&mut self, place: Place, component: &Value, pointer: &str) {
        let Some(concept) = get(component, "code") else { return };
        let key = |part| Key { test: place.test, side: place.side, part };
        if let Some(item) = code(self.terminology, LocalSystem::FootTest, concept).and_then(Item::from_code) {
            let part = match place.site {
                Some(site) if matches!(place.test, Test::Skin | Test::Ulcer) => Part::ItemAt(item, site),
                _ => Part::Item(item),
            };
            self.result(key(part), component, pointer, place.source);
            return;
        }
        match code(self.terminology, LocalSystem::FootSite, concept).and_then(BodySite::from_code) {
            Some(BodySite::Unsided(site)) => {
                self.result(key(Part::Site(site)), component, pointer, place.source)
            }
            Some(BodySite::Sided(side, _) | BodySite::Foot(side)) if Some(side) != place.side => {
                let message = format!(
                    "The component is about the {} foot, the Observation around it is not.",
                    side.word()
                );
                self.issues.push(Issue::new(&EXAM_SIDE_CONFLICT, format!("{pointer}/code"), message));
            }
            Some(BodySite::Sided(_, site)) => {
                self.result(key(Part::Site(site)), component, pointer, place.source);
            }
            // The code stands for nothing here; the profile of the test says so.
            Some(BodySite::Foot(_)) | None => self.report_unless_one(component, pointer),
        }
    }

    /// A result or a reason why there is none: one of them, and not both.
    fn report_unless_one(&mut self, holder: &Value, pointer: &str) {
        let has_value = holder
            .as_object()
            .is_some_and(|map| map.keys().any(|key| key.trim_start_matches('_').starts_with("value")));
        match (has_value, get(holder, "dataAbsentReason").is_some()) {
            (false, false) => {
                let message = "There is neither a result nor a reason why there is none.";
                self.issues.push(Issue::new(&EXAM_RESULT_MISSING, pointer, message));
            }
            // On the Observation itself this breaks obs-6 of R4, which says nothing of components.
            (true, true) if pointer.contains("/component/") => {
                let message = "The component has a result and a reason why there is none.";
                self.issues.push(Issue::new(&EXAM_RESULT_AND_REASON, pointer, message));
            }
            _ => {}
        }
    }

    fn result(&mut self, key: Key, holder: &Value, pointer: &str, source: usize) {
        self.report_unless_one(holder, pointer);
        if let Some(reason) = get(holder, "dataAbsentReason") {
            let reason =
                reason.pointer("/coding/0/code").and_then(Value::as_str).unwrap_or("unknown").to_owned();
            self.exam.entries.entry(key).or_default().not_tested.push((reason, source));
            // Which of the two is meant nobody can tell, so a result beside a reason counts for nothing.
            return;
        }
        if let Some(outcome) = self.outcome(key, holder, pointer) {
            self.add(key, outcome, source, pointer);
        }
    }

    fn outcome(&mut self, key: Key, holder: &Value, pointer: &str) -> Option<Outcome> {
        if let Some(concept) = get(holder, "valueCodeableConcept") {
            let code = code(self.terminology, LocalSystem::FootResult, concept)?;
            return ResultCode::from_code(code).map(Outcome::Code);
        }
        if let Some(ratio) = get(holder, "valueRatio") {
            return self.ratio(ratio, &format!("{pointer}/valueRatio"));
        }
        let quantity = get(holder, "valueQuantity")?;
        let value = get(quantity, "value")?;
        let convert =
            self.unit(units::unit(key.test, key.part), quantity, &format!("{pointer}/valueQuantity"))?;
        let (low, high) = plausible(key.test, key.part).unwrap_or((0, u32::MAX));
        // A number too large or too fine to be held exactly is no measurement either.
        let number = decimal(value)
            .and_then(|number| convert.map_or(Some(number), |conversion| conversion.apply(number)))
            .filter(|number| *number >= Decimal::from(low) && *number <= Decimal::from(high));
        let Some(number) = number else {
            let unit = units::unit(key.test, key.part).unwrap_or_default();
            let message = format!(
                "The number lies outside of {low} to {high} {unit}, so it cannot be this measurement."
            );
            self.issues.push(
                Issue::new(&EXAM_RANGE, format!("{pointer}/valueQuantity/value"), message).value(value),
            );
            return None;
        };
        let measured = match quantity.get("comparator").and_then(Value::as_str) {
            None => Measured::exactly(number),
            Some(sign @ ("<" | "<=")) => {
                Measured { at_least: None, at_most: Some(number), beyond: sign == "<" }
            }
            Some(sign @ (">" | ">=")) => {
                Measured { at_least: Some(number), at_most: None, beyond: sign == ">" }
            }
            Some(_) => return None,
        };
        Some(Outcome::Measured(measured))
    }

    /// How to read a number in the unit of its test: as it is, or converted. None when it cannot be read; a unit that
    /// the test does not take is left to the profile of the test to report.
    fn unit(
        &mut self,
        wanted: Option<&'static str>,
        quantity: &Value,
        pointer: &str,
    ) -> Option<Option<&'static Conversion>> {
        if text(quantity, "system") != Some(UCUM) {
            return None;
        }
        let code = text(quantity, "code")?;
        let (message, mend) = match units::judge(code, wanted) {
            UnitSense::Same => return Some(None),
            UnitSense::Convertible(conversion) => return Some(Some(conversion)),
            UnitSense::Other => return None,
            UnitSense::Percent => (
                "A ratio is sent as a percentage; read as a plain ratio it would be a hundred times too large.",
                "Divide the number by 100 and send it with the unit `1`.".to_owned(),
            ),
            UnitSense::Malformed => (
                "The code of the unit is no UCUM code; a label for people belongs in `unit`.",
                wanted.map_or_else(
                    || EXAM_UNIT.mend.to_owned(),
                    |wanted| format!("Send the number in the unit `{wanted}`, with exactly this code."),
                ),
            ),
        };
        let issue = Issue::new(&EXAM_UNIT, format!("{pointer}/code"), message).mend(mend);
        self.issues.push(issue.value(quantity.get("code").unwrap_or(&Value::Null)));
        None
    }

    fn ratio(&mut self, ratio: &Value, pointer: &str) -> Option<Outcome> {
        for name in ["numerator", "denominator"] {
            let Some(count) = ratio.get(name) else { continue };
            let of_ucum = count.get("system").and_then(Value::as_str) == Some(UCUM);
            let percent_or_malformed = count.get("code").and_then(Value::as_str).is_some_and(|code| {
                matches!(units::judge(code, Some("1")), UnitSense::Percent | UnitSense::Malformed)
            });
            if of_ucum && percent_or_malformed {
                self.unit(Some("1"), count, &format!("{pointer}/{name}"));
                return None;
            }
        }
        let Some(felt) = two_of_three(ratio) else {
            let message = "The Ratio is not a count of right answers out of at least three questions.";
            self.issues.push(Issue::new(&EXAM_RATIO, pointer, message));
            return None;
        };
        Some(Outcome::Code(if felt { ResultCode::Felt } else { ResultCode::NotFelt }))
    }

    fn stated(&mut self, resource: &SourceResource<'_>, source: usize) -> bool {
        let Some(item) = stated_item(self.terminology, resource.value) else { return false };
        let about_another = match (&self.exam.subject, resource.value.get("subject")) {
            (Some(ours), Some(theirs)) => !same_target(ours, theirs),
            _ => false,
        };
        if about_another {
            return false;
        }
        let test = if Item::ACTIVE_PROBLEMS.contains(&item) { Test::ActiveProblem } else { Test::History };
        let key = Key { test, side: None, part: Part::Item(item) };
        self.add(key, Outcome::Code(ResultCode::Present), source, &resource.pointer);
        true
    }

    fn add(&mut self, key: Key, outcome: Outcome, source: usize, pointer: &str) {
        let reading = Reading { outcome, source, pointer: pointer.to_owned() };
        self.exam.entries.entry(key).or_default().readings.push(reading);
    }

    fn report_contradictions(&mut self) {
        // Two ulcers in one zone are two ulcers: their descriptions differ without contradicting each other.
        let entries = self.exam.entries.iter().filter(|(key, _)| key.test != Test::Ulcer);
        for (_, entry) in entries.filter(|(_, entry)| entry.contradicts_itself()) {
            let Some(first) = entry.readings.first() else { continue };
            for other in entry.readings.iter().filter(|other| other.outcome != first.outcome) {
                let message = "The same place has two different results in this exam; the more cautious one is used \
                               until one of them is corrected.";
                self.issues.push(Issue::new(&EXAM_SITE_CONTRADICTION, other.pointer.clone(), message));
            }
        }
    }
}

/// Whether enough answers are right; none when the Ratio does not count answers.
fn two_of_three(ratio: &Value) -> Option<bool> {
    let number = |name: &str| ratio.pointer(&format!("/{name}/value")).and_then(decimal);
    let (right, asked) = (number("numerator")?, number("denominator")?);
    let whole = right.fract().is_zero() && asked.fract().is_zero();
    if !whole || right.is_sign_negative() || right > asked || asked < ASKED {
        return None;
    }
    // Counts too large to multiply count nothing.
    Some(right.checked_mul(ASKED)? >= asked.checked_mul(RIGHT)?)
}

fn decimal(value: &Value) -> Option<Decimal> {
    let Value::Number(number) = value else { return None };
    let text = number.to_string();
    Decimal::from_str(&text).or_else(|_| Decimal::from_scientific(&text)).ok()
}
