//! The compiled schemas, each made when its type is first met and kept.

use std::collections::HashMap;
use std::sync::{Arc, PoisonError, RwLock};

use jsonschema::Validator;

use super::{keywords, schema};
use crate::definitions::BaseTables;

/// Why a type has no usable schema. A test compiles them all, so this does not happen with the shipped tables.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the schema of {type_name} cannot be compiled: {reason}")]
pub(super) struct Unusable {
    type_name: String,
    reason: String,
}

/// Schemas by type name.
#[derive(Debug)]
pub(super) struct Compiled {
    tables: &'static BaseTables,
    validators: RwLock<HashMap<String, Arc<Validator>>>,
}

impl Compiled {
    pub(super) fn new(tables: &'static BaseTables) -> Arc<Compiled> {
        Arc::new(Compiled { tables, validators: RwLock::new(HashMap::new()) })
    }

    /// The validator of a type, compiled at the first call for it.
    pub(super) fn validator(self: &Arc<Self>, type_name: &str) -> Result<Arc<Validator>, Unusable> {
        let known = self.validators.read().unwrap_or_else(PoisonError::into_inner).get(type_name).cloned();
        if let Some(validator) = known {
            return Ok(validator);
        }
        let unusable = |reason: String| Unusable { type_name: type_name.to_owned(), reason };
        let document = schema::document(self.tables, type_name)
            .ok_or_else(|| unusable("the tables do not know the type".to_owned()))?;
        let options = keywords::options(&Arc::downgrade(self), self.tables);
        let validator = Arc::new(options.build(&document).map_err(|error| unusable(error.to_string()))?);
        let mut validators = self.validators.write().unwrap_or_else(PoisonError::into_inner);
        // Two threads may have compiled the same schema; both are right, one is kept.
        Ok(Arc::clone(validators.entry(type_name.to_owned()).or_insert(validator)))
    }
}
