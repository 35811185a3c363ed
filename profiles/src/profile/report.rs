//! From an error of a compiled schema to the issues it stands for.

use std::collections::HashMap;

use serde_json::Value;

use super::coded::{self, BoundSet, Verdict};
use super::compile::{Check, Rule};
use super::definition::Definition;
use super::keywords::{Lookup, ReferenceType, reference_type};
use super::rules;
use crate::issue::Issue;
use crate::json::push_pointer;
use crate::nearest::nearest;
use crate::terminology::{LocalSystem, Resolved, codings};

/// A value set with more members than this is not listed in a message.
const LISTED: usize = 12;

/// What a resource's references can lead to beside other servers.
#[derive(Debug, Default)]
pub(super) struct Surroundings<'d> {
    /// `fullUrl` of the entries of the Bundle to resource types.
    pub(super) entries: HashMap<&'d str, &'d str>,
}

impl Surroundings<'_> {
    /// The type of the resource that a reference inside the document leads to.
    fn type_of<'s>(&'s self, reference: &str, resource: &'s Value) -> Option<&'s str> {
        let Some(id) = reference.strip_prefix('#') else { return self.entries.get(reference).copied() };
        let mut contained = resource.get("contained").and_then(Value::as_array).into_iter().flatten();
        let inner = contained.find(|inner| inner.get("id").and_then(Value::as_str) == Some(id))?;
        inner.get("resourceType").and_then(Value::as_str)
    }
}

/// Where and against what a rule failed.
pub(super) struct Failure<'f> {
    pub(super) profile: &'f Definition,
    pub(super) rule: &'f Rule,
    /// Pointer to the value at fault, from the root of the document.
    pub(super) pointer: String,
    pub(super) value: &'f Value,
    /// The resource that holds it.
    pub(super) resource: &'f Value,
}

impl Failure<'_> {
    fn says(&self) -> String {
        format!("profile `{}`, element {}", self.profile.name, self.rule.element)
    }

    /// The issues of this failure. None where the surroundings show that all is well.
    pub(super) fn report(&self, lookup: &Lookup, around: &Surroundings<'_>, issues: &mut Vec<Issue>) {
        let says = self.says();
        match &self.rule.check {
            Check::Required(name) => {
                let message = format!("`{name}` is missing; {says} requires it.");
                let mend = format!("Add `{name}`.");
                let pointer = push_pointer(&self.pointer, name.strip_suffix("[x]").unwrap_or(name));
                issues.push(Issue::new(&rules::PROFILE_REQUIRED, pointer, message).mend(mend));
            }
            Check::Forbidden => {
                let message = format!("This element has no place here; {says} allows none.");
                let issue = Issue::new(&rules::PROFILE_CARDINALITY, &self.pointer, message);
                issues.push(issue.mend("Remove the element."));
            }
            Check::AtLeast(least) => {
                let message = format!("There are too few; {says} requires at least {least}.");
                issues.push(Issue::new(&rules::PROFILE_CARDINALITY, &self.pointer, message));
            }
            Check::AtMost(most) => {
                let message = format!("There are too many; {says} allows {most}.");
                issues.push(Issue::new(&rules::PROFILE_CARDINALITY, &self.pointer, message));
            }
            Check::Types(allowed) => {
                let message =
                    format!("The value has another type than {says} allows: {}.", allowed.join(", "));
                issues.push(Issue::new(&rules::PROFILE_TYPE, &self.pointer, message).value(self.value));
            }
            Check::Fixed(wanted) => {
                let message = format!("The value differs from the fixed one; {says} fixes it as {wanted}.");
                issues.push(Issue::new(&rules::PROFILE_FIXED, &self.pointer, message).value(self.value));
            }
            Check::Pattern(wanted) => self.pattern(lookup, wanted, issues),
            Check::Binding { set, extensible } => self.binding(lookup, set, *extensible, issues),
            Check::Targets(targets) => self.target(targets, around, issues),
            Check::Slice { name, least, most } => {
                let most = most.map_or_else(|| "any number".to_owned(), |most| most.to_string());
                let message = format!(
                    "The number of items that are the slice `{name}` is wrong; {says} allows {least} to {most}."
                );
                issues.push(Issue::new(&rules::PROFILE_CARDINALITY, &self.pointer, message));
            }
            Check::Closed(names) => {
                let message =
                    format!("The item is none of the slices that {says} allows: {}.", names.join(", "));
                issues
                    .push(Issue::new(&rules::PROFILE_CARDINALITY, &self.pointer, message).value(self.value));
            }
        }
    }

    fn pattern(&self, lookup: &Lookup, wanted: &Value, issues: &mut Vec<Issue>) {
        let says = self.says();
        for mismatch in coded::mismatches(&lookup.terminology, wanted, self.value) {
            let pointer = format!("{}{}", self.pointer, mismatch.pointer);
            let at = self.value.pointer(&mismatch.pointer).unwrap_or(self.value);
            let issue = match mismatch.missing {
                Some(name) => {
                    let message = format!("`{name}` is missing; {says} asks for {}.", mismatch.wanted);
                    let mend = format!("Add `{name}` as {}.", mismatch.wanted);
                    Issue::new(&rules::PROFILE_PATTERN, pointer, message).mend(mend)
                }
                None => {
                    let message = format!("The value does not match; {says} asks for {}.", mismatch.wanted);
                    let mend = format!("Use {}.", mismatch.wanted);
                    Issue::new(&rules::PROFILE_PATTERN, pointer, message).mend(mend).value(at)
                }
            };
            issues.push(issue);
        }
    }

    fn binding(&self, lookup: &Lookup, set: &BoundSet, extensible: bool, issues: &mut Vec<Issue>) {
        let verdict = coded::judge(&lookup.terminology, set, self.value);
        let (fault, what) = match verdict {
            Verdict::Member => return,
            Verdict::Conflict(coding) => (coding, "The codings stand for different codes".to_owned()),
            Verdict::UnknownLocal(coding, system) => (coding, format!("The code is not in {}", system.url())),
            Verdict::Outside(coding) => (coding, "The code is not in the value set".to_owned()),
            Verdict::Uncoded => (None, "There is no code".to_owned()),
        };
        // Two codings that disagree, or a code that does not exist, are never a matter of choice.
        let severe = matches!(verdict, Verdict::Conflict(_) | Verdict::UnknownLocal(..));
        let rule =
            if extensible && !severe { &rules::PROFILE_BINDING_EXTENSIBLE } else { &rules::PROFILE_BINDING };
        let strength = if extensible { "extensible" } else { "required" };
        let title = if set.title.is_empty() { String::new() } else { format!("\"{}\" ", set.title) };
        let mut message = format!("{what}; {} binds it to {title}{} ({strength}).", self.says(), set.url);
        let codes: Vec<&str> = set.members.iter().map(|(_, code)| code.as_ref()).collect();
        if codes.len() <= LISTED {
            message.push_str(&format!(" Allowed: {}.", codes.join(", ")));
        }
        let pointer = match fault {
            Some(number) => format!("{}/coding/{number}", self.pointer),
            None => match uncoded_part(set, self.value) {
                Some(part) => push_pointer(&self.pointer, part),
                None => self.pointer.clone(),
            },
        };
        let at =
            fault.and_then(|number| self.value.pointer(&format!("/coding/{number}"))).unwrap_or(self.value);
        let mut issue = Issue::new(rule, pointer, message).value(at);
        if let Verdict::Conflict(_) = verdict {
            issue = issue.mend("Keep the coding that is meant and remove the other.");
        } else if let Some([left, right]) = self.sided(lookup, set) {
            issue = issue.mend(format!("Say which foot: `{left}` or `{right}`."));
        } else if let Some(code) = given_code(at).and_then(|code| nearest(code, codes.iter().copied())) {
            issue = issue.mend(format!("Use a code of the value set; the nearest is `{code}`."));
        }
        issues.push(issue);
    }

    /// The two members that name the site of this value with its side, where only the side is missing.
    fn sided<'s>(&self, lookup: &Lookup, set: &'s BoundSet) -> Option<[&'s str; 2]> {
        let Resolved::Code(site) = lookup.terminology.resolve(LocalSystem::FootSite, self.value) else {
            return None;
        };
        let member = |side: &str| {
            let (_, code) = set.members.iter().find(|(_, code)| {
                code.strip_prefix(side).and_then(|rest| rest.strip_prefix('-')) == Some(site)
            })?;
            Some(code.as_ref())
        };
        Some([member("left")?, member("right")?])
    }

    fn target(&self, targets: &[String], around: &Surroundings<'_>, issues: &mut Vec<Issue>) {
        if reference_type(self.value) == ReferenceType::Elsewhere {
            let reference = self.value.get("reference").and_then(Value::as_str).unwrap_or_default();
            // What leads nowhere is a matter of the Bundle, not of the profile.
            let Some(found) = around.type_of(reference, self.resource) else { return };
            if targets.iter().any(|known| known == found) {
                return;
            }
        }
        let message = format!(
            "The reference points at another type of resource than {} allows: {}.",
            self.says(),
            targets.join(", ")
        );
        let name = if self.value.get("reference").is_some() { "reference" } else { "type" };
        let pointer = push_pointer(&self.pointer, name);
        let issue = Issue::new(&rules::PROFILE_TYPE, pointer, message);
        issues.push(issue.value(self.value.get(name).unwrap_or(self.value)));
    }
}

/// The part at fault of a value that is its own coding, as a Quantity is: what is missing, or what is not in the set.
fn uncoded_part(set: &BoundSet, value: &Value) -> Option<&'static str> {
    let object = value.as_object().filter(|object| !object.contains_key("coding"))?;
    if !object.contains_key("code") {
        // A CodeableConcept with a text alone lacks `coding`, and is at fault as a whole.
        return object.contains_key("value").then_some("code");
    }
    let system = object.get("system").and_then(Value::as_str);
    Some(if system.is_some_and(|system| set.has_system(system)) { "code" } else { "system" })
}

fn given_code(value: &Value) -> Option<&str> {
    if let Some(code) = value.as_str() {
        return Some(code);
    }
    codings(value).find_map(|(_, coding)| coding.get("code").and_then(Value::as_str))
}
