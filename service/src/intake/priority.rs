//! How soon an exam is forwarded: what cannot wait goes before what can.

use serde_json::Value;

use crate::store::Priority;

/// The categories of the shipped guidelines that stand for a high risk, behind the id of the guideline.
const HIGH: [&str; 3] = ["3", "high", "remission"];

/// The priority of an exam, from what was derived of it: the highest category still possible counts.
pub(super) fn priority(derived: &[Value]) -> Priority {
    derived.iter().map(of_one).max().unwrap_or_default()
}

fn of_one(body: &Value) -> Priority {
    let text = |pointer: &str| body.pointer(pointer).and_then(Value::as_str);
    match text("/resourceType") {
        Some("ServiceRequest") if matches!(text("/priority"), Some("urgent" | "asap" | "stat")) => {
            Priority::Active
        }
        Some("RiskAssessment") => {
            let predictions = body.get("prediction").and_then(Value::as_array);
            let codes = predictions.into_iter().flatten().filter_map(|prediction| {
                prediction.pointer("/qualitativeRisk/coding/0/code").and_then(Value::as_str)
            });
            codes.map(of_category).max().unwrap_or_default()
        }
        _ => Priority::Usual,
    }
}

fn of_category(code: &str) -> Priority {
    match code.rsplit_once('.').map(|(_, category)| category) {
        Some("active") => Priority::Active,
        Some(category) if HIGH.contains(&category) => Priority::High,
        _ => Priority::Usual,
    }
}

/// Whether nothing clinical is left of the exam: every assessment is void, or every resource is.
pub(super) fn withdraws(bodies: &[&Value], derived: &[Value]) -> bool {
    let void = |body: &Value| is(body, "status", "entered-in-error");
    let mut assessments = derived.iter().filter(|body| is(body, "resourceType", "RiskAssessment")).peekable();
    let none_holds = assessments.peek().is_some() && assessments.all(void);
    none_holds || bodies.iter().all(|body| void(body))
}

fn is(body: &Value, name: &str, wanted: &str) -> bool {
    body.get(name).and_then(Value::as_str) == Some(wanted)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_highest_category_still_possible_counts() {
        let assessment = |codes: &[&str]| {
            let predictions: Vec<Value> = codes
                .iter()
                .map(|code| json!({ "qualitativeRisk": { "coding": [{ "code": code }] } }))
                .collect();
            json!({ "resourceType": "RiskAssessment", "status": "final", "prediction": predictions })
        };
        let request = |priority: &str| json!({ "resourceType": "ServiceRequest", "priority": priority });
        for (derived, expected) in [
            (vec![], Priority::Usual),
            (vec![assessment(&["iwgdf-2023.0"]), request("routine")], Priority::Usual),
            (vec![assessment(&["iwgdf-2023.1", "iwgdf-2023.3"])], Priority::High),
            (vec![assessment(&["nice-ng19.high"]), request("routine")], Priority::High),
            (vec![assessment(&["iwgdf-2023.active"])], Priority::Active),
            (vec![assessment(&["iwgdf-2023.2"]), request("urgent")], Priority::Active),
        ] {
            assert_eq!(priority(&derived), expected, "{derived:?}");
        }
    }

    #[test]
    fn only_a_whole_exam_is_withdrawn() {
        let assessment = |status: &str| json!({ "resourceType": "RiskAssessment", "status": status });
        let (holds, void) = (json!({ "status": "final" }), json!({ "status": "entered-in-error" }));
        assert!(!withdraws(&[&holds], &[]));
        assert!(withdraws(&[&holds], &[assessment("entered-in-error")]));
        assert!(!withdraws(&[&holds, &void], &[assessment("entered-in-error"), assessment("final")]));
        assert!(withdraws(&[&void], &[]));
    }
}
