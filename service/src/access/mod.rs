//! Who a caller is, by whatever shows it, and what a caller may do.

mod certificate;
mod denials;
mod issuer;
mod keys;
mod limits;
mod scopes;
mod tokens;

pub use certificate::{PeerCertificate, note_certificate};
pub(crate) use denials::Denials;
pub use issuer::{Issuer, NotTaken};
pub use keys::KeySource;
pub(crate) use limits::Limits;
pub(crate) use tokens::{Known, follow, known_now};

use serde::{Deserialize, Serialize};

use crate::clinic::{Clinic, Reach};
use crate::config::Right;

/// Somebody who asks for something.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Caller {
    /// The name under which a caller's actions are kept and logged. It says nothing about a person.
    pub name: String,
    /// What the caller may do.
    pub rights: Vec<Right>,
    /// The types that the caller may read, where that is allowed at all.
    pub types: Types,
    /// The clinic that the caller belongs to; its exams are all that the caller sees.
    pub clinic: Option<Clinic>,
    /// The device that the caller is.
    pub device: Option<String>,
}

impl Caller {
    /// Whose exams the caller may see.
    #[must_use]
    pub fn reach(&self) -> Reach {
        Reach::of(self.clinic.as_ref())
    }

    /// The name under which idempotency keys are kept: the same caller for another clinic is another one.
    #[must_use]
    pub fn owner_of_keys(&self) -> String {
        match &self.clinic {
            Some(clinic) => format!("{}@{}", self.name, clinic.name()),
            None => self.name.clone(),
        }
    }

    /// Whether the caller may do this with everything that it is about.
    #[must_use]
    pub fn may(&self, right: Right) -> bool {
        self.rights.contains(&right) && (right != Right::Read || self.types == Types::All)
    }

    /// Whether the caller may read resources of this type.
    #[must_use]
    pub fn may_read(&self, resource_type: &str) -> bool {
        self.rights.contains(&Right::Read) && self.types.hold(resource_type)
    }
}

/// Types of resources.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Types {
    /// All.
    All,
    /// These.
    Some(Vec<String>),
}

impl Types {
    fn hold(&self, resource_type: &str) -> bool {
        match self {
            Types::All => true,
            Types::Some(types) => types.iter().any(|known| known == resource_type),
        }
    }
}
