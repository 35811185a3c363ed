//! What a guideline predicts: a category in its words, or a probability with its time.

use serde_json::{Map, Value, json};

use super::derive::{Derivation, Verdict, coding, fact_words};
use crate::findings::Fact;
use crate::risk::{Category, Probability, Witness};
use crate::time::{IntervalUnit, add_interval};

/// A category with its guideline, for people.
pub(super) fn display(verdict: &Verdict<'_>, category: &Category) -> String {
    let title = &verdict.guideline.title;
    match &category.probability {
        Some(probability) => {
            let months = probability.within_months;
            format!("{title}: {}, {} % within {months} months", category.display, probability.percent)
        }
        None => named(title, category),
    }
}

/// A category with its number, if it has one, and its name: `IWGDF 2023 category 2: moderate risk`.
fn named(title: &str, category: &Category) -> String {
    let (code, display) = (&category.code, &category.display);
    if category.active {
        format!("{title}: {display}")
    } else if display.starts_with("category ") {
        format!("{title} {display}")
    } else if code.parse::<u8>().is_ok() {
        format!("{title} category {code}: {display} risk")
    } else if code == display {
        // A code that is its own name is a level of risk; a state such as remission has a code apart from its name.
        format!("{title}: {display} risk")
    } else {
        format!("{title}: {display}")
    }
}

/// A category as the code system displays it.
fn code_display(verdict: &Verdict<'_>, category: &Category) -> String {
    format!("{}: {}", verdict.guideline.title, category.display)
}

/// A category inside a sentence.
pub(super) fn name(category: &Category) -> String {
    let (code, display) = (&category.code, &category.display);
    if let Some(probability) = &category.probability {
        format!("{display} ({} %)", probability.percent)
    } else if category.active || display.starts_with("category ") {
        display.clone()
    } else if code.parse::<u8>().is_ok() {
        format!("category {code} ({display})")
    } else {
        format!("category {display}")
    }
}

/// How the unknown facts would have to turn out for a category.
pub(super) fn assumption(witness: &Witness) -> String {
    let say = |wanted: bool| -> Vec<Fact> {
        witness.assumed.iter().filter(|(_, present)| *present == wanted).map(|(fact, _)| *fact).collect()
    };
    let (present, absent) = (say(true), say(false));
    let turn = |facts: &[Fact]| if facts.len() == 1 { "turns" } else { "turn" };
    match (present.as_slice(), absent.as_slice()) {
        ([], []) => String::new(),
        (present, []) => format!("{} {} out present", fact_words(present), turn(present)),
        ([], absent) => format!("{} {} out absent", fact_words(absent), turn(absent)),
        (present, absent) => {
            format!("{} {} out present and {} absent", fact_words(present), turn(present), fact_words(absent))
        }
    }
}

/// One prediction, or the lowest and the highest of a range in this order. A guideline that gives a probability
/// predicts nothing with an active problem.
pub(super) fn predictions(derivation: &Derivation<'_>, verdict: &Verdict<'_>, evidence: &str) -> Vec<Value> {
    let guideline = verdict.guideline;
    let predicted: Vec<(&Category, &Witness)> = verdict
        .person
        .categories
        .iter()
        .filter_map(|(number, witness)| Some((guideline.categories.get(*number)?, witness)))
        .filter(|(category, _)| !guideline.gives_probability() || !category.active)
        .collect();
    let make = |prefix: &str, category: &Category, witness: &Witness| {
        prediction(derivation, verdict, evidence, (prefix, category, witness))
    };
    let predictions: Vec<Option<Value>> = match predicted.as_slice() {
        [] => Vec::new(),
        [(category, witness)] => vec![make("", category, witness)],
        [(low, low_witness), .., (high, high_witness)] => {
            vec![make("lowest: ", low, low_witness), make("highest: ", high, high_witness)]
        }
    };
    predictions.into_iter().flatten().collect()
}

fn prediction(
    derivation: &Derivation<'_>,
    verdict: &Verdict<'_>,
    evidence: &str,
    (prefix, category, witness): (&str, &Category, &Witness),
) -> Option<Value> {
    let guideline = verdict.guideline;
    let rule = guideline.rules.get(witness.rule)?;
    let assumed = assumption(witness);
    let condition = if assumed.is_empty() { String::new() } else { format!(", if {assumed}") };
    let estimate = category.probability.as_ref().map(estimate).unwrap_or_default();
    let mut keys = vec![&rule.source];
    keys.extend(category.probability.iter().map(|probability| &probability.source));
    keys.dedup();
    let sources: Vec<String> =
        keys.into_iter().filter_map(|key| guideline.sources.get(key)).map(|source| source.cited()).collect();
    let rationale = format!(
        "{prefix}{}{condition}, by rule {}: {}. {estimate}{evidence} Source: {}.",
        name(category),
        rule.id,
        rule.because,
        sources.join("; ")
    );
    let mut out = Map::new();
    let mut put = |name: &str, value: Value| {
        out.insert(name.to_owned(), value);
    };
    put(
        "outcome",
        json!({ "coding": [
            coding("foot-risk", "foot-ulcer", "New foot ulcer"),
            { "system": "http://snomed.info/sct", "code": "714664001",
              "display": "At risk of ulcer of foot due to diabetes mellitus" }
        ] }),
    );
    if let Some(probability) = &category.probability {
        put("probabilityDecimal", Value::Number(probability.percent.clone()));
        if let Some(period) = horizon(derivation, probability) {
            put("whenPeriod", period);
        }
    }
    if let Some(risk) = guideline.category_code(category) {
        put(
            "qualitativeRisk",
            json!({ "coding": [coding("foot-risk", &risk, &code_display(verdict, category))],
                    "text": display(verdict, category) }),
        );
    }
    put("rationale", json!(rationale));
    Some(Value::Object(out))
}

fn estimate(probability: &Probability) -> String {
    format!(
        "Probability of a new foot ulcer within {} months: {} % (95 % confidence interval {} to {}, of the estimate for \
         the group and not a range for the person; no time of recall follows from it). ",
        probability.within_months, probability.percent, probability.low, probability.high
    )
}

/// The time that a probability speaks of; none without an exact time of the exam.
fn horizon(derivation: &Derivation<'_>, probability: &Probability) -> Option<Value> {
    let start = derivation.exam.time?.date();
    let end = add_interval(start, probability.within_months, IntervalUnit::Month)?;
    Some(json!({ "start": start.to_string(), "end": end.to_string() }))
}
