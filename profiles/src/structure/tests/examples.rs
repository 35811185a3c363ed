//! HL7's own example resources, when they are at hand: SOLEWIRE_R4_EXAMPLES names the folder `package` of the npm
//! package `hl7.fhir.r4.examples` 4.0.1 (CC0-1.0), unpacked.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::checker;
use crate::json::{Document, Limits};

/// The examples that break R4, and how. Each was read: the fault is in the example.
const AT_FAULT: &[(&str, &str)] = &[
    ("Bundle-10bb101f-a121-4264-a920-67be9cb82c74.json", "bundle-full-url-mismatch"),
    ("Bundle-3a0707d3-549e-4467-b8b8-5a2ab3800efe.json", "bundle-full-url-mismatch"),
    ("Bundle-dataelements.json", "bundle-full-url-duplicate"),
    ("Bundle-lri-example.json", "bundle-full-url-mismatch"),
    ("DeviceMetric-example.json", "structure-reference-target"),
    ("DeviceUseStatement-example.json", "structure-reference-target"),
    ("ImplementationGuide-fhir.json", "structure-required"),
    ("MedicationRequest-medrx0301.json", "structure-reference-target"),
    ("Observation-clinical-gender.json", "structure-reference-target"),
    ("Questionnaire-qs1.json", "structure-required"),
    ("SearchParameter-codesystem-extensions-CodeSystem-author.json", "structure-required"),
    ("SearchParameter-codesystem-extensions-CodeSystem-effective.json", "structure-required"),
    ("SearchParameter-codesystem-extensions-CodeSystem-end.json", "structure-required"),
    ("SearchParameter-codesystem-extensions-CodeSystem-keyword.json", "structure-required"),
    ("SearchParameter-codesystem-extensions-CodeSystem-workflow.json", "structure-required"),
    (
        "SearchParameter-questionnaireresponse-extensions-QuestionnaireResponse-item-subject.json",
        "structure-primitive",
    ),
    ("SearchParameter-valueset-extensions-ValueSet-author.json", "structure-required"),
    ("SearchParameter-valueset-extensions-ValueSet-effective.json", "structure-required"),
    ("SearchParameter-valueset-extensions-ValueSet-end.json", "structure-required"),
    ("SearchParameter-valueset-extensions-ValueSet-keyword.json", "structure-required"),
    ("SearchParameter-valueset-extensions-ValueSet-workflow.json", "structure-required"),
    ("ig-r4.json", "structure-required"),
];

#[test]
#[allow(clippy::print_stdout)]
fn examples_of_hl7_pass() {
    let Some(folder) = std::env::var_os("SOLEWIRE_R4_EXAMPLES").map(PathBuf::from) else {
        println!("left out: HL7's examples; set SOLEWIRE_R4_EXAMPLES to their folder to check them");
        return;
    };
    let mut read = 0;
    let mut found = BTreeSet::new();
    for entry in std::fs::read_dir(&folder).unwrap() {
        let file = entry.unwrap().path();
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        if !name.ends_with(".json") || name == "package.json" || name.starts_with('.') {
            continue;
        }
        read += 1;
        let mut issues = match Document::parse(std::fs::read(&file).unwrap(), Limits::default()) {
            Ok(document) => {
                let mut issues = Vec::new();
                checker().check(document.value(), &mut issues);
                issues
            }
            Err(issues) => issues,
        };
        issues.dedup_by(|a, b| a.rule == b.rule);
        for issue in issues {
            if !AT_FAULT.contains(&(&name, &issue.rule)) {
                println!("{name} {} {}: {}", issue.rule, issue.pointer, issue.message);
            }
            found.insert((name.clone(), issue.rule.into_owned()));
        }
    }
    assert!(read > 0, "{} holds no example", folder.display());
    println!("{read} examples read, {} of them at fault", found.len());
    let expected = AT_FAULT.iter().map(|(name, rule)| ((*name).to_owned(), (*rule).to_owned()));
    assert_eq!(found, expected.collect());
}
