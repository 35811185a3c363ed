//! Gives the resources of a document their exam, their id and references that hold outside of the document.

use std::collections::HashMap;

use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::document::{Entries, EntryResource, identifier_key, reference_key};
use super::places::add_local_codings;
use super::read::{body_site_of, test_of};
use super::rules::{EXAM_PANEL_MISSING, Grouping};
use super::{BodySite, CheckContext, ExamKey, GroupBy, PlacedResource, Submission, SubmittedExam, Test};
use crate::issue::Issue;
use crate::json::text;
use crate::terminology::Terminology;
use crate::time::ExamTime;

/// Resource types that are stored and sent with an exam. Every other type only gives context.
const KEPT: &[&str] = &["Observation", "Condition", "Procedure"];

/// Whether a resource is stored and sent with an exam.
pub(super) fn is_kept(resource: &Value) -> bool {
    text(resource, "resourceType").is_some_and(|name| KEPT.contains(&name))
}

/// UUIDv5 of a name in the namespace of this project.
pub(crate) fn project_uuid(name: &str) -> Uuid {
    let namespace = Uuid::new_v5(&Uuid::NAMESPACE_URL, b"https://solewire.example/fhir");
    Uuid::new_v5(&namespace, name.as_bytes())
}

/// The first identifier of a resource that has both a system and a value.
pub(super) fn logical_identifier(resource: &Value) -> Option<&Value> {
    let identifiers = resource.get("identifier").and_then(Value::as_array)?;
    identifiers.iter().find(|identifier| identifier_key(identifier).is_some())
}

/// The element in which two Observations are not the same result.
pub(crate) fn changed_identity(terminology: &Terminology, old: &Value, new: &Value) -> Option<&'static str> {
    let target = |resource: &Value, name: &str| resource.get(name).and_then(reference_key);
    let identifier = |resource| logical_identifier(resource).and_then(identifier_key);
    if test_of(terminology, old) != test_of(terminology, new) {
        Some("code")
    } else if target(old, "subject") != target(new, "subject") {
        Some("subject")
    } else if target(old, "encounter") != target(new, "encounter") {
        Some("encounter")
    } else {
        (identifier(old) != identifier(new)).then_some("identifier")
    }
}

/// The entries of each exam: the panel first, then what it lists, then what only it can own. Without a panel, the
/// results of one subject and encounter (or day).
pub(super) fn groups(
    entries: &Entries<'_>,
    tests: &[Option<Test>],
    grouping: &Grouping,
    group_by: GroupBy,
) -> Vec<Vec<usize>> {
    let kept =
        |number: usize| entries.list.get(number).is_some_and(|entry| KEPT.contains(&entry.resource_type()));
    let numbers = 0..entries.list.len();
    if let [panel] = grouping.panels.as_slice() {
        let others = numbers.filter(|number| number != panel && kept(*number));
        return vec![std::iter::once(*panel).chain(others).collect()];
    }
    if !grouping.panels.is_empty() {
        let mut groups: Vec<Vec<usize>> = grouping.panels.iter().map(|panel| vec![*panel]).collect();
        let places: HashMap<usize, usize> =
            grouping.panels.iter().enumerate().map(|(place, panel)| (*panel, place)).collect();
        for number in numbers.filter(|number| kept(*number)) {
            let Some([panel]) = grouping.listed_by.get(number).map(Vec::as_slice) else { continue };
            let group = places.get(panel).and_then(|&place| groups.get_mut(place));
            if let Some(group) = group.filter(|_| number != *panel) {
                group.push(number);
            }
        }
        return groups;
    }
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut places: HashMap<Option<String>, usize> = HashMap::new();
    for number in numbers {
        let Some(entry) = entries.list.get(number).filter(|_| tests.get(number).copied().flatten().is_some())
        else {
            continue;
        };
        let key = loose_key(entry.resource, group_by);
        let place = *places.entry(key).or_insert(groups.len());
        match groups.get_mut(place) {
            Some(group) => group.push(number),
            None => groups.push(vec![number]),
        }
    }
    if let [group] = groups.as_mut_slice() {
        // Conditions and Procedures beside the results of one exam belong to it.
        let stated =
            (0..entries.list.len()).filter(|&number| kept(number) && tests.get(number) == Some(&None));
        group.extend(stated);
    }
    groups
}

/// What names the exam of a result that has no panel.
fn loose_key(observation: &Value, group_by: GroupBy) -> Option<String> {
    let subject = observation.get("subject").and_then(reference_key)?;
    if let Some(encounter) = observation.get("encounter").and_then(reference_key) {
        return Some(format!("{subject}|{encounter}"));
    }
    match group_by {
        GroupBy::Encounter => None,
        GroupBy::SubjectAndDay => {
            let time = observation.get("effectiveDateTime").or_else(|| observation.get("effectiveInstant"));
            let date = time.and_then(Value::as_str).and_then(ExamTime::parse)?.date();
            Some(format!("{subject}|{date}"))
        }
    }
}

/// Places a document that the checks did not refuse.
pub(crate) fn submission(
    terminology: &Terminology,
    document: &Value,
    context: &CheckContext,
) -> Result<Submission, Vec<Issue>> {
    let entries = Entries::of(document);
    let tests: Vec<Option<Test>> =
        entries.list.iter().map(|entry| test_of(terminology, entry.resource)).collect();
    let grouping = Grouping::of(&entries, &tests);
    let groups = groups(&entries, &tests, &grouping, context.group_by);
    if groups.is_empty() {
        let message = "The document holds no result of a foot examination.";
        return Err(vec![Issue::new(&EXAM_PANEL_MISSING, "", message)]);
    }
    let mut keys = Vec::new();
    let mut ids: HashMap<usize, Uuid> = HashMap::new();
    for group in &groups {
        let key = exam_key(&entries, &grouping, group, context);
        let mut namer = Namer {
            terminology,
            key: &key,
            realm: context.realm,
            loose: grouping.panels.is_empty(),
            ordinals: HashMap::new(),
        };
        for &number in group {
            if let Some(entry) = entries.list.get(number) {
                ids.insert(number, namer.id_of(entry));
            }
        }
        keys.push(key);
    }
    let placer = Placer { terminology, entries: &entries, ids: &ids };
    let exams = groups
        .iter()
        .zip(keys)
        .map(|(group, key)| {
            let resources = group.iter().filter_map(|&number| placer.place(number)).collect();
            submitted_exam(&placer, &grouping, group, key, resources)
        })
        .collect();
    let context_entries = entries
        .list
        .iter()
        .enumerate()
        .filter(|(number, _)| !ids.contains_key(number))
        .filter_map(|(_, entry)| entry.entry);
    Ok(Submission { exams, context_entries: context_entries.collect() })
}

fn submitted_exam(
    placer: &Placer<'_, '_>,
    grouping: &Grouping,
    group: &[usize],
    key: ExamKey,
    resources: Vec<PlacedResource>,
) -> SubmittedExam {
    let named =
        |name: &str| resources.iter().find_map(|placed| placed.body.get(name)).and_then(reference_key);
    let panel = group.first().filter(|number| grouping.panels.contains(number));
    let panel_identifier = panel
        .and_then(|&number| placer.entries.list.get(number))
        .and_then(|entry| logical_identifier(entry.resource))
        .and_then(identifier_key);
    SubmittedExam {
        key,
        subject: named("subject").unwrap_or_default(),
        encounter: named("encounter"),
        panel_identifier,
        resources,
    }
}

fn exam_key(entries: &Entries<'_>, grouping: &Grouping, group: &[usize], context: &CheckContext) -> ExamKey {
    let Some((number, first)) = group.first().and_then(|&number| Some((number, entries.list.get(number)?)))
    else {
        return ExamKey(String::new());
    };
    let key = if grouping.panels.contains(&number) {
        logical_identifier(first.resource).and_then(identifier_key)
    } else {
        loose_key(first.resource, context.group_by)
    };
    // A panel without an identifier is refused by its profile; its content still names it for a tolerant caller.
    let key = key.unwrap_or_else(|| first.resource.to_string());
    ExamKey(match context.realm {
        Some(realm) => format!("{realm}|{key}"),
        None => key,
    })
}

/// What names one measurement of a device, apart from its value: the device and the exact time.
fn measurement(observation: &Value) -> Option<String> {
    let device = observation.get("device")?;
    let device = device.get("identifier").and_then(identifier_key).or_else(|| reference_key(device))?;
    let time =
        observation.get("effectiveDateTime").or_else(|| observation.get("effectiveInstant"))?.as_str()?;
    ExamTime::parse(time)?.timestamp()?;
    Some(format!("{device}|{time}|"))
}

struct Namer<'n> {
    terminology: &'n Terminology,
    key: &'n ExamKey,
    realm: Option<Uuid>,
    /// Whether the exam has no panel, so that its results arrive one by one.
    loose: bool,
    ordinals: HashMap<String, usize>,
}

impl Namer<'_> {
    /// The id of a resource: the one it is updated under, else from its identifier, else from what it reports in its
    /// exam. A loose result without an identifier is named by its device, its exact time, its test and its site: a
    /// resend with a corrected value is the same result. Without these it is named by its content: a resend is the
    /// same resource, another value for the same place is a second voice and not an overwrite.
    fn id_of(&mut self, entry: &EntryResource<'_>) -> Uuid {
        if entry.method == Some("PUT") {
            let named =
                entry.request_url.and_then(|url| url.rsplit('/').next()).and_then(|id| id.parse().ok());
            if let Some(id) = named {
                return id;
            }
        }
        let resource_type = entry.resource_type();
        if let Some(identifier) = logical_identifier(entry.resource).and_then(identifier_key) {
            return self.uuid(&format!("{resource_type}|{identifier}"));
        }
        let measured = if self.loose { measurement(entry.resource) } else { Some(String::new()) };
        let what = match test_of(self.terminology, entry.resource).zip(measured) {
            Some((test, measured)) => {
                let site = match body_site_of(self.terminology, entry.resource) {
                    Some(BodySite::Foot(side)) => format!("{}-foot", side.word()),
                    Some(BodySite::Sided(side, site)) => format!("{}-{}", side.word(), site.code()),
                    Some(BodySite::Unsided(site)) => site.code().to_owned(),
                    None => String::new(),
                };
                format!("{measured}{}|{site}", test.code())
            }
            None => entry.resource.to_string(),
        };
        let name = format!("{}|{resource_type}|{what}", self.key.0);
        let ordinal = self.ordinals.entry(name.clone()).and_modify(|count| *count += 1).or_insert(0);
        project_uuid(&format!("{name}|{ordinal}"))
    }

    /// The UUID of a name that does not hold the key of the exam.
    fn uuid(&self, name: &str) -> Uuid {
        match self.realm {
            Some(realm) => Uuid::new_v5(&realm, name.as_bytes()),
            None => project_uuid(name),
        }
    }
}

struct Placer<'e, 'd> {
    terminology: &'e Terminology,
    entries: &'e Entries<'d>,
    ids: &'e HashMap<usize, Uuid>,
}

impl Placer<'_, '_> {
    fn place(&self, number: usize) -> Option<PlacedResource> {
        let entry = self.entries.list.get(number)?;
        let id = *self.ids.get(&number)?;
        let Value::Object(resource) = entry.resource else { return None };
        let mut body = Map::with_capacity(resource.len() + 1);
        body.insert("resourceType".to_owned(), json!(entry.resource_type()));
        body.insert("id".to_owned(), json!(id));
        for (name, value) in resource {
            if name != "resourceType" && name != "id" {
                body.insert(name.clone(), self.with_outer_references(entry, value));
            }
        }
        let mut body = Value::Object(body);
        add_local_codings(self.terminology, &mut body);
        Some(PlacedResource { entry: entry.entry, resource_type: entry.resource_type().to_owned(), id, body })
    }

    /// A copy of a value in which references to entries of the document hold outside of it: `Type/id` for what is
    /// kept, the identifier for what only gives context.
    fn with_outer_references(&self, from: &EntryResource<'_>, value: &Value) -> Value {
        match value {
            Value::Object(map) => {
                if let Some(replaced) = self.outer_reference(from, map) {
                    return replaced;
                }
                let copy =
                    |(key, child): (&String, &Value)| (key.clone(), self.with_outer_references(from, child));
                Value::Object(map.iter().map(copy).collect())
            }
            Value::Array(items) => {
                Value::Array(items.iter().map(|item| self.with_outer_references(from, item)).collect())
            }
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => value.clone(),
        }
    }

    fn outer_reference(&self, from: &EntryResource<'_>, reference: &Map<String, Value>) -> Option<Value> {
        let literal = reference.get("reference")?.as_str()?;
        let number = self.entries.number_of(from, literal)?;
        let target = self.entries.list.get(number)?;
        let mut out = reference.clone();
        if let Some(id) = self.ids.get(&number) {
            out.insert("reference".to_owned(), json!(format!("{}/{id}", target.resource_type())));
            return Some(Value::Object(out));
        }
        out.shift_remove("reference");
        out.insert("type".to_owned(), json!(target.resource_type()));
        match logical_identifier(target.resource) {
            Some(identifier) => {
                let mut logical = Map::new();
                for name in ["system", "value"] {
                    if let Some(part) = identifier.get(name) {
                        logical.insert(name.to_owned(), part.clone());
                    }
                }
                out.insert("identifier".to_owned(), Value::Object(logical));
            }
            None => {
                out.entry("display").or_insert_with(|| json!("not identified"));
            }
        }
        Some(Value::Object(out))
    }
}
