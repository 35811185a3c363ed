//! Clinical values and rules that nobody has compared with their publication yet, for `solewire-check rules`.

use serde_json::{Value, json};
use solewire_profiles::risk::Guideline;
use solewire_profiles::{Certainty, clinical_values};

/// A clinical value or rule whose publication nobody has compared it with yet.
pub(crate) struct Unconfirmed {
    id: String,
    /// `findings`, or the id of a guideline.
    part: String,
    /// The number with its unit.
    value: Option<String>,
    /// What rests on it.
    used_by: Vec<String>,
    /// What it says.
    meaning: String,
    source: String,
    certainty: Certainty,
}

impl Unconfirmed {
    /// As JSON.
    pub(crate) fn members(&self) -> Value {
        let mut out = json!({
            "id": self.id,
            "part": self.part,
            "meaning": self.meaning,
            "source": self.source,
            "certainty": self.certainty.words(),
        });
        if let Some(out) = out.as_object_mut() {
            out.extend(self.value.iter().map(|value| ("value".to_owned(), json!(value))));
            if !self.used_by.is_empty() {
                out.insert("used_by".to_owned(), json!(self.used_by));
            }
        }
        out
    }
}

/// What is unconfirmed in the findings and in these guidelines.
pub(crate) fn unconfirmed(guidelines: &[Guideline]) -> Vec<Unconfirmed> {
    let of_findings =
        clinical_values().into_iter().filter(|value| value.certainty.is_unconfirmed()).map(|value| {
            // A plain ratio has the unit `1`, which nobody reads.
            let unit = if value.unit == "1" { "" } else { value.unit };
            let number = |number| format!("{number} {unit}").trim_end().to_owned();
            Unconfirmed {
                id: value.id.to_owned(),
                part: "findings".to_owned(),
                value: value.number.map(number),
                used_by: Vec::new(),
                meaning: value.meaning.to_owned(),
                source: value.source.to_owned(),
                certainty: value.certainty,
            }
        });
    let of_guidelines = guidelines.iter().flat_map(|guideline| {
        let sources = guideline.sources.iter().filter(|(_, source)| source.certainty.is_unconfirmed());
        sources.map(|(key, source)| Unconfirmed {
            id: format!("{}.{key}", guideline.id),
            part: guideline.id.clone(),
            value: None,
            used_by: guideline.uses(key),
            meaning: source.read.clone(),
            source: source.citation.clone(),
            certainty: source.certainty,
        })
    });
    of_findings.chain(of_guidelines).collect()
}

/// The same for people.
pub(crate) fn unconfirmed_table(guidelines: &[Guideline]) -> String {
    let list = unconfirmed(guidelines);
    let width = list.iter().map(|one| one.id.len()).max().unwrap_or_default();
    let mut out =
        "\nUnconfirmed: to be compared with the publication before anyone relies on it.\n".to_owned();
    for one in &list {
        let value = one.value.as_ref().map(|value| format!("{value}: ")).unwrap_or_default();
        // How a source was read says already that it is from memory.
        let how = one.certainty.words();
        let how = if one.meaning.starts_with(how) { String::new() } else { format!("{how}; ") };
        out.push_str(&format!("{:<width$}  {how}{value}{}\n", one.id, one.meaning));
        let indent = " ".repeat(width);
        if !one.used_by.is_empty() {
            out.push_str(&format!("{indent}  used by: {}\n", one.used_by.join(", ")));
        }
        out.push_str(&format!("{indent}  source: {}\n", one.source));
    }
    out
}
