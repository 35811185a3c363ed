//! An exam as a list of findings, and its FHIR Bundle in any of the forms a sender may choose.

use serde_json::{Map, Value, json};
use solewire_profiles::terminology::{LocalSystem, Resolved, Terminology};

/// A foot; none for what concerns the person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Side {
    Left,
    Right,
}

impl Side {
    pub(crate) const BOTH: [Side; 2] = [Side::Left, Side::Right];

    pub(crate) fn word(self) -> &'static str {
        match self {
            Side::Left => "left",
            Side::Right => "right",
        }
    }

    pub(crate) fn other(self) -> Side {
        match self {
            Side::Left => Side::Right,
            Side::Right => Side::Left,
        }
    }
}

/// The part of a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    /// The value stands on the Observation.
    Whole,
    /// A site or artery (`foot-site`).
    Site(&'static str),
    /// A finding code (`foot-test`).
    Item(&'static str),
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum What {
    Code(&'static str),
    /// Right answers of questions asked.
    Ratio(i32, i32),
    /// Comparator (may be empty), number as written, unit.
    Number(&'static str, &'static str, &'static str),
    /// Not tested, with the reason.
    Reason(&'static str),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Finding {
    pub(crate) test: &'static str,
    pub(crate) side: Option<Side>,
    pub(crate) part: Part,
    pub(crate) what: What,
}

/// A Condition or Procedure beside the Observations.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Stated {
    pub(crate) resource: &'static str,
    pub(crate) item: &'static str,
    /// `verificationStatus` of a Condition, `status` of a Procedure.
    pub(crate) status: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Exam {
    pub(crate) panel_status: &'static str,
    pub(crate) findings: Vec<Finding>,
    pub(crate) stated: Vec<Stated>,
}

/// How the findings are written down. It must not matter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Style {
    /// For each finding in turn (repeated): a resource of its own, where that form exists.
    pub(crate) single: Vec<bool>,
    /// For each code in turn (repeated): 0 local, 1 local and standard, 2 standard alone where it is unambiguous.
    pub(crate) coding: Vec<u8>,
    /// Shuffles entries and components; 0 leaves the order.
    pub(crate) order: u32,
}

/// Tests whose findings may come one by one, with the sided site as bodySite.
const SINGLE: &[&str] = &[
    "monofilament-10g",
    "vibration-128hz",
    "toe-touch",
    "pinprick",
    "temperature-sense",
    "position-sense",
    "pulse",
    "doppler-waveform",
    "systolic-pressure",
];

impl Finding {
    pub(crate) fn new(test: &'static str, side: Option<Side>, part: Part, what: What) -> Finding {
        Finding { test, side, part, what }
    }

    pub(crate) fn is_result(&self) -> bool {
        !matches!(self.what, What::Reason(_))
    }

    pub(crate) fn is_at(&self, other: &Finding) -> bool {
        self.test == other.test && self.side == other.side && self.part == other.part
    }

    /// Whether the result is abnormal, or may make something abnormal together with others (pressures).
    pub(crate) fn abnormal(&self) -> bool {
        let number = |text: &str| text.parse::<f64>().unwrap();
        match (self.test, self.what) {
            (_, What::Reason(_)) => false,
            (_, What::Ratio(right, asked)) => right * 3 < asked * 2,
            ("vibration-128hz", What::Number(comparator, text, _)) => {
                comparator != "<" && number(text) >= 10.0
            }
            ("vibration-threshold", What::Number(comparator, text, _)) => {
                comparator != "<" && number(text) >= 25.0
            }
            ("ankle-brachial-index", What::Number(_, text, _)) => {
                number(text) < 0.905 || number(text) > 1.304
            }
            ("toe-brachial-index", What::Number(_, text, _)) => number(text) < 0.705,
            ("egfr", What::Number(_, text, _)) => number(text) < 30.0,
            ("systolic-pressure", _) => true,
            ("pulse" | "ankle-reflex", What::Code(code)) => code == "absent" || code == "reduced",
            (_, What::Code(code)) => ["not-felt", "present", "no", "monophasic", "no-signal"].contains(&code),
            (_, What::Number(..)) => false,
        }
    }
}

impl Exam {
    /// The same exam of the other feet.
    pub(crate) fn mirrored(&self) -> Exam {
        let mut out = self.clone();
        for finding in &mut out.findings {
            finding.side = finding.side.map(Side::other);
        }
        out
    }

    /// The exam without its finding of this number.
    pub(crate) fn without(&self, number: usize) -> Exam {
        let mut out = self.clone();
        out.findings.remove(number);
        out
    }

    pub(crate) fn with(&self, finding: Finding) -> Exam {
        let mut out = self.clone();
        out.findings.push(finding);
        out
    }

    pub(crate) fn bundle(&self, style: &Style, terminology: &Terminology) -> Value {
        Writer { exam: self, style, terminology, codes: 0 }.bundle()
    }
}

struct Writer<'w> {
    exam: &'w Exam,
    style: &'w Style,
    terminology: &'w Terminology,
    codes: usize,
}

fn subject() -> Value {
    json!({ "type": "Patient",
            "identifier": { "system": "https://harbourlane.example/person", "value": "HL-PERSON-0900" } })
}

/// Sorts by a hash of the seed and the place: an order that is no order.
fn shuffle<T>(items: Vec<T>, seed: u32) -> Vec<T> {
    if seed == 0 {
        return items;
    }
    let hash = |place: usize| {
        let mixed = (u64::from(seed) << 20 ^ place as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        (mixed ^ mixed >> 29).wrapping_mul(0xBF58_476D_1CE4_E5B9) >> 16
    };
    let mut numbered: Vec<(usize, T)> = items.into_iter().enumerate().collect();
    numbered.sort_by_key(|(place, _)| hash(*place));
    numbered.into_iter().map(|(_, item)| item).collect()
}

impl Writer<'_> {
    fn concept(&mut self, system: LocalSystem, code: &str) -> Value {
        let choice = match self.style.coding.as_slice() {
            [] => 0,
            coding => coding[self.codes % coding.len()],
        };
        self.codes += 1;
        let local = json!({ "system": system.url(), "code": code });
        let standard = self
            .terminology
            .translations(system, code)
            .map(|(system, code, _)| json!({ "system": system, "code": code }))
            .find(|coding| {
                let alone = json!({ "coding": [coding] });
                self.terminology.resolve(system, &alone) == Resolved::Code(code)
            });
        let codings = match (choice, standard) {
            (1, Some(standard)) => vec![local, standard],
            (2, Some(standard)) => vec![standard],
            _ => vec![local],
        };
        json!({ "coding": codings })
    }

    fn put_what(&mut self, out: &mut Map<String, Value>, what: What) {
        let (name, value) = match what {
            What::Code(code) => ("valueCodeableConcept", self.concept(LocalSystem::FootResult, code)),
            What::Ratio(right, asked) => {
                ("valueRatio", json!({ "numerator": { "value": right }, "denominator": { "value": asked } }))
            }
            What::Number(comparator, text, unit) => {
                let mut quantity = Map::new();
                quantity.insert("value".to_owned(), serde_json::from_str(text).unwrap());
                if !comparator.is_empty() {
                    quantity.insert("comparator".to_owned(), json!(comparator));
                }
                quantity.insert("system".to_owned(), json!("http://unitsofmeasure.org"));
                quantity.insert("code".to_owned(), json!(unit));
                ("valueQuantity", Value::Object(quantity))
            }
            What::Reason(reason) => (
                "dataAbsentReason",
                json!({ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
                                     "code": reason }] }),
            ),
        };
        out.insert(name.to_owned(), value);
    }

    fn observation(&mut self, test: &str, site: Option<String>) -> Map<String, Value> {
        let mut out = Map::new();
        let mut put = |name: &str, value: Value| {
            out.insert(name.to_owned(), value);
        };
        put("resourceType", json!("Observation"));
        put("status", json!("final"));
        put(
            "category",
            json!([{ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                                  "code": "exam" }] }]),
        );
        put("code", self.concept(LocalSystem::FootTest, test));
        put("subject", subject());
        put("effectiveDateTime", json!("2026-09-14T10:20:00+01:00"));
        if let Some(site) = site {
            put("bodySite", self.concept(LocalSystem::FootSite, &site));
        }
        out
    }

    fn resources(&mut self) -> Vec<Value> {
        let mut out = Vec::new();
        let mut grouped: Vec<(&'static str, Option<Side>, Vec<Finding>)> = Vec::new();
        let single = |number: usize| match self.style.single.as_slice() {
            [] => false,
            single => single[number % single.len()],
        };
        let mut alone: Vec<Finding> = Vec::new();
        for (number, finding) in self.exam.findings.iter().enumerate() {
            let has_single_form = matches!(finding.part, Part::Site(_)) && SINGLE.contains(&finding.test);
            if finding.part == Part::Whole || (has_single_form && single(number)) {
                alone.push(*finding);
                continue;
            }
            let group =
                grouped.iter_mut().find(|(test, side, _)| *test == finding.test && *side == finding.side);
            match group {
                Some((_, _, list)) => list.push(*finding),
                None => grouped.push((finding.test, finding.side, vec![*finding])),
            }
        }
        for (test, side, findings) in grouped {
            let mut resource = self.observation(test, side.map(|side| format!("{}-foot", side.word())));
            let components = findings
                .into_iter()
                .map(|finding| {
                    let code = match finding.part {
                        Part::Site(site) => self.concept(LocalSystem::FootSite, site),
                        Part::Item(item) => self.concept(LocalSystem::FootTest, item),
                        Part::Whole => unreachable!("a whole test has no components"),
                    };
                    let mut component = Map::new();
                    component.insert("code".to_owned(), code);
                    self.put_what(&mut component, finding.what);
                    Value::Object(component)
                })
                .collect();
            resource.insert("component".to_owned(), Value::Array(shuffle(components, self.style.order)));
            out.push(Value::Object(resource));
        }
        for finding in alone {
            let site = finding.side.map(|side| match finding.part {
                Part::Site(site) => format!("{}-{site}", side.word()),
                Part::Whole | Part::Item(_) => format!("{}-foot", side.word()),
            });
            let mut resource = self.observation(finding.test, site);
            self.put_what(&mut resource, finding.what);
            out.push(Value::Object(resource));
        }
        out
    }

    fn stated(&mut self, stated: Stated) -> Value {
        let code = self.concept(LocalSystem::FootTest, stated.item);
        if stated.resource == "Procedure" {
            return json!({ "resourceType": "Procedure", "status": stated.status, "code": code,
                           "subject": subject() });
        }
        let system = "http://terminology.hl7.org/CodeSystem";
        let verification = json!({ "coding": [{ "system": format!("{system}/condition-ver-status"),
                                                "code": stated.status }] });
        let mut out = json!({ "resourceType": "Condition", "verificationStatus": verification, "code": code,
                              "subject": subject() });
        if stated.status != "entered-in-error" {
            out["clinicalStatus"] =
                json!({ "coding": [{ "system": format!("{system}/condition-clinical"), "code": "active" }] });
        }
        out
    }

    fn bundle(mut self) -> Value {
        let full_url = |number: usize| format!("urn:uuid:5e1e0000-0900-4000-8000-{number:012}");
        let results = self.resources();
        let members: Vec<Value> =
            (1..=results.len()).map(|number| json!({ "reference": full_url(number) })).collect();
        let mut panel = self.observation("foot-exam", None);
        panel.insert(
            "identifier".to_owned(),
            json!([{ "system": "https://harbourlane.example/exam", "value": "HL-EXAM-2026-0900" }]),
        );
        panel.insert("status".to_owned(), json!(self.exam.panel_status));
        panel.insert(
            "performer".to_owned(),
            json!([{ "type": "Practitioner",
                     "identifier": { "system": "https://harbourlane.example/staff", "value": "HL-STAFF-02" } }]),
        );
        if !members.is_empty() {
            panel.insert("hasMember".to_owned(), Value::Array(members));
        }
        let mut resources = vec![Value::Object(panel)];
        resources.extend(results);
        for stated in self.exam.stated.clone() {
            resources.push(self.stated(stated));
        }
        let entries = resources
            .into_iter()
            .enumerate()
            .map(|(number, resource)| {
                let url = resource["resourceType"].clone();
                json!({ "fullUrl": full_url(number), "resource": resource,
                        "request": { "method": "POST", "url": url } })
            })
            .collect();
        let entries = shuffle(entries, self.style.order);
        json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
    }
}
