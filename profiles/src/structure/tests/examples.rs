//! HL7's own example resources, when they are at hand: SOLEWIRE_R4_EXAMPLES names the folder `package` of the npm
//! package `hl7.fhir.r4.examples` 4.0.1 (CC0-1.0).

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::definitions::BaseTables;
use crate::json::{Document, Limits};
use crate::structure::Checker;

#[test]
#[allow(clippy::print_stdout)]
fn examples_of_hl7_pass() {
    let Some(folder) = std::env::var_os("SOLEWIRE_R4_EXAMPLES").map(PathBuf::from) else {
        println!("left out: HL7's examples; set SOLEWIRE_R4_EXAMPLES to their folder to check them");
        return;
    };
    let checker = Checker::new(BaseTables::builtin().unwrap());
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let (mut read, mut clean) = (0, 0);
    let mut failing: BTreeMap<String, usize> = BTreeMap::new();
    let limits = Limits { depth: 200, ..Limits::default() };
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        if !name.ends_with(".json") || name == "package.json" || name.starts_with('.') {
            continue;
        }
        read += 1;
        let document = match Document::parse(std::fs::read(&file).unwrap(), limits) {
            Ok(document) => document,
            Err(issues) => {
                println!("{name}: {} {}", issues[0].rule, issues[0].message);
                continue;
            }
        };
        let mut issues = Vec::new();
        checker.check(document.value(), &mut issues);
        if issues.is_empty() {
            clean += 1;
        }
        for issue in issues {
            println!("{name} {} {} {} {:?}", issue.rule, issue.pointer, issue.message, issue.value);
            *failing.entry(issue.rule.into_owned()).or_default() += 1;
        }
    }
    println!("{clean} of {read} examples are clean; issues: {failing:?}");
}
