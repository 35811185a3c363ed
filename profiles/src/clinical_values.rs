//! Clinical values that stand in code, each beside the code that uses it, with where it comes from.

use rust_decimal::Decimal;
use serde::Deserialize;

/// How sure it is that a value stands in its source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Certainty {
    /// Read in the publication itself, its abstract or its official page.
    Primary,
    /// Read in a restatement only.
    Secondary,
    /// From memory: to be checked against the publication before anyone relies on it.
    Memory,
    /// Common practice for which no publication was found.
    CommonPractice,
    /// Not published: a choice of local policy where the publication decides nothing.
    Policy,
}

impl Certainty {
    /// Whether the value still has to be checked by somebody who has the publication.
    #[must_use]
    pub fn is_unconfirmed(self) -> bool {
        match self {
            Certainty::Memory | Certainty::CommonPractice => true,
            Certainty::Primary | Certainty::Secondary | Certainty::Policy => false,
        }
    }

    /// The certainty in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Certainty::Primary => "read in the publication",
            Certainty::Secondary => "read in a restatement",
            Certainty::Memory => "from memory",
            Certainty::CommonPractice => "common practice, no source",
            Certainty::Policy => "local policy",
        }
    }
}

/// A value that findings rest on: a threshold, a count, or a definition without a number.
#[derive(Debug, Clone, Copy)]
pub struct ClinicalValue {
    /// Its name.
    pub id: &'static str,
    /// The number; none for a definition.
    pub number: Option<Decimal>,
    /// The unit of the number, in UCUM where it has one.
    pub unit: &'static str,
    /// What it decides, in words.
    pub meaning: &'static str,
    /// The publication, or that there is none.
    pub source: &'static str,
    /// How sure it is.
    pub certainty: Certainty,
}

#[cfg(test)]
mod tests {
    use crate::clinical_values;

    /// The files whose numbers are clinical.
    const FILES: &[(&str, &str)] = &[
        ("exam/read.rs", include_str!("exam/read.rs")),
        ("findings/active.rs", include_str!("findings/active.rs")),
        ("findings/mod.rs", include_str!("findings/mod.rs")),
        ("findings/near.rs", include_str!("findings/near.rs")),
        ("findings/perfusion.rs", include_str!("findings/perfusion.rs")),
        ("findings/recorded.rs", include_str!("findings/recorded.rs")),
        ("findings/sensation.rs", include_str!("findings/sensation.rs")),
        ("findings/severe_ischaemia.rs", include_str!("findings/severe_ischaemia.rs")),
        ("findings/ulcer.rs", include_str!("findings/ulcer.rs")),
        ("findings/warmth.rs", include_str!("findings/warmth.rs")),
        ("sequence/exchanged.rs", include_str!("sequence/exchanged.rs")),
        ("sequence/mod.rs", include_str!("sequence/mod.rs")),
    ];

    #[test]
    fn every_value_has_a_name_of_its_own_a_meaning_and_a_source() {
        let mut ids: Vec<&str> = Vec::new();
        for value in clinical_values() {
            assert!(!ids.contains(&value.id), "{} stands twice", value.id);
            ids.push(value.id);
            assert!(!value.meaning.is_empty() && !value.source.is_empty(), "{}", value.id);
            assert!(value.number.is_some() || value.unit.is_empty(), "{}", value.id);
        }
    }

    #[test]
    fn every_number_of_a_finding_is_a_listed_value() {
        let mut seen = 0;
        for (file, text) in FILES {
            let code = text.split("#[cfg(test)]").next().unwrap();
            for line in code.lines().map(str::trim).filter(|line| !line.starts_with("//")) {
                let constant = ["const ", "pub(crate) const ", "static "]
                    .iter()
                    .find_map(|start| line.strip_prefix(start)?.split_once(": "));
                match constant {
                    Some((name, kind))
                        if ["Decimal", "usize", "u32", "i64"]
                            .iter()
                            .any(|number| kind.starts_with(number)) =>
                    {
                        let rows: Vec<&str> =
                            code.lines().filter(|row| row.trim().starts_with("number: Some(")).collect();
                        assert!(
                            rows.iter().any(|row| row.contains(name)),
                            "{file}: {name} is no listed value"
                        );
                        seen += 1;
                    }
                    Some(_) => {}
                    // A threshold written where it is used would go by unlisted.
                    None if !line.starts_with("number: Some(") => {
                        let bare = line.contains("Decimal::from_parts(")
                            || line.contains("Decimal::from(") && line.chars().any(|c| c.is_ascii_digit());
                        assert!(!bare, "{file}: a number without a name: {line}");
                    }
                    None => {}
                }
            }
        }
        assert!(seen >= 10, "{seen}");
    }
}
