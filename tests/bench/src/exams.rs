//! Exams in any number: one of the corpus under other identifiers.

use serde_json::Value;
use solewire_tests::corpus::{case, cases};

/// Where the number of an exam goes.
const NUMBER: &str = "NUMBER-OF-THE-EXAM";
const DAY: &str = "DAY-OF-THE-EXAM";
/// Over so many days the exams were made.
const DAYS: i64 = 1000;

/// An exam of the corpus, cut where its identifiers stand.
#[derive(Debug, Clone)]
pub(crate) struct Exams {
    parts: Vec<String>,
    run: String,
}

impl Exams {
    /// Exams like the one of this case, each of a person of its own. Those of two runs have nothing in common.
    pub(crate) fn like(name: &str, run: &str) -> Exams {
        let mut document = case(name).json();
        for entry in document["entry"].as_array_mut().expect("entries") {
            let resource = &mut entry["resource"];
            if let Some(identifier) = resource.pointer_mut("/identifier/0/value") {
                *identifier = NUMBER.into();
            }
            resource["subject"]["identifier"]["value"] = NUMBER.into();
            if let Some(time) = resource.get_mut("effectiveDateTime") {
                *time = format!("{DAY}T09:00:00Z").into();
            }
        }
        let text = document.to_string();
        Exams { parts: text.split(NUMBER).map(str::to_owned).collect(), run: run.to_owned() }
    }

    /// The exam of this number, as bytes without a line break.
    pub(crate) fn body(&self, number: usize) -> Vec<u8> {
        let name = format!("HL-{}-{number}", self.run);
        let day = jiff::civil::date(2024, 1, 1) + jiff::Span::new().days(number as i64 % DAYS);
        self.parts.join(name.as_str()).replace(DAY, &day.to_string()).into_bytes()
    }
}

/// The exams of the corpus that are taken, word for word.
pub(crate) fn taken() -> Vec<Vec<u8>> {
    cases().into_iter().filter(|case| !case.name.starts_with("invalid-")).map(|case| case.input).collect()
}

/// The exam of the demo, of both feet with everything examined.
pub(crate) fn of_the_demo() -> Vec<u8> {
    include_bytes!("../../../service/src/demo/exam.json").to_vec()
}

/// An exam as one line.
pub(crate) fn line(text: &[u8]) -> Vec<u8> {
    let value: Value = serde_json::from_slice(text).expect("an exam");
    value.to_string().into_bytes()
}
