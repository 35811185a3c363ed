//! A record of what was checked, by what, with which result: for those who must show it later.
//!
//! The same call over the same files gives the same bytes. Who ran it and when enter only when told by a flag.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;

use jiff::Timestamp;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use solewire_profiles::Engine;
use solewire_profiles::inventory::Origin;

use crate::args::{EvidenceArguments, FailOn};
use crate::baseline::Baseline;
use crate::catalogue;
use crate::console::Console;
use crate::exit::Exit;
use crate::input::{Fingerprint, Name};
use crate::inventory;
use crate::report::{Totals, one_line, summary};

/// The version of the format. It grows when a member is renamed, removed or changes its meaning.
const VERSION: u32 = 1;

/// SHA-256 in hexadecimal.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes in hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// An evidence file that is being written.
pub(crate) struct Evidence {
    path: PathBuf,
    file: File,
    fail_on: FailOn,
    head: Value,
    files: Vec<Value>,
}

/// What shaped the result beside the files.
pub(crate) struct Circumstances<'a> {
    pub(crate) engine: &'a Engine,
    pub(crate) fail_on: FailOn,
    /// The present, when the caller fixed it.
    pub(crate) at: Option<Timestamp>,
}

impl Evidence {
    /// Opens the file, when one is asked for.
    ///
    /// # Errors
    /// How the run ends when it cannot be written; the reason has been said.
    pub(crate) fn open(
        arguments: &EvidenceArguments,
        circumstances: &Circumstances<'_>,
        console: Console,
    ) -> Result<Option<Evidence>, Exit> {
        let Some(path) = &arguments.evidence else { return Ok(None) };
        let file = File::create(path).map_err(|error| {
            console.fault(&format!("--evidence {}: cannot be written: {error}.", path.display()));
            Exit::Usage
        })?;
        let guidelines = circumstances.engine.guidelines().iter().map(
            |guideline| json!({ "id": guideline.id, "version": guideline.version, "sha256": guideline.hash }),
        );
        let rules = catalogue::document(circumstances.engine);
        let definitions = circumstances.engine.definitions();
        let of_site = definitions.iter().filter(|definition| definition.origin != Origin::Shipped);
        let site = of_site.map(inventory::members);
        let mut head = json!({
            "schema_version": VERSION,
            "kind": "evidence",
            "tool": { "name": env!("CARGO_PKG_NAME"), "version": env!("CARGO_PKG_VERSION") },
            "fhir_version": "4.0.1",
            "guidelines": guidelines.collect::<Vec<_>>(),
            "profiles": {
                "shipped": inventory::shipped_members(),
                "site": site.collect::<Vec<_>>(),
            },
            "rules_sha256": sha256(one_line(&rules).as_bytes()),
            "fail_on": circumstances.fail_on.word(),
        });
        if let Some(head) = head.as_object_mut() {
            for (name, value) in [
                ("at", circumstances.at.map(|at| at.to_string())),
                ("run_by", arguments.evidence_by.clone()),
                ("run_at", arguments.evidence_at.map(|at| at.to_string())),
            ] {
                if let Some(value) = value {
                    head.insert(name.to_owned(), json!(value));
                }
            }
        }
        let fail_on = circumstances.fail_on;
        Ok(Some(Evidence { path: path.clone(), file, fail_on, head, files: Vec::new() }))
    }

    /// Takes up a file.
    pub(crate) fn file(&mut self, name: &Name, totals: &Totals, fingerprint: Option<&Fingerprint>) {
        let mut file = json!({ "file": name.shown, "verdict": verdict(totals, self.fail_on) });
        if let Some(file) = file.as_object_mut() {
            if let Some(fingerprint) = fingerprint {
                file.insert("sha256".to_owned(), json!(fingerprint.sha256));
                file.insert("bytes".to_owned(), json!(fingerprint.bytes));
            }
            if let Value::Object(counts) = counts(totals) {
                file.extend(counts);
            }
        }
        self.files.push(file);
    }

    /// Writes the file.
    pub(crate) fn finish(mut self, totals: &Totals, baseline: Option<&Baseline>, console: Console) -> Exit {
        if let (Some(baseline), Some(head)) = (baseline, self.head.as_object_mut()) {
            let members = json!({
                "file": baseline.path.to_string_lossy(),
                "sha256": baseline.sha256,
                "entries": baseline.members(),
            });
            head.insert("baseline".to_owned(), members);
        }
        let head = one_line(&self.head);
        let head = head.strip_suffix('}').unwrap_or(&head);
        let files = self.files.iter().map(one_line).collect::<Vec<_>>().join(",\n");
        let verdict = one_line(&verdict(totals, self.fail_on));
        let summary = one_line(&summary(totals));
        let text = format!("{head},\"files\":[\n{files}\n],\"verdict\":{verdict},\"summary\":{summary}}}\n");
        match self.file.write_all(text.as_bytes()).and_then(|()| self.file.flush()) {
            Ok(()) => Exit::Clean,
            Err(error) => {
                console.fault(&format!("--evidence {}: cannot be written: {error}.", self.path.display()));
                Exit::Fault
            }
        }
    }
}

fn counts(totals: &Totals) -> Value {
    json!({
        "documents": totals.documents,
        "skipped": totals.skipped,
        "unread": totals.unread,
        "errors": totals.issues.errors,
        "warnings": totals.issues.warnings,
        "notes": totals.issues.notes,
        "accepted": totals.accepted,
    })
}

/// The gravest thing that can be said. What was not read whole is never clean.
fn verdict(totals: &Totals, fail_on: FailOn) -> &'static str {
    if totals.incomplete {
        "incomplete"
    } else if totals.unread > 0 {
        "unread"
    } else if totals.issues.failing(fail_on) > 0 {
        "findings"
    } else if totals.documents == 0 {
        "nothing-checked"
    } else {
        "clean"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::Counts;

    #[test]
    fn the_published_test_vector() {
        assert_eq!(sha256(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn the_gravest_verdict_wins() {
        let warned =
            Totals { documents: 1, issues: Counts { errors: 0, warnings: 1, notes: 0 }, ..Totals::default() };
        assert_eq!(verdict(&warned, FailOn::Error), "clean");
        assert_eq!(verdict(&warned, FailOn::Warning), "findings");
        assert_eq!(verdict(&Totals { unread: 1, ..warned }, FailOn::Warning), "unread");
        assert_eq!(verdict(&Totals { incomplete: true, unread: 1, ..warned }, FailOn::Error), "incomplete");
        assert_eq!(verdict(&Totals::default(), FailOn::Error), "nothing-checked");
    }
}
