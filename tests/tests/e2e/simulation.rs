//! Forty devices send exams site by site: shuffled, twice, late, contradicting each other, with clocks up to a day off.
//! What follows has to be what follows from the same exams handed in whole.
//!
//! `tests/long/devices` asks for many more exams.

use std::collections::BTreeSet;
use std::time::Instant;

use reqwest::Method;
use serde_json::{Value, json};
use solewire_tests::random::Random;
use solewire_tests::service::{Service, Setup};

const USUAL_EXAMS: u64 = 60;
const DEVICES: usize = 40;
const TWICE: u64 = 20;
const LATE: u64 = 5;
const DAY_SECONDS: i64 = 86_400;
const CODES: &str = "https://solewire.example/fhir/CodeSystem";

fn asked(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// An exam as it is sent: the panel, and each result with the device that sends it.
struct Exam {
    panel: Value,
    results: Vec<(usize, Value)>,
}

struct Maker<'r> {
    random: &'r mut Random,
    /// How far the clock of each device is off, in seconds.
    clocks: &'r [i64],
    number: u64,
    made: jiff::Timestamp,
    results: Vec<(usize, Value)>,
}

fn coding(system: &str, code: &str) -> Value {
    json!({ "coding": [{ "system": format!("{CODES}/{system}"), "code": code }] })
}

fn observation(number: u64, test: &str, time: jiff::Timestamp) -> Value {
    let named = |kind: &str, system: &str, value: String| json!({ "type": kind, "identifier": { "system": format!("https://harbourlane.example/{system}"), "value": value } });
    json!({
        "resourceType": "Observation", "status": "final",
        "category": [{ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam" }] }],
        "code": coding("foot-test", test),
        "subject": named("Patient", "person", format!("HL-PERSON-{number:05}")),
        "encounter": named("Encounter", "visit", format!("HL-VISIT-{number:05}")),
        "effectiveDateTime": time.to_string(),
        "performer": [named("Practitioner", "staff", "HL-STAFF-03".to_owned())]
    })
}

impl Maker<'_> {
    fn add(&mut self, test: &str, site: Option<String>, fill: impl FnOnce(&mut Value)) {
        let device = usize::try_from(self.random.below(self.clocks.len() as u64)).unwrap();
        let of_exam = i64::try_from(self.results.len()).unwrap();
        let time = self.made + jiff::SignedDuration::from_secs(self.clocks[device] + of_exam);
        let mut result = observation(self.number, test, time);
        let name = format!("HL-RESULT-{:05}-{of_exam:02}", self.number);
        result["identifier"] =
            json!([{ "system": "https://harbourlane.example/device-result", "value": name }]);
        result["device"] = json!({ "type": "Device", "identifier": {
            "system": "https://harbourlane.example/device", "value": format!("HL-DEVICE-{device:02}") } });
        if let Some(site) = site {
            result["bodySite"] = coding("foot-site", &site);
        }
        fill(&mut result);
        self.results.push((device, result));
    }

    /// A result at a place: mostly normal, seldom left out, not done, or told by two devices in two ways.
    fn place(&mut self, test: &str, site: &str, normal: &str, abnormal: &str) {
        if self.random.chance(2) {
            return;
        }
        let code = if self.random.chance(6) { abnormal } else { normal };
        if self.random.chance(2) {
            self.add(test, Some(site.to_owned()), |result| result["dataAbsentReason"] = reason());
            return;
        }
        self.add(test, Some(site.to_owned()), |result| {
            result["valueCodeableConcept"] = coding("foot-result", code)
        });
        if self.random.chance(2) {
            let other = if code == normal { abnormal } else { normal };
            self.add(test, Some(site.to_owned()), |result| {
                result["valueCodeableConcept"] = coding("foot-result", other);
            });
        }
    }

    fn items(&mut self, test: &str, site: Option<&str>, items: &[&str], present: u64) {
        if self.random.chance(2) {
            return;
        }
        let components: Vec<Value> = items
            .iter()
            .map(|item| {
                let code = if self.random.chance(present) { "present" } else { "absent" };
                json!({ "code": coding("foot-test", item), "valueCodeableConcept": coding("foot-result", code) })
            })
            .collect();
        self.add(test, site.map(str::to_owned), |result| result["component"] = json!(components));
    }

    fn exam(mut self) -> Exam {
        for side in ["left", "right"] {
            for site in ["hallux-plantar", "mth-1", "mth-5"] {
                self.place("monofilament-10g", &format!("{side}-{site}"), "felt", "not-felt");
            }
            self.place("vibration-128hz", &format!("{side}-hallux-dorsal"), "felt", "not-felt");
            for artery in ["dorsalis-pedis", "posterior-tibial"] {
                self.place("pulse", &format!("{side}-{artery}"), "present", "absent");
            }
            let foot = format!("{side}-foot");
            self.items("deformity", Some(&foot), &["significant-deformity"], 10);
            let problems = [
                "active-ulcer",
                "spreading-infection",
                "gangrene",
                "suspected-acute-charcot",
                "hot-swollen-foot",
                "limb-threatening-ischaemia",
                "systemic-signs",
                "deep-or-bone-infection",
            ];
            self.items("active-problem", Some(&foot), &problems, 1);
        }
        let history = [
            "previous-ulcer",
            "previous-amputation",
            "end-stage-renal-disease",
            "renal-replacement-therapy",
            "charcot-history",
        ];
        self.items("history", None, &history, 4);
        let mut panel = observation(self.number, "foot-exam", self.made);
        let name = format!("HL-EXAM-{:05}", self.number);
        panel["identifier"] = json!([{ "system": "https://harbourlane.example/exam", "value": name }]);
        Exam { panel, results: self.results }
    }
}

fn reason() -> Value {
    json!({ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "not-performed" }] })
}

fn shuffle<T>(items: &mut [T], random: &mut Random) {
    for last in (1..items.len()).rev() {
        let other = usize::try_from(random.below(last as u64 + 1)).unwrap();
        items.swap(last, other);
    }
}

/// The exam in one document.
fn whole(exam: &Exam) -> String {
    let urn = |number: usize| format!("urn:uuid:5e1e0000-0900-4000-8000-{number:012}");
    let mut panel = exam.panel.clone();
    let members: Vec<Value> =
        (1..=exam.results.len()).map(|number| json!({ "reference": urn(number) })).collect();
    panel["hasMember"] = json!(members);
    let resources = std::iter::once(&panel).chain(exam.results.iter().map(|(_, result)| result));
    let entries: Vec<Value> = resources
        .enumerate()
        .map(|(number, resource)| {
            json!({ "fullUrl": urn(number), "resource": resource,
                    "request": { "method": "POST", "url": "Observation" } })
        })
        .collect();
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries }).to_string()
}

/// Sends each queue in its own task, in order.
async fn send(service: &Service, queues: Vec<Vec<String>>) {
    let mut under_way = tokio::task::JoinSet::new();
    for queue in queues {
        let (client, url) = (service.client.clone(), service.url("Observation"));
        under_way.spawn(async move {
            for body in queue {
                loop {
                    let headers = [("prefer", "return=minimal")];
                    let answer = client.send(Method::POST, &url, &headers, body.clone()).await;
                    // The exam changed under it for too long, or the store was busy: a device sends again.
                    if !matches!(answer.status, 409 | 503) {
                        assert!(matches!(answer.status, 200 | 201), "{}: {}", answer.status, answer.text);
                        break;
                    }
                }
            }
        });
    }
    under_way.join_all().await;
}

/// What follows from the exam of a person, without what tells only which way it took: ids that follow from the exam's
/// key, the order of lists, and whether a final result was amended by a late one.
async fn conclusion(service: &Service, number: u64) -> Value {
    let subject = format!("subject:identifier=https://harbourlane.example/person|HL-PERSON-{number:05}");
    let of = async |kind: &str| {
        service.client.get(&service.url(&format!("{kind}?{subject}"))).await.expect(200).resources()
    };
    let assessments = of("RiskAssessment").await;
    let [assessment] = assessments.as_slice() else { panic!("{} assessments", assessments.len()) };
    let set = |name: &str| -> BTreeSet<String> {
        assessment[name].as_array().into_iter().flatten().map(Value::to_string).collect()
    };
    let status =
        if assessment["status"] == "amended" { "final" } else { assessment["status"].as_str().unwrap() };
    let requests: BTreeSet<String> = of("ServiceRequest")
        .await
        .into_iter()
        .filter(|request| request["status"] == "active")
        .map(|request| json!([request["code"], request["priority"], request["occurrencePeriod"]]).to_string())
        .collect();
    json!({
        "status": status,
        "time": assessment["occurrenceDateTime"],
        "basis": set("basis"),
        "prediction": assessment["prediction"],
        "mitigation": assessment["mitigation"],
        "note": set("note"),
        "requests": requests
    })
}

#[tokio::test]
async fn forty_devices_end_where_whole_exams_end() {
    let exams = asked("SOLEWIRE_TEST_DEVICE_EXAMS", USUAL_EXAMS);
    let mut random = Random::from(asked("SOLEWIRE_TEST_SEED", 2026));
    let clocks: Vec<i64> =
        (0..DEVICES).map(|_| random.below(2 * DAY_SECONDS as u64 + 1) as i64 - DAY_SECONDS).collect();
    let made: jiff::Timestamp = "2026-09-14T09:20:00Z".parse().unwrap();
    let exams: Vec<Exam> = (0..exams)
        .map(|number| {
            let random = &mut random;
            Maker { random, clocks: &clocks, number, made, results: Vec::new() }.exam()
        })
        .collect();

    let mut in_time: Vec<(usize, String)> = Vec::new();
    let mut late: Vec<(usize, String)> = Vec::new();
    let mut twice = 0;
    for (number, exam) in exams.iter().enumerate() {
        in_time.push((number % DEVICES, exam.panel.to_string()));
        for (device, result) in &exam.results {
            let queue = if random.chance(LATE) { &mut late } else { &mut in_time };
            queue.push((*device, result.to_string()));
            if random.chance(TWICE) {
                queue.push((*device, result.to_string()));
                twice += 1;
            }
        }
    }
    let messages = in_time.len() + late.len();
    let by_whole = Service::start(Setup::default()).await;
    let by_devices = Service::start(Setup::default()).await;
    let began = Instant::now();
    for mut phase in [in_time, late.clone()] {
        shuffle(&mut phase, &mut random);
        let mut queues = vec![Vec::new(); DEVICES];
        for (device, body) in phase {
            queues[device].push(body);
        }
        send(&by_devices, queues).await;
    }
    let sent_in = began.elapsed();
    for exam in &exams {
        let headers = [("prefer", "return=minimal")];
        let (client, url) = (&by_whole.client, &by_whole.fhir_url);
        drop(client.send(Method::POST, url, &headers, whole(exam)).await.expect(200));
    }
    let mut settled = 0;
    for number in 0..exams.len() as u64 {
        let (one_by_one, whole) =
            (conclusion(&by_devices, number).await, conclusion(&by_whole, number).await);
        for (name, of_whole) in whole.as_object().unwrap() {
            assert_eq!(one_by_one[name], *of_whole, "{name} of exam {number}");
        }
        settled += usize::from(whole["status"] == "final");
    }
    assert!(settled > 0 && settled < exams.len(), "{settled} of {} exams are settled", exams.len());
    println!(
        "{} exams in {messages} messages of {DEVICES} devices ({twice} sent twice, {} late) in {:.1} s; {settled} settled",
        exams.len(),
        late.len(),
        sent_in.as_secs_f64()
    );
}
