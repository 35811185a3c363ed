//! What the record system holds of a message: each resource looked up by its identifier and compared.

use std::collections::{BTreeMap, HashMap};

use serde_json::Value;

use super::Trouble;
use super::agreement::{Agreement, agreement};
use super::client::Client;
use super::message::{Message, person_token};
use super::placed::Placed;

/// So many identifiers are asked for at once: an address or a form of a few kilobytes is taken everywhere.
const AT_ONCE: usize = 40;

/// What there is of one resource.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum There {
    Missing,
    /// More than one resource has its identifier.
    Several,
    One(Placed, Agreement),
}

/// What there is of a message, entry by entry.
#[derive(Debug)]
pub(super) struct Look(pub(super) Vec<There>);

impl Look {
    pub(super) fn any(&self, wanted: impl Fn(&There) -> bool) -> bool {
        self.0.iter().any(wanted)
    }

    /// Every resource is there once, as it was sent.
    pub(super) fn whole(&self) -> bool {
        self.0.iter().all(|there| matches!(there, There::One(_, Agreement::Whole)))
    }

    pub(super) fn is_of_other_person(&self) -> bool {
        self.any(|there| matches!(there, There::One(_, Agreement::Nothing)))
    }

    /// Where those are that need not be sent again.
    pub(super) fn placed(&self) -> Vec<Option<Placed>> {
        let placed = |there: &There| match there {
            There::One(placed, Agreement::Whole) => Some(placed.clone()),
            There::One(..) | There::Missing | There::Several => None,
        };
        self.0.iter().map(placed).collect()
    }
}

/// Looks a message up.
pub(super) async fn look(client: &Client, message: &Message) -> Result<Look, Trouble> {
    let mut found: Vec<Vec<Value>> = vec![Vec::new(); message.parts.len()];
    for (resource_type, parameter, numbers) in by_search(message) {
        for numbers in numbers.chunks(AT_ONCE) {
            let parts = || numbers.iter().filter_map(|number| Some((*number, message.parts.get(*number)?)));
            let tokens: Vec<&str> = parts().map(|(_, part)| part.key.token.as_str()).collect();
            let resources = client.search(resource_type, parameter, &tokens).await?;
            for (number, part) in parts() {
                let of_part = resources.iter().filter(|resource| part.key.names(resource));
                if let Some(found) = found.get_mut(number) {
                    found.extend(of_part.cloned());
                }
            }
        }
    }
    let persons = persons(client, message).await?;
    let single: Vec<Option<Placed>> = found.iter().map(|found| placed(found.first()?)).collect();
    let addresses = message.addresses(&single, &[]);
    let parts = found.iter().zip(single).enumerate().map(|(number, (found, single))| {
        match (found.as_slice(), single) {
            ([], _) | (_, None) => There::Missing,
            ([theirs], Some(placed)) => {
                let ours = message.resource(number);
                let person = person_token(ours).and_then(|token| persons.get(token));
                There::One(placed, agreement(ours, theirs, person.map(String::as_str), &addresses))
            }
            _ => There::Several,
        }
    });
    Ok(Look(parts.collect()))
}

/// Where the persons are that a message names by a condition. One whom the record system does not know, or knows more
/// than once, is left out.
pub(super) async fn persons(client: &Client, message: &Message) -> Result<HashMap<String, String>, Trouble> {
    let mut persons = HashMap::new();
    for token in message.persons() {
        let found = client.search("Patient", "identifier", &[token.as_str()]).await?;
        if let [person] = found.as_slice()
            && let Some(placed) = placed(person)
        {
            persons.insert(token, placed.reference);
        }
    }
    Ok(persons)
}

/// The entries by what they are searched by: type and parameter.
fn by_search(message: &Message) -> impl Iterator<Item = (&str, &str, Vec<usize>)> {
    let mut groups: BTreeMap<(&str, &str), Vec<usize>> = BTreeMap::new();
    for (number, part) in message.parts.iter().enumerate() {
        groups.entry((&part.resource_type, &part.key.parameter)).or_default().push(number);
    }
    groups.into_iter().map(|((resource_type, parameter), numbers)| (resource_type, parameter, numbers))
}

fn placed(resource: &Value) -> Option<Placed> {
    let text = |pointer: &str| resource.pointer(pointer).and_then(Value::as_str);
    let reference = format!("{}/{}", text("/resourceType")?, text("/id")?);
    Some(Placed { reference, version: text("/meta/versionId").map(str::to_owned) })
}
