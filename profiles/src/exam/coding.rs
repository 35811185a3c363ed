//! Codes that no profile judges: those of a device that no map covers, and those that nothing here knows.

use std::collections::BTreeSet;

use serde_json::{Map, Value, json};

use super::places::{CodedPlace, coded_places};
use super::read::test_of;
use super::submission::is_kept;
use super::units::UCUM;
use crate::definitions::BaseTables;
use crate::issue::{Issue, Severity};
use crate::json::{Trail, get, member, push_pointer, text};
use crate::terminology::{
    CodingSense, LocalSystem, Resolved, TERMINOLOGY_NOT_CHECKED, TERMINOLOGY_UNKNOWN_CODE,
    TERMINOLOGY_UNMAPPED_CODE, Terminology, codings,
};

/// Codes of R4 that are read here although no element requires them (HL7 FHIR R4: `observation-category`,
/// `data-absent-reason`).
const READ_HERE: &[(&str, &[&str])] = &[
    (
        "http://terminology.hl7.org/CodeSystem/observation-category",
        &[
            "social-history",
            "vital-signs",
            "imaging",
            "laboratory",
            "procedure",
            "survey",
            "exam",
            "therapy",
            "activity",
        ],
    ),
    (
        "http://terminology.hl7.org/CodeSystem/data-absent-reason",
        &[
            "unknown",
            "asked-unknown",
            "temp-unknown",
            "not-asked",
            "asked-declined",
            "masked",
            "not-applicable",
            "unsupported",
            "as-text",
            "error",
            "not-a-number",
            "negative-infinity",
            "positive-infinity",
            "not-performed",
            "not-permitted",
        ],
    ),
];

/// Looks at the codes of the resources that are stored and sent. Issues are not placed yet.
pub(crate) fn check_codes(terminology: &Terminology, tables: &BaseTables, document: &Value) -> Vec<Issue> {
    let mut look =
        Look { terminology, tables, told: BTreeSet::new(), here: Trail::default(), issues: Vec::new() };
    if text(document, "resourceType") != Some("Bundle") {
        look.resource(document);
        return look.issues;
    }
    let entries = get(document, "entry").and_then(Value::as_array).into_iter().flatten();
    for (number, entry) in entries.enumerate() {
        if let Some(resource) = get(entry, "resource") {
            look.here = Trail::default();
            look.here.property("entry");
            look.here.item(number);
            look.here.property("resource");
            look.resource(resource);
        }
    }
    look.issues
}

struct Look<'l, 'd> {
    terminology: &'l Terminology,
    tables: &'l BaseTables,
    /// Code systems that were already said to be unchecked.
    told: BTreeSet<String>,
    /// The way to what is looked at.
    here: Trail<'d>,
    issues: Vec<Issue>,
}

impl<'d> Look<'_, 'd> {
    fn resource(&mut self, resource: &'d Value) {
        if !is_kept(resource) {
            return;
        }
        if self.terminology.has_device_systems() {
            self.unmapped(resource);
        }
        self.unknown(resource);
    }

    /// Codes of a device in an Observation of the exam. Where the code of the test itself is one, nobody can tell
    /// whether the Observation belongs to the exam; it is not let go as though it did not.
    fn unmapped(&mut self, resource: &Value) {
        if text(resource, "resourceType") != Some("Observation") {
            return;
        }
        let of_exam = test_of(self.terminology, resource).is_some()
            || !self.unmapped_codings(resource, &CodedPlace::test()).is_empty();
        for place in coded_places(resource) {
            if of_exam || place.is_test() {
                let readable = self.readable(resource, &place);
                for (number, coding) in self.unmapped_codings(resource, &place) {
                    let at = format!("{}{}/coding/{number}", self.here.pointer(), place.pointer);
                    let message =
                        format!("No map covers this code of a device; it stands for {}.", place.meaning());
                    let mut issue = Issue::new(&TERMINOLOGY_UNMAPPED_CODE, at, message).value(&coding);
                    if readable {
                        issue.severity = Severity::Warning;
                    }
                    self.issues.push(issue);
                }
            }
        }
    }

    fn readable(&self, resource: &Value, place: &CodedPlace) -> bool {
        let Some(concept) = resource.pointer(&place.pointer) else { return false };
        place.systems.iter().any(|&system| self.terminology.resolve(system, concept) != Resolved::Unknown)
    }

    /// System and code of each coding of a device that stands for nothing at this place, with its number.
    fn unmapped_codings(&self, resource: &Value, place: &CodedPlace) -> Vec<(usize, Value)> {
        let Some(concept) = resource.pointer(&place.pointer) else { return Vec::new() };
        codings(concept)
            .filter_map(|(number, coding)| {
                let (of, code) = (text(coding, "system")?, text(coding, "code")?);
                let says_nothing =
                    |system: &LocalSystem| self.terminology.sense(*system, coding) == CodingSense::Foreign;
                let unmapped =
                    self.terminology.is_device_system(of) && place.systems.iter().all(says_nothing);
                unmapped.then(|| Some((number?, json!({ "system": of, "code": code }))))?
            })
            .collect()
    }

    /// Says of each code that its system lacks, and once for each code system that is not loaded, at its first code
    /// that nothing knows.
    fn unknown(&mut self, value: &'d Value) {
        match value {
            Value::Array(items) => {
                for (number, item) in items.iter().enumerate() {
                    if item.is_object() {
                        self.here.item(number);
                        self.unknown(item);
                        self.here.back();
                    }
                }
            }
            Value::Object(object) => {
                self.coding(object);
                for (name, part) in object {
                    // Labels of handling say nothing about the exam.
                    if (part.is_object() || part.is_array()) && name != "meta" {
                        self.here.property(name);
                        self.unknown(part);
                        self.here.back();
                    }
                }
            }
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }

    fn coding(&mut self, value: &Map<String, Value>) {
        let text = |name: &str| member(value, name).and_then(Value::as_str);
        let (Some(system), Some(code)) = (text("system"), text("code")) else { return };
        // A Quantity has a system and a code too; units are checked as such.
        if system == UCUM || member(value, "value").is_some() {
            return;
        }
        if self.terminology.is_device_system(system) {
            return;
        }
        if self.terminology.lacks(system, code) {
            let message = "The code system of this coding is loaded here and has no such code.";
            let at = push_pointer(&self.here.pointer(), "code");
            let mut issue = Issue::new(&TERMINOLOGY_UNKNOWN_CODE, at, message);
            if let Some(near) = self.terminology.nearest_code(system, code) {
                issue = issue.mend(format!("Did you mean `{near}`?"));
            }
            self.issues.push(issue.value(&json!(code)));
            return;
        }
        let read_here = READ_HERE.iter().any(|(of, codes)| *of == system && codes.contains(&code));
        if read_here
            || self.terminology.knows(system, code)
            || self.tables.lists(system, code)
            || self.told.contains(system)
        {
            return;
        }
        self.told.insert(system.to_owned());
        let message = "This code system is not loaded here, so its codes were not checked in this document.";
        let issue =
            Issue::new(&TERMINOLOGY_NOT_CHECKED, push_pointer(&self.here.pointer(), "system"), message);
        self.issues.push(issue.value(&json!(system)));
    }
}
