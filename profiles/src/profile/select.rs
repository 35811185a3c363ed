//! Which profiles a resource is held against.

use serde_json::Value;

use super::{CANONICAL, Profiles, coded, rules};
use crate::issue::Issue;
use crate::json::{get, text};
use crate::nearest::nearest;
use crate::terminology::{LocalSystem, Resolved, codings};

/// The code of the panel, and the name of its profile.
const PANEL: &str = "foot-exam";
/// The profile of every finding; it says which codes are tests.
const FINDING: &str = "https://solewire.example/fhir/StructureDefinition/foot-finding";

/// The profiles of a resource, by number, and what choosing them brought to light.
#[derive(Debug, Default)]
pub(super) struct Selection {
    pub(super) profiles: Vec<usize>,
    pub(super) issues: Vec<Issue>,
    /// The code of the resource is among the issues.
    pub(super) code_at_fault: bool,
}

impl Profiles {
    pub(super) fn select(&self, resource: &Value, pointer: &str) -> Selection {
        let mut selection = Selection::default();
        let Some(kind) = text(resource, "resourceType") else { return selection };
        self.claimed(resource, kind, pointer, &mut selection);
        if kind == "Observation" {
            self.by_code(resource, pointer, &mut selection);
        }
        selection.profiles = self.complete(selection.profiles);
        selection
    }

    /// The profiles in `meta.profile`.
    fn claimed(&self, resource: &Value, kind: &str, pointer: &str, selection: &mut Selection) {
        let claims = get(resource, "meta").and_then(|meta| get(meta, "profile")).and_then(Value::as_array);
        let claims = claims.into_iter().flatten();
        for (number, claim) in claims.enumerate() {
            let Some(url) = claim.as_str().map(|claim| claim.split('|').next().unwrap_or(claim)) else {
                continue;
            };
            if url.strip_prefix(super::R4_BASE) == Some(kind) {
                continue;
            }
            let at = format!("{pointer}/meta/profile/{number}");
            match self.by_url.get(url) {
                None => {
                    let message =
                        "The resource claims a profile that is not loaded; it was not checked against it.";
                    selection.issues.push(Issue::new(&rules::PROFILE_NOT_LOADED, at, message).value(claim));
                }
                Some(profile) => match self.definition(*profile) {
                    Some(definition) if definition.resource_type != kind => {
                        let message = format!(
                            "The resource claims profile `{}`, which is for {}.",
                            definition.name, definition.resource_type
                        );
                        let issue = Issue::new(&rules::PROFILE_TYPE, at, message);
                        selection.issues.push(issue.mend("Claim a profile of the resource's own type."));
                    }
                    _ => selection.profiles.push(*profile),
                },
            }
        }
    }

    /// The profile of the test that an Observation's code stands for.
    fn by_code(&self, resource: &Value, pointer: &str, selection: &mut Selection) {
        let Some(concept) = get(resource, "code") else { return };
        let (terminology, system) = (self.terminology(), LocalSystem::FootTest);
        let at = |coding: Option<usize>| match coding {
            Some(number) => format!("{pointer}/code/coding/{number}"),
            None => format!("{pointer}/code"),
        };
        if let Some(number) = coded::unknown_local(terminology, system, concept) {
            let message = format!("The code is not in the code system {}.", system.url());
            let coding =
                codings(concept).find(|(known, _)| *known == number).map_or(concept, |(_, coding)| coding);
            let given = coding.get("code").and_then(Value::as_str).unwrap_or_default();
            let tests = terminology.system_codes(system).filter(|code| self.is_test(code));
            let mut issue = Issue::new(&rules::PROFILE_BINDING, at(number), message).value(coding);
            issue = match nearest(given, tests) {
                Some(code) => {
                    issue.mend(format!("Use a code of the code system; the nearest test is `{code}`."))
                }
                None => issue.mend("Use a code of the code system; ValueSet foot-tests lists the tests."),
            };
            selection.issues.push(issue);
            selection.code_at_fault = true;
            return;
        }
        match terminology.resolve(system, concept) {
            Resolved::Code(code) => selection.profiles.extend(self.for_code(code, concept, resource)),
            Resolved::Conflict(codes) => {
                let fault = coded::last_sense(terminology, system, concept);
                let message = "The codings of the code stand for different tests of the foot examination.";
                let mut issue = Issue::new(&rules::PROFILE_BINDING, at(fault), message);
                issue.value = Some(codes.join(", "));
                selection.issues.push(issue.mend("Keep the coding that is meant and remove the other."));
                selection.code_at_fault = true;
            }
            Resolved::Unknown => {}
        }
    }

    fn role(&self, code: &str) -> Option<&str> {
        self.terminology().property(LocalSystem::FootTest, code, "role")
    }

    fn is_test(&self, code: &str) -> bool {
        matches!(self.role(code), Some("test" | "panel"))
    }

    fn for_code(&self, code: &str, concept: &Value, resource: &Value) -> Option<usize> {
        if self.is_test(code) {
            let site = if self.is_single_site(code, resource) { "-site" } else { "" };
            let name = if code == PANEL { code.to_owned() } else { format!("foot-{code}{site}") };
            return self.by_url.get(&format!("{CANONICAL}{name}")).copied();
        }
        // A finding is a component of its test. Said by our code it was meant for us and stands in the wrong place; said
        // in a standard code it is somebody else's Observation.
        let ours = codings(concept).any(|(_, coding)| {
            coding.get("system").and_then(Value::as_str) == Some(LocalSystem::FootTest.url())
        });
        if ours { self.by_url.get(FINDING).copied() } else { None }
    }

    /// Whether a result is about one site: its body site is one, or it has a value of its own and no components.
    fn is_single_site(&self, test: &str, resource: &Value) -> bool {
        let terminology = self.terminology();
        if terminology.property(LocalSystem::FootTest, test, "single-site") != Some("true") {
            return false;
        }
        match resource.get("bodySite").map(|site| terminology.resolve(LocalSystem::FootSite, site)) {
            Some(Resolved::Code(site)) => {
                terminology.property(LocalSystem::FootSite, site, "role") != Some("side")
            }
            Some(Resolved::Conflict(_) | Resolved::Unknown) | None => {
                let has_value = resource
                    .as_object()
                    .is_some_and(|object| object.keys().any(|key| key.starts_with("value")));
                has_value && resource.get("component").is_none()
            }
        }
    }

    /// The chosen profiles with those they are based on, and with a site's profiles that are based on any of them.
    fn complete(&self, chosen: Vec<usize>) -> Vec<usize> {
        let mut all = Vec::new();
        let mut waiting = chosen;
        while let Some(number) = waiting.pop() {
            if all.contains(&number) {
                continue;
            }
            all.push(number);
            waiting.extend(self.ready(number).and_then(|ready| ready.base));
            let of_site = super::PROFILES.len()..self.profiles.len();
            waiting
                .extend(of_site.filter(|site| self.ready(*site).is_some_and(|it| it.base == Some(number))));
        }
        all.sort_unstable();
        all
    }
}
