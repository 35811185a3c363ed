//! The clinic that an exam belongs to, and how far a caller may see.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// The name of a clinic: 1 to 64 ASCII letters, digits, dots, hyphens and underscores. It stands in settings and in the
/// store, so it is no place for a person's name.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Clinic(String);

impl Clinic {
    /// The clinic of this name; none when a clinic cannot be called so.
    #[must_use]
    pub fn named(text: &str) -> Option<Clinic> {
        is_plain_name(text).then(|| Clinic(text.to_owned()))
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.0
    }

    /// The namespace of the ids of its resources, so that two clinics with the same exam identifier share none.
    #[must_use]
    pub fn realm(&self) -> Uuid {
        Uuid::new_v5(
            &Uuid::NAMESPACE_URL,
            format!("https://solewire.example/fhir/clinic/{}", self.0).as_bytes(),
        )
    }
}

/// Whether a text can name a clinic or a device.
pub(crate) fn is_plain_name(text: &str) -> bool {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_');
    (1..=64).contains(&text.len()) && text.bytes().all(plain)
}

/// Whose exams somebody may see.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reach {
    /// Those of every clinic, and those of none.
    All,
    /// Those of one clinic.
    Only(Clinic),
}

impl Reach {
    /// As far as somebody of this clinic may see, or of none.
    #[must_use]
    pub fn of(clinic: Option<&Clinic>) -> Reach {
        clinic.map_or(Reach::All, |clinic| Reach::Only(clinic.clone()))
    }

    /// The one clinic; none for all.
    pub(crate) fn only(&self) -> Option<&str> {
        match self {
            Reach::All => None,
            Reach::Only(clinic) => Some(clinic.name()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clinic_has_a_plain_name_and_ids_of_its_own() {
        for refused in ["", "a b", "a/b", "ä", &"a".repeat(65)] {
            assert_eq!(Clinic::named(refused), None, "{refused}");
        }
        let (north, south) = (Clinic::named("north").unwrap(), Clinic::named("south").unwrap());
        assert_ne!(north.realm(), south.realm());
        assert_eq!(Reach::of(Some(&north)).only(), Some("north"));
        assert_eq!(Reach::of(None).only(), None);
    }
}
