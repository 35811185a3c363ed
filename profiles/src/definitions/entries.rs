//! A table as its generator writes it: one entry to a line, and an entry is read when it is first asked for.

use std::sync::OnceLock;

use ahash::AHashMap;
use memchr::memmem;

use crate::load_error::LoadError;

/// The entries of one table by name. A document of one type then never pays for reading the others.
#[derive(Debug)]
pub(super) struct Entries<T> {
    numbers: AHashMap<&'static str, usize>,
    list: Vec<Entry<T>>,
}

#[derive(Debug)]
pub(super) struct Entry<T> {
    pub(super) name: &'static str,
    /// Its JSON.
    pub(super) text: &'static str,
    read: OnceLock<Result<T, LoadError>>,
}

impl<T> Entries<T> {
    /// Finds the entries of a table. None of them is read.
    pub(super) fn find(table: &'static str) -> Entries<T> {
        let text = table.trim_end();
        let text = text.strip_suffix('}').unwrap_or(text);
        // What belongs to an entry begins with a bracket where it has lines of its own.
        let mut starts = memmem::find_iter(text.as_bytes(), b"\n\"").map(|at| at + 2).peekable();
        let mut list = Vec::new();
        while let Some(start) = starts.next() {
            let end = starts.peek().map_or(text.len(), |next| next - 2);
            let entry = text.get(start..end).and_then(|entry| entry.split_once("\":"));
            let Some((name, text)) = entry else { continue };
            let text = text.trim_end();
            let text = text.strip_suffix(',').unwrap_or(text);
            list.push(Entry { name, text, read: OnceLock::new() });
        }
        let numbers = list.iter().enumerate().map(|(number, entry)| (entry.name, number)).collect();
        Entries { numbers, list }
    }

    /// What an entry holds, made with `read` at the first call for it. None where there is no such entry, and where it
    /// cannot be read.
    pub(super) fn get(&self, name: &str, read: impl FnOnce(&Entry<T>) -> Result<T, LoadError>) -> Option<&T> {
        let entry = self.list.get(*self.numbers.get(name)?)?;
        entry.read.get_or_init(|| read(entry)).as_ref().ok()
    }

    /// All entries, in the order of the table.
    pub(super) fn iter(&self) -> impl Iterator<Item = &Entry<T>> {
        self.list.iter()
    }
}

impl<T> Entry<T> {
    /// Why it cannot be read; none where it can be or was never asked for.
    #[cfg(test)]
    pub(super) fn fault(&self) -> Option<&LoadError> {
        self.read.get()?.as_ref().err()
    }
}
