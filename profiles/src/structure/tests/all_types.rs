//! Every type of R4 has a schema that compiles; every rule tells what it is.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::super::RULES;
use super::super::compiled::Compiled;
use crate::definitions::BaseTables;

#[test]
fn every_type_and_group_compiles() {
    let tables = BaseTables::builtin();
    let compiled = Compiled::new(tables);
    let mut waiting: Vec<&str> = tables.resource_types().to_vec();
    let mut seen = BTreeSet::new();
    while let Some(name) = waiting.pop() {
        if !seen.insert(name) {
            continue;
        }
        let validator = compiled.validator(name).unwrap();
        assert!(Arc::ptr_eq(&validator, &compiled.validator(name).unwrap()), "{name} was compiled twice");
        let elements = &tables.type_definition(name).unwrap().elements;
        waiting.extend(elements.iter().flat_map(|element| &element.types).map(|form| form.code.as_ref()));
    }
    assert!(
        seen.contains("Extension") && seen.contains("Timing.repeat") && seen.len() > 600,
        "{}",
        seen.len()
    );
}

#[test]
fn every_rule_explains_itself() {
    let mut ids: Vec<&str> = RULES.iter().map(|rule| rule.id).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), RULES.len());
    for rule in RULES {
        for text in [rule.summary, rule.why, rule.mend, rule.source] {
            assert!(text.len() > 10, "{} leaves something unsaid", rule.id);
        }
    }
}
