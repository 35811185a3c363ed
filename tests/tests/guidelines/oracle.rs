//! Rows of the oracle files: `id, guideline, inputs, expected_category, expected_interval, source, status, note`.
//!
//! `confirmed` and `secondary` rows were read in the publication or in a restatement, `memory` rows are unconfirmed, and
//! `open` rows are cases that the publication does not decide.

use std::path::Path;

#[derive(Debug, Clone)]
pub(crate) struct Row {
    pub(crate) id: String,
    pub(crate) guideline: String,
    inputs: String,
    pub(crate) category: String,
    pub(crate) interval: String,
    pub(crate) status: String,
    pub(crate) note: String,
}

impl Row {
    /// The inputs as key and value, in order.
    pub(crate) fn inputs(&self) -> impl Iterator<Item = (&str, &str)> {
        self.inputs.split(';').map(|input| input.split_once('=').unwrap())
    }

    pub(crate) fn input(&self, key: &str) -> Option<&str> {
        self.inputs().find(|(name, _)| *name == key).map(|(_, value)| value)
    }

    pub(crate) fn open(&self) -> bool {
        self.status == "open"
    }
}

/// Reads an oracle file.
pub(crate) fn rows(file: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("oracles").join(file);
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines().map(fields);
    let header = lines.next().unwrap().join(",");
    assert_eq!(header, "id,guideline,inputs,expected_category,expected_interval,source,status,note");
    lines
        .map(|fields| {
            let [id, guideline, inputs, category, interval, source, status, note] =
                fields.try_into().unwrap();
            assert!(!source.is_empty(), "{id} has no source");
            assert!(
                ["confirmed", "secondary", "memory", "open"].contains(&status.as_str()),
                "{id}: {status}"
            );
            Row { id, guideline, inputs, category, interval, status, note }
        })
        .collect()
}

/// The fields of a line of CSV. No field of these files spans lines.
fn fields(line: &str) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut quoted = false;
    let mut characters = line.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '"' if quoted && characters.peek() == Some(&'"') => {
                characters.next();
                out.last_mut().unwrap().push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => out.push(String::new()),
            _ => out.last_mut().unwrap().push(character),
        }
    }
    out
}

/// Says which rows hold without having been confirmed in a publication.
pub(crate) fn list_unconfirmed<'r>(file: &str, rows: impl Iterator<Item = &'r Row>) {
    let ids: Vec<&str> = rows.filter(|row| row.status == "memory").map(|row| row.id.as_str()).collect();
    println!("{file}: {} rows hold but are from memory, unconfirmed: {}", ids.len(), ids.join(" "));
}
