//! Every type of R4 has a schema that compiles; every rule tells what it is.

use std::sync::Arc;

use super::super::RULES;
use super::super::compiled::Compiled;
use crate::definitions::BaseTables;

#[test]
fn every_resource_type_compiles() {
    let tables = BaseTables::builtin().unwrap();
    let compiled = Compiled::new(tables);
    for name in tables.resource_types().iter().copied().chain(["Extension"]) {
        let validator = compiled.validator(name).unwrap();
        assert!(Arc::ptr_eq(&validator, &compiled.validator(name).unwrap()), "{name} was compiled twice");
    }
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
