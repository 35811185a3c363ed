//! What the record system says of each resource of a delivery when asked with its own `$validate`, for operators: which
//! resource of a refused exam is at fault, and whether a mend there was enough. Nothing is stored there by it.

use serde_json::Value;

use super::Trouble;
use super::client::Client;
use super::message::Message;
use super::remote_outcome::{found_fault, name, redacted};
use super::verdict::{Answer, Failure, Verdict, judge};

/// What the record system says of one resource.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// Its type and id here, and which test it is.
    pub resource: String,
    /// Whether it would be refused.
    pub refused: bool,
    /// What was said, without any value of the exam.
    pub outcome: Option<Value>,
}

/// What came of asking.
#[derive(Debug, Clone, PartialEq)]
pub enum Validation {
    /// The record system has no such operation.
    NotOffered,
    /// One for each resource, in the order in which they are sent.
    Judged(Vec<Judgement>),
}

/// Asks the record system about each resource of a delivery, one after the other. Each goes alone, as it was stored, so
/// what it refers to within the exam is not there to be found.
///
/// # Errors
/// When the record system cannot be asked.
pub async fn validate(client: &Client, payload: &str) -> Result<Validation, Trouble> {
    let Some(message) = Message::read(payload) else { return Ok(Validation::Judged(Vec::new())) };
    let mut judged = Vec::new();
    for (number, part) in message.parts.iter().enumerate() {
        let asked = client.validated(&part.resource_type, message.resource(number)).await;
        let answer = asked.map_err(|none| Trouble::new(none.failure, None))?;
        let refused = match said(client, &answer)? {
            Said::NotOffered => return Ok(Validation::NotOffered),
            Said::Of(refused) => refused,
        };
        judged.push(Judgement {
            resource: name(&message, number).unwrap_or_default(),
            refused,
            outcome: redacted(&answer.body, &message, Some(number)),
        });
    }
    Ok(Validation::Judged(judged))
}

enum Said {
    NotOffered,
    Of(bool),
}

/// What an answer means. R4 answers 200 whatever was found; some servers answer a fault with its status.
fn said(client: &Client, answer: &Answer) -> Result<Said, Trouble> {
    let status = Some(answer.status);
    match judge(answer, client.clock.now()) {
        _ if answer.status == 501 => Ok(Said::NotOffered),
        None => match found_fault(&answer.body) {
            Some(fault) => Ok(Said::Of(fault)),
            None => Err(Trouble::new(Failure::AnswerIncomplete, status)),
        },
        Some(Verdict::DestinationFault { failure: Failure::NotAnEndpoint, .. }) => Ok(Said::NotOffered),
        Some(Verdict::DestinationFault { failure, wait, scope }) => {
            Err(Trouble { failure, wait, scope, status })
        }
        Some(Verdict::UnknownOutcome { failure, wait }) => {
            Err(Trouble { failure, wait, scope: None, status })
        }
        Some(Verdict::Delivered | Verdict::Conflict | Verdict::MessageFault { .. }) => Ok(Said::Of(true)),
    }
}
