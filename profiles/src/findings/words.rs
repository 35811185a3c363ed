//! Names of places and results for people, from the code systems.

use rust_decimal::Decimal;

use crate::exam::{Entry, Item, Laterality, Reading, ResultCode, Site, Test};
use crate::terminology::{LocalSystem, Terminology};

use super::Evidence;

pub(super) struct Words<'t> {
    pub(super) terminology: &'t Terminology,
}

impl Words<'_> {
    fn display(&self, system: LocalSystem, code: &'static str) -> String {
        self.terminology.display(system, code).unwrap_or(code).to_owned()
    }

    pub(super) fn test(&self, test: Test) -> String {
        self.display(LocalSystem::FootTest, test.code())
    }

    pub(super) fn site(&self, site: Site) -> String {
        lower_first(&self.display(LocalSystem::FootSite, site.code()))
    }

    pub(super) fn item(&self, item: Item) -> String {
        lower_first(&self.display(LocalSystem::FootTest, item.code()))
    }

    pub(super) fn result(&self, code: ResultCode) -> String {
        lower_first(&self.display(LocalSystem::FootResult, code.code()))
    }

    pub(super) fn at_site(&self, side: Laterality, test: Test, site: Site, said: &str) -> String {
        format!("{} foot: {} {said} at the {}", side.word(), lower_first(&self.test(test)), self.site(site))
    }

    pub(super) fn on_foot(&self, side: Laterality, what: &str, said: &str) -> String {
        format!("{} foot: {what} {said}", side.word())
    }
}

/// Lowers the first letter of a display that stands inside a sentence, unless it begins an abbreviation.
pub(super) fn lower_first(text: &str) -> String {
    let mut characters = text.chars();
    match (characters.next(), characters.clone().next()) {
        (Some(first), Some(second)) if first.is_uppercase() && second.is_lowercase() => {
            first.to_lowercase().collect::<String>() + characters.as_str()
        }
        _ => text.to_owned(),
    }
}

/// The sources of an entry's readings that satisfy a condition.
pub(super) fn sources(entry: &Entry, keep: impl Fn(&Reading) -> bool) -> Vec<usize> {
    let mut sources: Vec<usize> =
        entry.readings.iter().filter(|reading| keep(reading)).map(|reading| reading.source).collect();
    sources.dedup();
    sources
}

pub(super) fn evidence(statement: String, sources: Vec<usize>) -> Evidence {
    Evidence { statement, sources }
}

/// An index as it is reported: to two places.
pub(super) fn index(value: Decimal) -> String {
    format!("{:.2}", value)
}
