//! In the making.

/// The rules of this family.
pub static RULES: &[&crate::issue::Rule] = &[];
