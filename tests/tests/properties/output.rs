//! The derived resources themselves.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::generate::{exam, style};
use super::run::{TERMINOLOGY, cases, complaints, derive, issues_of, options};

proptest! {
    #![proptest_config(cases(16))]

    #[test]
    fn the_same_exam_gives_the_same_bytes(exam in exam(), style in style()) {
        let bundle = exam.bundle(&style, &TERMINOLOGY);
        let bytes = |at: &str| {
            let mut options = options();
            options.at = at.parse().unwrap();
            serde_json::to_string(&derive(&bundle, &options).resources).unwrap()
        };
        let first = bytes("2026-11-02T09:00:00Z");
        prop_assert_eq!(&first, &bytes("2026-11-02T09:00:00Z"));
        let later = bytes("2026-11-03T17:31:00Z");
        prop_assert_ne!(&first, &later);
        prop_assert_eq!(first, later.replace("\"recorded\":\"2026-11-03T17:31:00Z\"", "\"recorded\":\"2026-11-02T09:00:00Z\""));
    }

    #[test]
    fn what_is_derived_passes_its_own_checks(
        exam in exam(), style in style(), withdrawn in prop::bool::weighted(0.1),
    ) {
        let mut exam = exam;
        if withdrawn {
            exam.panel_status = "entered-in-error";
        }
        let derived = derive(&exam.bundle(&style, &TERMINOLOGY), &options());
        for resource in &derived.resources {
            let issues = issues_of(resource);
            prop_assert!(complaints(&issues).is_empty(), "{resource:#}\n{issues:#?}");
        }
        let entries: Vec<Value> = derived
            .resources
            .iter()
            .map(|resource| {
                let url = format!(
                    "https://solewire.example/fhir/{}/{}",
                    resource["resourceType"].as_str().unwrap(),
                    resource["id"].as_str().unwrap()
                );
                json!({ "fullUrl": url, "resource": resource })
            })
            .collect();
        let bundle = json!({ "resourceType": "Bundle", "type": "collection", "entry": entries });
        let issues = issues_of(&bundle);
        prop_assert!(complaints(&issues).is_empty(), "{issues:#?}");
    }
}
