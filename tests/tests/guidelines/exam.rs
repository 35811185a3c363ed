//! A small builder of exams: normal in everything, then changed where a row says so, and sent through the same checks
//! and the same reading as any other exam.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde_json::{Value, json};
use solewire_profiles::issue::refused;
use solewire_profiles::json::{Document, Limits};
use solewire_profiles::terminology::{LocalSystem, Terminology};
use solewire_profiles::{
    AssessOptions, AssessmentSummary, CheckContext, Derived, Engine, ExamFacts, Past, SubmittedExam,
};

static ENGINE: LazyLock<Engine> = LazyLock::new(|| Engine::builtin().unwrap());
static TERMINOLOGY: LazyLock<Terminology> = LazyLock::new(Terminology::builtin);

pub(crate) const SIDES: [&str; 2] = ["left", "right"];
pub(crate) const THREE_SITES: [&str; 3] = ["hallux-plantar", "mth-1", "mth-5"];
pub(crate) const TOE_TIPS: [&str; 3] = ["toe-tip-1", "toe-tip-3", "toe-tip-5"];
pub(crate) const ARTERIES: [&str; 2] = ["dorsalis-pedis", "posterior-tibial"];
const ACTIVE_PROBLEMS: [&str; 8] = [
    "active-ulcer",
    "spreading-infection",
    "gangrene",
    "suspected-acute-charcot",
    "hot-swollen-foot",
    "limb-threatening-ischaemia",
    "systemic-signs",
    "deep-or-bone-infection",
];
const HISTORY: [&str; 5] = [
    "previous-ulcer",
    "previous-amputation",
    "end-stage-renal-disease",
    "renal-replacement-therapy",
    "charcot-history",
];

/// What a place of a test says.
#[derive(Debug, Clone)]
pub(crate) enum Answer {
    Code(&'static str),
    Correct(u32, u32),
    Quantity(String, &'static str),
    NotTested(&'static str),
}

/// What the parts of one test on one side say.
type Parts<'e> = Vec<(&'e str, &'e Answer)>;

/// An exam in the making: the answer for each test, side and part (empty for the test as a whole).
#[derive(Debug, Clone)]
pub(crate) struct Exam {
    answers: BTreeMap<(&'static str, Option<&'static str>, &'static str), Answer>,
    pub(crate) panel_status: &'static str,
    /// The date of the exam.
    pub(crate) day: &'static str,
}

impl Exam {
    /// Everything examined, nothing found.
    pub(crate) fn normal() -> Exam {
        let mut exam = Exam { answers: BTreeMap::new(), panel_status: "final", day: "2026-09-14" };
        for side in SIDES {
            for site in THREE_SITES {
                exam.set("monofilament-10g", side, site, Answer::Code("felt"));
            }
            exam.set("vibration-128hz", side, "hallux-dorsal", Answer::Code("felt"));
            for artery in ARTERIES {
                exam.set("pulse", side, artery, Answer::Code("present"));
            }
            exam.set("deformity", side, "significant-deformity", Answer::Code("absent"));
            exam.set("skin", side, "callus", Answer::Code("absent"));
            for problem in ACTIVE_PROBLEMS {
                exam.set("active-problem", side, problem, Answer::Code("absent"));
            }
        }
        for item in HISTORY {
            exam.set_person("history", item, Answer::Code("absent"));
        }
        exam.set_person("egfr", "", Answer::Quantity("75".to_owned(), "mL/min/{1.73_m2}"));
        exam.set_person("self-care", "can-see-and-reach-feet", Answer::Code("yes"));
        exam
    }

    pub(crate) fn set(
        &mut self,
        test: &'static str,
        side: &'static str,
        part: &'static str,
        answer: Answer,
    ) -> &mut Exam {
        self.answers.insert((test, Some(side), part), answer);
        self
    }

    pub(crate) fn set_person(&mut self, test: &'static str, part: &'static str, answer: Answer) -> &mut Exam {
        self.answers.insert((test, None, part), answer);
        self
    }

    /// Takes a test away, as if nobody had made it.
    pub(crate) fn without(&mut self, test: &str) -> &mut Exam {
        self.answers.retain(|(other, _, _), _| *other != test);
        self
    }

    fn bundle(&self) -> Value {
        let mut findings: BTreeMap<(&str, Option<&str>), Parts<'_>> = BTreeMap::new();
        for ((test, side, part), answer) in &self.answers {
            findings.entry((test, *side)).or_default().push((part, answer));
        }
        let url = |number: usize| format!("urn:uuid:5e1e0000-0000-4000-8000-{number:012}");
        let members: Vec<Value> =
            (1..=findings.len()).map(|number| json!({ "reference": url(number) })).collect();
        let mut panel = observation("foot-exam");
        panel["identifier"] =
            json!([{ "system": "https://harbourlane.example/exam", "value": "HL-ORACLE-1" }]);
        panel["status"] = json!(self.panel_status);
        panel["performer"] = json!([{ "type": "Practitioner",
            "identifier": { "system": "https://harbourlane.example/staff", "value": "HL-STAFF-02" } }]);
        panel["hasMember"] = json!(members);
        let findings = findings.into_iter().map(|((test, side), parts)| finding(test, side, &parts));
        let entries: Vec<Value> = std::iter::once(panel)
            .chain(findings)
            .enumerate()
            .map(|(number, resource)| {
                json!({ "fullUrl": url(number), "resource": resource,
                        "request": { "method": "POST", "url": "Observation" } })
            })
            .collect();
        let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
        serde_json::from_str(&bundle.to_string().replace("2026-09-14T", &format!("{}T", self.day))).unwrap()
    }

    /// What follows from the exam by these guidelines.
    pub(crate) fn derive(&self, guidelines: &[&str]) -> Derived {
        self.derive_after(&[], guidelines)
    }

    /// The same after earlier exams of the person.
    pub(crate) fn derive_after(&self, earlier: &[&Exam], guidelines: &[&str]) -> Derived {
        let at = at();
        let mut options = AssessOptions::at(at);
        options.guidelines = guidelines.iter().map(|id| (*id).to_owned()).collect();
        let earlier: Vec<ExamFacts> = earlier
            .iter()
            .map(|exam| {
                let submitted = exam.submitted();
                let bodies: Vec<&Value> = submitted.resources.iter().map(|placed| &placed.body).collect();
                ENGINE.facts(&bodies, &options)
            })
            .collect();
        let earlier: Vec<&ExamFacts> = earlier.iter().collect();
        let exam = self.submitted();
        let bodies: Vec<&Value> = exam.resources.iter().map(|placed| &placed.body).collect();
        ENGINE.assess_after(&exam.key, &bodies, &options, Past { exams: &earlier, ..Past::default() })
    }

    fn submitted(&self) -> SubmittedExam {
        let context = CheckContext::at(at());
        let document = Document::parse(self.bundle().to_string().into_bytes(), Limits::default()).unwrap();
        let issues = ENGINE.check(&document, &context);
        assert!(!refused(&issues), "{issues:#?}");
        ENGINE.submission(&document, &context).unwrap().exams.remove(0)
    }

    /// The same for one guideline, in words.
    pub(crate) fn summary(&self, guideline: &str) -> AssessmentSummary {
        self.derive(&[guideline]).assessments.remove(0)
    }
}

fn at() -> jiff::Timestamp {
    "2026-11-02T09:00:00Z".parse().unwrap()
}

fn coding(system: LocalSystem, code: &str) -> Value {
    json!({ "coding": [{ "system": system.url(), "code": code }] })
}

fn observation(test: &str) -> Value {
    json!({
        "resourceType": "Observation",
        "status": "final",
        "category": [{ "coding": [{
            "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam" }] }],
        "code": coding(LocalSystem::FootTest, test),
        "subject": { "type": "Patient",
            "identifier": { "system": "https://harbourlane.example/person", "value": "HL-PERSON-0001" } },
        "effectiveDateTime": "2026-09-14T10:20:00+01:00"
    })
}

fn finding(test: &str, side: Option<&str>, parts: &[(&str, &Answer)]) -> Value {
    let mut out = observation(test);
    if let Some(side) = side {
        // `left` is the left foot; `left-heel` a site of it.
        let place = if SIDES.contains(&side) { format!("{side}-foot") } else { side.to_owned() };
        out["bodySite"] = coding(LocalSystem::FootSite, &place);
    }
    for (part, answer) in parts {
        if part.is_empty() {
            put_answer(&mut out, answer);
            continue;
        }
        let is_site = TERMINOLOGY.display(LocalSystem::FootSite, part).is_some();
        let system = if is_site { LocalSystem::FootSite } else { LocalSystem::FootTest };
        let mut component = json!({ "code": coding(system, part) });
        put_answer(&mut component, answer);
        match out["component"].as_array_mut() {
            Some(components) => components.push(component),
            None => out["component"] = json!([component]),
        }
    }
    out
}

fn put_answer(out: &mut Value, answer: &Answer) {
    let number = |text: &str| serde_json::from_str::<Value>(text).unwrap();
    match answer {
        Answer::Code(code) => out["valueCodeableConcept"] = coding(LocalSystem::FootResult, code),
        Answer::Correct(correct, asked) => {
            out["valueRatio"] =
                json!({ "numerator": { "value": correct }, "denominator": { "value": asked } });
        }
        Answer::Quantity(value, unit) => {
            out["valueQuantity"] =
                json!({ "value": number(value), "system": "http://unitsofmeasure.org", "code": unit });
        }
        Answer::NotTested(reason) => {
            out["dataAbsentReason"] = json!({ "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": reason }] });
        }
    }
}
