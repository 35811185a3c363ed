//! HL7's own example resources, when they are at hand: SOLEWIRE_R4_EXAMPLES names the folder `package` of the npm
//! package `hl7.fhir.r4.examples` 4.0.1 (CC0-1.0), unpacked.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::checker;
use crate::json::{Document, Limits};

/// The examples that break R4, which rule they break and how. The rules of this module are those without `invariant:`.
const AT_FAULT: &str = include_str!("../../../../tests/oracles/engines/hl7-examples-at-fault.csv");

/// File and rule of the examples that break a rule of this module. Each was read: the fault is in the example.
fn at_fault() -> BTreeSet<(String, String)> {
    let rows = AT_FAULT.lines().skip(1).filter_map(|row| {
        let mut cells = row.split(',');
        Some((cells.next()?.to_owned(), cells.next()?.to_owned()))
    });
    rows.filter(|(_, rule)| !rule.starts_with("invariant:")).collect()
}

#[test]
#[allow(clippy::print_stdout)]
fn examples_of_hl7_pass() {
    let Some(folder) = std::env::var_os("SOLEWIRE_R4_EXAMPLES").map(PathBuf::from) else {
        println!("left out: HL7's examples; set SOLEWIRE_R4_EXAMPLES to their folder to check them");
        return;
    };
    let expected = at_fault();
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
            let (rule, fault) = (issue.rule.into_owned(), (issue.pointer, issue.message));
            if !expected.contains(&(name.clone(), rule.clone())) {
                println!("{name} {rule} {}: {}", fault.0, fault.1);
            }
            found.insert((name.clone(), rule));
        }
    }
    assert!(read > 0, "{} holds no example", folder.display());
    println!("{read} examples read, {} of them at fault", found.len());
    assert_eq!(found, expected);
}
