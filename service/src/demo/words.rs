//! The demo's resources in plain words.

use std::io::{self, Write};

use serde_json::Value;

/// A text inside a resource.
pub(super) fn text<'a>(value: &'a Value, pointer: &str) -> Option<&'a str> {
    value.pointer(pointer).and_then(Value::as_str)
}

/// The issues of an OperationOutcome, a line each.
pub(super) fn issues(outcome: &Value) -> Vec<String> {
    let issues = outcome.get("issue").and_then(Value::as_array);
    issues
        .into_iter()
        .flatten()
        .map(|issue| {
            let severity = text(issue, "/severity").unwrap_or("issue");
            let rule =
                text(issue, "/details/coding/0/code").map(|rule| format!(" {rule}")).unwrap_or_default();
            let place = text(issue, "/expression/0").map(|place| format!(" at {place}")).unwrap_or_default();
            format!("{severity}{rule}{place}: {}", text(issue, "/details/text").unwrap_or_default())
        })
        .collect()
}

/// The categories of an assessment, lowest first.
pub(super) fn categories(assessment: &Value) -> Vec<String> {
    predictions(assessment)
        .filter_map(|prediction| {
            let risk = prediction.get("qualitativeRisk")?;
            let code = text(risk, "/coding/0/code")?;
            Some(match text(risk, "/text").or_else(|| text(risk, "/coding/0/display")) {
                Some(name) => format!("{name} ({code})"),
                None => code.to_owned(),
            })
        })
        .collect()
}

/// Why: the rationale of each prediction, then the notes.
pub(super) fn reasons(assessment: &Value) -> Vec<String> {
    let rationales = predictions(assessment).filter_map(|prediction| text(prediction, "/rationale"));
    let notes = assessment.get("note").and_then(Value::as_array).into_iter().flatten();
    let notes = notes.filter_map(|note| text(note, "/text"));
    rationales.chain(notes).flat_map(str::lines).map(str::to_owned).collect()
}

/// The window of a request for recall or referral.
pub(super) fn window(request: &Value) -> String {
    let what =
        text(request, "/code/text").or_else(|| text(request, "/code/coding/0/display")).unwrap_or("request");
    let start = text(request, "/occurrencePeriod/start");
    let end = text(request, "/occurrencePeriod/end");
    match (start, end) {
        (Some(start), Some(end)) => format!("{what}: between {start} and {end}"),
        (None, Some(end)) => format!("{what}: by {end}"),
        (Some(start), None) => format!("{what}: from {start}"),
        (None, None) => what.to_owned(),
    }
}

/// The states in the operators' list of deliveries.
pub(super) fn states(list: &Value) -> Vec<&str> {
    let deliveries = list.get("deliveries").and_then(Value::as_array);
    deliveries.into_iter().flatten().filter_map(|delivery| text(delivery, "/state")).collect()
}

/// A long text in lines that fit a terminal, the first one behind a dash.
pub(super) fn item(text: &str) -> String {
    const WIDTH: usize = 110;
    let mut wrapped = String::from("  -");
    let mut column = wrapped.len();
    for word in text.split_whitespace() {
        if column + 1 + word.chars().count() > WIDTH && column > 4 {
            wrapped.push_str("\n   ");
            column = 3;
        }
        wrapped.push(' ');
        wrapped.push_str(word);
        column += 1 + word.chars().count();
    }
    wrapped
}

/// What the demo says while it goes on serving.
pub(super) fn serving(
    out: &mut impl Write,
    fhir_url: &str,
    operations_url: &str,
    records_url: &str,
) -> io::Result<()> {
    writeln!(out, "\nStill serving. Interrupt to stop; then everything is forgotten.")?;
    writeln!(out, "  pages           {}/", fhir_url.trim_end_matches("/fhir"))?;
    writeln!(out, "  FHIR interface  {fhir_url}")?;
    writeln!(out, "  operators       {operations_url}/operations/deliveries")?;
    writeln!(out, "  record system   {records_url}")?;
    out.flush()
}

fn predictions(assessment: &Value) -> impl Iterator<Item = &Value> {
    assessment.get("prediction").and_then(Value::as_array).into_iter().flatten()
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn an_assessment_is_told_by_category_and_reason() {
        let assessment = json!({
            "prediction": [{
                "qualitativeRisk": { "coding": [{ "code": "iwgdf-2023.2", "display": "IWGDF 2023: moderate" }],
                    "text": "IWGDF 2023 category 2: moderate risk" },
                "rationale": "first\nsecond"
            }],
            "note": [{ "text": "third" }]
        });
        assert_eq!(categories(&assessment), ["IWGDF 2023 category 2: moderate risk (iwgdf-2023.2)"]);
        assert_eq!(reasons(&assessment), ["first", "second", "third"]);
    }

    #[test]
    fn a_window_has_two_ends_or_one() {
        let request =
            json!({ "code": { "text": "Recall" }, "occurrencePeriod": { "start": "a", "end": "b" } });
        assert_eq!(window(&request), "Recall: between a and b");
        assert_eq!(window(&json!({ "occurrencePeriod": { "end": "b" } })), "request: by b");
    }

    #[test]
    fn long_texts_are_broken_between_words_and_lose_none() {
        let text = "word ".repeat(60);
        let item = item(&text);
        assert!(item.lines().count() > 1 && item.lines().all(|line| line.len() <= 110), "{item}");
        assert!(
            item.starts_with("  - word") && item.lines().skip(1).all(|line| line.starts_with("    word"))
        );
        assert_eq!(item.split_whitespace().filter(|part| *part == "word").count(), 60);
    }

    #[test]
    fn the_states_are_those_of_deliveries_and_not_of_the_lane() {
        let list = json!({ "lane": { "state": "open" }, "deliveries": [{ "state": "pending" }, { "state": "verified" }] });
        assert_eq!(states(&list), ["pending", "verified"]);
    }
}
