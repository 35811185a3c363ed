//! One attempt to deliver one version of an exam.
//!
//! What may have arrived before is looked up first, and after it was sent again it is counted. What was there already
//! is held against what was sent: an identifier alone does not make it ours.

use std::collections::HashMap;

use reqwest::Method;

use super::Trouble;
use super::agreement::Agreement;
use super::client::Client;
use super::connection::NoAnswer;
use super::message::{Message, Steps, etag, read_outline};
use super::placed::{self, Placed};
use super::remote_outcome;
use super::there::{Look, There, look, persons};
use super::verdict::{Answer, Failure, Taken, Verdict, judge, taken};
use crate::config::Write;
use crate::store::{Claimed, Previous};

/// What an attempt came to.
#[derive(Debug)]
pub(super) struct Sent {
    pub(super) verdict: Verdict,
    /// The status of the last answer.
    pub(super) status: Option<u16>,
    /// What the record system made of each entry, once it took all of them.
    pub(super) placed: Option<String>,
}

/// Sends a message and says what came of it.
pub(super) async fn attempt(client: &Client, claimed: Claimed, previous: Option<&Previous>) -> Sent {
    let Claimed { payload, reached, confirmed, .. } = claimed;
    let Some(message) = Message::read(&payload) else {
        return Sent { verdict: fault(Failure::Unreadable), status: None, placed: None };
    };
    let expected = expected(&message, previous.filter(|_| !confirmed));
    let before = vec![None; message.parts.len()];
    let mut attempt =
        Attempt { client, message, expected, there: before, reached, status: None, persons: None };
    let verdict = match attempt.carry(payload).await {
        Ok(()) => Verdict::Delivered,
        Err(verdict) => verdict,
    };
    let placed = (verdict == Verdict::Delivered).then(|| placed::written(&attempt.there));
    Sent { verdict, status: attempt.status, placed }
}

struct Attempt<'a> {
    client: &'a Client,
    message: Message,
    /// Which version of each resource is replaced, where that is known and matters.
    expected: Vec<Option<String>>,
    /// Where each resource is, once that is known.
    there: Vec<Option<Placed>>,
    /// Whether anything of it may be in the record system.
    reached: bool,
    status: Option<u16>,
    /// Where the persons are that are named by a condition, once that was asked.
    persons: Option<HashMap<String, String>>,
}

impl Attempt<'_> {
    async fn carry(&mut self, payload: String) -> Result<(), Verdict> {
        let again = self.reached;
        if again {
            let look = self.look().await?;
            if look.whole() {
                self.there = look.placed();
                return Ok(());
            }
            self.refuse_strangers(&look)?;
            self.there = look.placed();
        }
        let steps = self.steps()?;
        let in_one = matches!(steps.as_slice(), [one] if one.len() == self.message.parts.len());
        let mut found = false;
        for step in steps {
            let sent = if in_one && self.client.target.write == Write::Transaction {
                self.whole(&payload, &step).await
            } else {
                self.part(step).await
            };
            match sent {
                Ok(any_found) => found |= any_found,
                Err(verdict) => return Err(self.explained(verdict).await?),
            }
            self.reached = true;
        }
        if again || found {
            self.count(again).await?;
        }
        Ok(())
    }

    /// After sending: what was found rather than made has to be ours, and nothing may be there twice.
    async fn count(&mut self, again: bool) -> Result<(), Verdict> {
        let look = self.look().await?;
        if again && look.any(|there| *there == There::Several) {
            return Err(fault(Failure::Duplicated));
        }
        self.refuse_strangers(&look)?;
        for (known, there) in self.there.iter_mut().zip(look.0) {
            if let There::One(placed, _) = there {
                *known = Some(placed);
            }
        }
        Ok(())
    }

    async fn look(&self) -> Result<Look, Verdict> {
        look(self.client, &self.message).await.map_err(|trouble| self.no_sight(trouble))
    }

    fn no_sight(&self, trouble: Trouble) -> Verdict {
        let Trouble { failure, wait, scope, .. } = trouble;
        match self.reached {
            true => Verdict::UnknownOutcome { failure, wait },
            false => Verdict::DestinationFault { failure, wait, scope },
        }
    }

    /// Parks where something that is there with our identifiers is not what was sent: nobody but a person can choose.
    fn refuse_strangers(&self, look: &Look) -> Result<(), Verdict> {
        if look.any(|there| *there == There::Several) {
            return Err(fault(Failure::Ambiguous));
        }
        if look.is_of_other_person() {
            return Err(fault(Failure::OtherPerson));
        }
        let other_status = look
            .0
            .iter()
            .zip(&self.message.parts)
            .any(|(there, part)| !part.update && matches!(there, There::One(_, Agreement::Person)));
        if other_status { Err(fault(Failure::OtherStatus)) } else { Ok(()) }
    }

    fn steps(&self) -> Result<Steps, Verdict> {
        let all = self.message.parts.len();
        let target = &self.client.target;
        let steps = match (target.write, target.max_entries) {
            (Write::Create, _) => self.message.one_by_one(),
            (Write::Transaction, Some(most)) if all > most => self.message.split(most),
            (Write::Transaction, _) => return Ok(vec![(0..all).collect()]),
        };
        steps.ok_or_else(|| fault(Failure::Indivisible))
    }

    /// Sends all of it in one transaction, as it was stored where nothing has to be added. Says whether anything was
    /// there already that should have been made.
    async fn whole(&mut self, payload: &str, all: &[usize]) -> Result<bool, Verdict> {
        let text = if self.expected.iter().any(Option::is_some) {
            self.message.bundle_of(all, &[], &self.expected).to_string()
        } else {
            payload.to_owned()
        };
        self.transaction(text, all).await
    }

    /// Sends what is not there yet of one step of several.
    async fn part(&mut self, mut step: Vec<usize>) -> Result<bool, Verdict> {
        step.retain(|number| self.there.get(*number).is_none_or(Option::is_none));
        let found = match (self.client.target.write, step.as_slice()) {
            (_, []) => return Ok(false),
            (Write::Create, [one]) => self.alone(*one).await?,
            _ => {
                let text = self.message.bundle_of(&step, &self.there, &self.expected).to_string();
                self.transaction(text, &step).await?
            }
        };
        self.reached = true;
        // What was found or replaced need not be located by the answer; what refers to it has to know.
        let unknown = |number: &usize| self.there.get(*number).is_some_and(Option::is_none);
        if step.iter().any(unknown) {
            let look = self.look().await?;
            for (known, there) in self.there.iter_mut().zip(look.0) {
                if let (true, There::One(placed, _)) = (known.is_none(), there) {
                    *known = Some(placed);
                }
            }
            let unknown = |number: &usize| self.there.get(*number).is_some_and(Option::is_none);
            if step.iter().any(unknown) {
                return Err(Verdict::UnknownOutcome { failure: Failure::AnswerIncomplete, wait: None });
            }
        }
        Ok(found)
    }

    async fn transaction(&mut self, text: String, numbers: &[usize]) -> Result<bool, Verdict> {
        let answer = self.answered(self.client.transaction(text).await)?;
        if let Some(verdict) = judge(&answer, self.client.clock.now()) {
            return Err(with_detail(verdict, &answer, &self.message, None));
        }
        let part = |number: &usize| self.message.parts.get(*number);
        let types: Vec<&str> =
            numbers.iter().filter_map(part).map(|part| part.resource_type.as_str()).collect();
        let Some(all) = taken(&answer.body, &types) else {
            return Err(Verdict::UnknownOutcome { failure: Failure::AnswerIncomplete, wait: None });
        };
        Ok(self.take(numbers, all))
    }

    async fn alone(&mut self, number: usize) -> Result<bool, Verdict> {
        if self.persons.is_none() {
            let found =
                persons(self.client, &self.message).await.map_err(|trouble| self.no_sight(trouble))?;
            if self.message.persons().len() > found.len() {
                return Err(fault(Failure::PersonUnknown));
            }
            self.persons = Some(found);
        }
        let Some(part) = self.message.parts.get(number) else { return Ok(false) };
        let resource_type = part.resource_type.clone();
        let resource = self.message.alone(number, &self.there, self.persons.as_ref());
        let criterion = format!("{}={}", part.key.parameter, part.key.token);
        let expected = self.expected.get(number).and_then(Option::as_deref).map(etag);
        let (method, query, condition) = match part.update {
            true => (Method::PUT, Some(criterion), ("if-match", expected)),
            false => (Method::POST, None, ("if-none-exist", Some(criterion))),
        };
        let sent = self.client.one(method, &resource_type, query, condition, &resource).await;
        let answer = self.answered(sent)?;
        if let Some(verdict) = judge(&answer, self.client.clock.now()) {
            return Err(with_detail(verdict, &answer, &self.message, Some(number)));
        }
        let made = answer.status == 201;
        let location = answer.location.as_deref();
        let placed = location.and_then(|location| Placed::of(location, answer.etag.as_deref()));
        let fits = placed.as_ref().map_or(!made, |placed| placed.resource_type() == resource_type);
        if !fits {
            return Err(Verdict::UnknownOutcome { failure: Failure::AnswerIncomplete, wait: None });
        }
        Ok(self.take(&[number], vec![Taken { placed, made }]))
    }

    fn answered(&mut self, answer: Result<Answer, NoAnswer>) -> Result<Answer, Verdict> {
        match answer {
            Ok(answer) => {
                self.status = Some(answer.status);
                Ok(answer)
            }
            Err(NoAnswer { failure, may_have_arrived }) => {
                self.status = None;
                Err(match may_have_arrived {
                    true => Verdict::UnknownOutcome { failure, wait: None },
                    false => Verdict::DestinationFault { failure, wait: None, scope: None },
                })
            }
        }
    }

    /// Keeps where things are, and says whether anything was found that should have been made.
    fn take(&mut self, numbers: &[usize], all: Vec<Taken>) -> bool {
        let mut found = false;
        for (number, taken) in numbers.iter().zip(all) {
            let update = self.message.parts.get(*number).is_some_and(|part| part.update);
            let known = self.expected.get(*number).is_some_and(Option::is_some);
            found |= !taken.made && !update;
            if taken.made && update && known {
                tracing::warn!(
                    resource = remote_outcome::name(&self.message, *number),
                    "the record system had lost it"
                );
            }
            if let Some(there) = self.there.get_mut(*number) {
                *there = taken.placed.or(there.take());
            }
        }
        found
    }

    /// Finds out what lies behind a refusal that is about what is there already.
    async fn explained(&mut self, verdict: Verdict) -> Result<Verdict, Verdict> {
        let clash =
            matches!(verdict, Verdict::Conflict | Verdict::MessageFault { failure: Failure::Ambiguous, .. });
        if !clash {
            // A part may be there, which the next attempt has to look for.
            return Ok(match verdict {
                Verdict::DestinationFault { failure, wait, .. } if self.reached => {
                    Verdict::UnknownOutcome { failure, wait }
                }
                other => other,
            });
        }
        let look = self.look().await?;
        if look.whole() {
            self.there = look.placed();
            return Ok(Verdict::Delivered);
        }
        self.refuse_strangers(&look)?;
        let held: Vec<(&There, &String)> = look
            .0
            .iter()
            .zip(&self.expected)
            .filter_map(|(there, expected)| Some((there, expected.as_ref()?)))
            .collect();
        if held.iter().any(|(there, _)| **there == There::Missing) {
            return Err(fault(Failure::MissingThere));
        }
        let changed = held.iter().any(|(there, expected)| match there {
            There::One(_, Agreement::Whole) | There::Missing | There::Several => false,
            There::One(placed, _) => placed.version.as_ref() != Some(*expected),
        });
        if changed {
            return Err(fault(Failure::ChangedThere));
        }
        Ok(if held.is_empty() { verdict } else { Verdict::Conflict })
    }
}

/// The version of each resource that is there by what an earlier version of the exam was told. Once an operator has
/// looked at it, what is there is replaced whatever it is.
fn expected(message: &Message, previous: Option<&Previous>) -> Vec<Option<String>> {
    let none = vec![None; message.parts.len()];
    let Some(previous) = previous.filter(|_| message.updates()) else { return none };
    let earlier = match &previous.outline {
        Some(outline) => read_outline(outline),
        None => Message::read(&previous.payload).map(|earlier| earlier.digests()),
    };
    let Some(earlier) = earlier else { return none };
    let mut versions: HashMap<String, String> = earlier
        .into_iter()
        .zip(placed::read(&previous.placed))
        .filter_map(|(part, placed)| Some((part, placed?.version?)))
        .collect();
    message.digests().iter().map(|part| versions.remove(part)).collect()
}

fn fault(failure: Failure) -> Verdict {
    Verdict::MessageFault { failure, detail: None }
}

fn with_detail(verdict: Verdict, answer: &Answer, message: &Message, alone: Option<usize>) -> Verdict {
    match verdict {
        Verdict::MessageFault { failure, .. } => {
            Verdict::MessageFault { failure, detail: remote_outcome::redacted(&answer.body, message, alone) }
        }
        other => other,
    }
}
