//! What the record system holds of a delivery, resource by resource, for operators: before they replay it, and after
//! the record system was put back from a backup.

use super::Trouble;
use super::agreement::Agreement;
use super::client::Client;
use super::message::Message;
use super::remote_outcome::name;
use super::there::{There, look};

/// How a resource in the record system differs from what was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Difference {
    /// It is not there.
    Missing,
    /// It is there more than once.
    Several,
    /// It says something else.
    Changed,
    /// It is about another person.
    OtherPerson,
}

impl Difference {
    /// The word on the wire.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Difference::Missing => "missing",
            Difference::Several => "several",
            Difference::Changed => "changed",
            Difference::OtherPerson => "other-person",
        }
    }
}

/// What there is of a delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
    /// How many resources it has.
    pub resources: usize,
    /// How many are there as sent.
    pub as_sent: usize,
    /// The others: type and id here, and how they differ.
    pub differ: Vec<(String, Difference)>,
}

impl Comparison {
    /// How many differ in this way.
    #[must_use]
    pub fn count(&self, difference: Difference) -> usize {
        self.differ.iter().filter(|(_, other)| *other == difference).count()
    }
}

/// Looks up what the record system holds of a delivery.
///
/// # Errors
/// When the record system cannot be asked.
pub async fn compare(client: &Client, payload: &str) -> Result<Comparison, Trouble> {
    let Some(message) = Message::read(payload) else {
        return Ok(Comparison { resources: 0, as_sent: 0, differ: Vec::new() });
    };
    let look = look(client, &message).await?;
    let resources = look.0.len();
    let differ: Vec<(String, Difference)> = look
        .0
        .into_iter()
        .enumerate()
        .filter_map(|(number, there)| {
            let difference = match there {
                There::One(_, Agreement::Whole) => return None,
                There::Missing => Difference::Missing,
                There::Several => Difference::Several,
                There::One(_, Agreement::Nothing) => Difference::OtherPerson,
                There::One(_, Agreement::Person | Agreement::PersonAndStatus) => Difference::Changed,
            };
            Some((name(&message, number).unwrap_or_default(), difference))
        })
        .collect();
    Ok(Comparison { resources, as_sent: resources - differ.len(), differ })
}
