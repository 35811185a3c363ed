//! Every type of R4 has a schema that compiles.

use std::sync::Arc;

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
