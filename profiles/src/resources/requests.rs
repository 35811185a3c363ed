//! The recall and the referral, as proposals: somebody with the right to order decides.

use jiff::civil::Date;
use serde_json::{Map, Value, json};

use super::derive::{Derivation, Verdict};
use super::narrative::narrative;
use super::{BASE, CAUTION};
use crate::findings::{Urgency, WORKING_DAYS};
use crate::risk::Category;
use crate::time::{IntervalUnit, add_interval};

/// The recall within the window of the highest category still possible. None when an active problem is certain, when
/// the guideline gives no interval and when the exam has no exact time.
pub(super) fn recall(
    derivation: &Derivation<'_>,
    verdict: &Verdict<'_>,
    assessment: &str,
) -> Option<(Value, String)> {
    let category = verdict.highest_category()?;
    let interval = category.interval.as_ref()?;
    let window = Window::after(derivation, interval.from, interval.to, interval.unit)?;
    let what = interval.what.as_deref().unwrap_or("Foot examination again");
    let words = format!("{what} in {window} ({}).", category_words(verdict, category));
    let text = interval.what.as_deref().unwrap_or("Foot examination at the end of the screening interval");
    let code = json!({ "coding": [{ "system": "http://snomed.info/sct", "code": "401191002",
                                    "display": "Diabetic foot examination" }],
                       "text": text });
    let request = Request {
        role: "recall",
        profile: "foot-recall",
        priority: "routine",
        code,
        period: window.period(),
        words: words.clone(),
    };
    Some((request.resource(derivation, assessment), words))
}

/// The referral: for an active problem by its urgency, whatever the guideline; else the one that the category asks for.
pub(super) fn referral(
    derivation: &Derivation<'_>,
    verdict: &Verdict<'_>,
    assessment: &str,
) -> Option<(Value, String)> {
    match derivation.findings.urgency {
        Some(urgency) => Some(urgent_referral(derivation, urgency, assessment)),
        None => category_referral(derivation, verdict, assessment),
    }
}

/// The referral that the highest category still possible asks for. While results still come in, only if every category
/// still possible asks for one: a proposal that the next result takes back helps nobody. Once the exam is closed, what
/// was not examined counts as it does for the recall.
fn category_referral(
    derivation: &Derivation<'_>,
    verdict: &Verdict<'_>,
    assessment: &str,
) -> Option<(Value, String)> {
    let category = verdict.highest_category()?;
    let referral = category.referral.as_ref()?;
    let mut others = verdict.categories().filter(|category| !category.active);
    if derivation.open() && others.any(|category| category.referral.is_none()) {
        return None;
    }
    let window = Window::after(derivation, referral.from, referral.to, referral.unit)?;
    let words = format!(
        "{} in {window}, sooner where there is concern ({}).",
        referral.text,
        category_words(verdict, category)
    );
    let request = Request {
        role: "referral",
        profile: "foot-referral",
        priority: "routine",
        code: json!({ "text": referral.text }),
        period: window.period(),
        words: words.clone(),
    };
    Some((request.resource(derivation, assessment), words))
}

fn urgent_referral(derivation: &Derivation<'_>, urgency: Urgency, assessment: &str) -> (Value, String) {
    let exam = derivation.exam;
    let calendar = &derivation.options.calendar;
    let date = exam.time.map(|time| calendar.date_of(time));
    let (priority, text, deadline) = match urgency {
        Urgency::Immediate => {
            ("stat", "Immediate referral to acute services, and tell the multidisciplinary foot team", date)
        }
        Urgency::OneWorkingDay => (
            "urgent",
            "Referral to the multidisciplinary foot team or foot protection service within one working day",
            date.and_then(|date| calendar.after_working_days(date, WORKING_DAYS)),
        ),
    };
    let end = exam.time.zip(deadline).map(|(time, date)| calendar.end_of_day(time, date));
    let words = match (urgency, deadline) {
        (Urgency::Immediate, _) => format!("{text}: at once, on the day of the examination."),
        (Urgency::OneWorkingDay, Some(date)) => {
            format!("{text}: by the end of {date}; triage within one more working day.")
        }
        (Urgency::OneWorkingDay, None) => format!("{text}."),
    };
    let mut period = Map::new();
    if let Some(start) = &exam.time_text {
        period.insert("start".to_owned(), json!(start));
    }
    if let Some(end) = end {
        period.insert("end".to_owned(), json!(end));
    }
    let request = Request {
        role: "referral",
        profile: "foot-referral",
        priority,
        code: json!({ "text": text }),
        period: Value::Object(period),
        words: words.clone(),
    };
    (request.resource(derivation, assessment), words)
}

fn category_words(verdict: &Verdict<'_>, category: &Category) -> String {
    let highest = if verdict.person.settled() { "" } else { ", the highest category still possible" };
    format!("{} category {}{highest}", verdict.guideline.title, category.code)
}

/// A window of time after the exam, as a length and as dates.
struct Window {
    length: String,
    start: Date,
    end: Date,
}

impl Window {
    /// None without an exact time of the exam.
    fn after(derivation: &Derivation<'_>, from: i64, to: i64, unit: IntervalUnit) -> Option<Window> {
        let date = derivation.exam.time?.date();
        let start = add_interval(date, from, unit)?;
        let end = add_interval(date, to, unit)?;
        let unit = match unit {
            IntervalUnit::Week => "weeks",
            IntervalUnit::Month => "months",
        };
        let length = if from == to { format!("{to} {unit}") } else { format!("{from} to {to} {unit}") };
        Some(Window { length, start, end })
    }

    fn period(&self) -> Value {
        json!({ "start": self.start.to_string(), "end": self.end.to_string() })
    }
}

impl std::fmt::Display for Window {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{}, between {} and {}", self.length, self.start, self.end)
    }
}

struct Request {
    role: &'static str,
    profile: &'static str,
    priority: &'static str,
    code: Value,
    period: Value,
    words: String,
}

impl Request {
    fn resource(self, derivation: &Derivation<'_>, assessment: &str) -> Value {
        let id = derivation.id(self.role);
        let status = if derivation.withdrawn() { "entered-in-error" } else { "active" };
        let mut out = Map::new();
        let mut put = |name: &str, value: Value| {
            out.insert(name.to_owned(), value);
        };
        put("resourceType", json!("ServiceRequest"));
        put("id", json!(id));
        put("meta", json!({ "profile": [format!("{BASE}/StructureDefinition/{}", self.profile)] }));
        put("text", narrative(&[self.words.clone(), CAUTION.to_owned()]));
        put("identifier", json!([{ "system": format!("{BASE}/identifier/{}", self.role), "value": id }]));
        put("status", json!(status));
        put("intent", json!("proposal"));
        put("priority", json!(self.priority));
        put("code", self.code);
        put("subject", derivation.subject());
        if let Some(encounter) = &derivation.exam.encounter {
            put("encounter", encounter.clone());
        }
        if self.period.as_object().is_some_and(|period| !period.is_empty()) {
            put("occurrencePeriod", self.period);
        }
        if let Some(time) = &derivation.exam.time_text {
            put("authoredOn", json!(time));
        }
        put("supportingInfo", json!([{ "reference": assessment }]));
        put("note", json!([{ "text": self.words }, { "text": CAUTION }]));
        Value::Object(out)
    }
}
