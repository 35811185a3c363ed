//! What is kept about who did what: the actions, and how one reads as an AuditEvent (HL7 FHIR R4).
//!
//! An event names callers by the name of their token and exams by ids of our own. It holds no value of an exam, no name
//! and no identifier of a person, and no reason in an operator's words: those stand with the delivery.

use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::clock::instant;

/// The system of our own words for what was done.
pub const ACTION_SYSTEM: &str = "https://solewire.example/fhir/CodeSystem/audit-action";
const EVENT_TYPES: &str = "http://terminology.hl7.org/CodeSystem/audit-event-type";
const LIFECYCLE: &str = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle";
const DICOM: &str = "http://dicom.nema.org/resources/ontology/DCM";
const DELIVERIES: &str = "https://solewire.example/fhir/delivery";
const TOKENS: &str = "https://solewire.example/fhir/token";

macro_rules! actions {
    ($($(#[$doc:meta])* $variant:ident => $word:literal, $letter:literal, $system:ident, $code:literal, $display:literal;)*) => {
        /// What was done.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum AuditAction { $($(#[$doc])* $variant),* }

        impl AuditAction {
            /// Our word for it.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(AuditAction::$variant => $word),* }
            }

            /// The letter of AuditEvent.action.
            fn letter(self) -> &'static str {
                match self { $(AuditAction::$variant => $letter),* }
            }

            fn coding(self) -> Value {
                match self {
                    $(AuditAction::$variant => json!({ "system": $system, "code": $code, "display": $display })),*
                }
            }
        }
    };
}

actions! {
    /// A new exam was stored.
    Accept => "accept", "C", EVENT_TYPES, "rest", "RESTful Operation";
    /// More results, or a correction, of a stored exam.
    Correct => "correct", "U", EVENT_TYPES, "rest", "RESTful Operation";
    /// A stored exam was withdrawn.
    Withdraw => "withdraw", "U", EVENT_TYPES, "rest", "RESTful Operation";
    /// An exam was assessed.
    Derive => "derive", "E", LIFECYCLE, "transform", "Transform/Translate Record Lifecycle Event";
    /// An attempt to forward an exam.
    Send => "send", "E", DICOM, "110106", "Export";
    /// The record system refused an exam; it waits for an operator.
    Park => "park", "E", DICOM, "110106", "Export";
    /// An operator put a delivery back into the queue.
    Replay => "replay", "U", EVENT_TYPES, "rest", "RESTful Operation";
    /// An operator gave a delivery up.
    Discard => "discard", "U", EVENT_TYPES, "rest", "RESTful Operation";
    /// What had been delivered was purged after its time.
    Purge => "purge", "D", LIFECYCLE, "destroy", "Destroy/Delete Record Lifecycle Event";
    /// Resources were read.
    Read => "read", "R", EVENT_TYPES, "rest", "RESTful Operation";
    /// Somebody was turned away.
    Deny => "deny", "E", DICOM, "110113", "Security Alert";
    /// A token was made.
    TokenMade => "token-made", "C", DICOM, "110113", "Security Alert";
    /// A token was taken back.
    TokenRevoked => "token-revoked", "U", DICOM, "110113", "Security Alert";
}

/// How it ended.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum AuditOutcome {
    /// Done.
    #[default]
    Success,
    /// Refused, or to be tried again.
    Minor,
    /// Not done, and it will not be without somebody's help.
    Serious,
}

impl AuditOutcome {
    fn code(self) -> &'static str {
        match self {
            AuditOutcome::Success => "0",
            AuditOutcome::Minor => "4",
            AuditOutcome::Serious => "8",
        }
    }
}

/// One thing that was done.
#[derive(Debug, Clone)]
pub struct AuditEvent {
    /// What.
    pub action: AuditAction,
    /// The caller's name; none when the service did it by itself, or when nobody knows who it was.
    pub who: Option<String>,
    /// The id of the exam, as [`exam_id`] gives it.
    pub exam: Option<Uuid>,
    /// `Type/id` of the resources that it is about.
    pub about: Vec<String>,
    /// The number of the delivery.
    pub delivery: Option<i64>,
    /// The id of the token.
    pub token: Option<String>,
    /// How it ended.
    pub outcome: AuditOutcome,
    /// Its class in a word of ours.
    pub detail: Option<String>,
}

impl AuditEvent {
    /// Something that went well and is about nothing yet.
    #[must_use]
    pub fn of(action: AuditAction, who: Option<&str>) -> AuditEvent {
        AuditEvent {
            action,
            who: who.map(str::to_owned),
            exam: None,
            about: Vec::new(),
            delivery: None,
            token: None,
            outcome: AuditOutcome::Success,
            detail: None,
        }
    }

    /// The AuditEvent, recorded at `at` (milliseconds since 1970).
    #[must_use]
    pub fn body(&self, id: Uuid, at: i64) -> Value {
        let word = self.action.word();
        let mut body = json!({
            "resourceType": "AuditEvent",
            "id": id.to_string(),
            "type": self.action.coding(),
            "subtype": [{ "system": ACTION_SYSTEM, "code": word }],
            "action": self.action.letter(),
            "recorded": instant(at).to_string(),
            "outcome": self.outcome.code(),
            "agent": [self.agent()],
            "source": { "observer": { "display": "Solewire" } }
        });
        if let Some(object) = body.as_object_mut() {
            if let Some(detail) = &self.detail {
                object.insert("outcomeDesc".to_owned(), json!(detail));
            }
            let entities = self.entities();
            if !entities.is_empty() {
                object.insert("entity".to_owned(), Value::Array(entities));
            }
        }
        body
    }

    fn agent(&self) -> Value {
        let mut agent = Map::new();
        use AuditAction::{Derive, Park, Purge, Send};
        let by_itself = matches!(self.action, Derive | Send | Park | Purge) && self.who.is_none();
        if let Some(who) = &self.who {
            agent.insert("who".to_owned(), json!({ "identifier": { "system": TOKENS, "value": who } }));
        } else {
            let name = if by_itself { "Solewire" } else { "not known" };
            agent.insert("who".to_owned(), json!({ "display": name }));
        }
        agent.insert("requestor".to_owned(), json!(!by_itself));
        Value::Object(agent)
    }

    fn entities(&self) -> Vec<Value> {
        let identified = |system: &str, value: String| json!({ "what": { "identifier": { "system": system, "value": value } } });
        let exam = self.exam.map(|exam| identified("urn:ietf:rfc:3986", exam.urn().to_string()));
        let delivery = self.delivery.map(|number| identified(DELIVERIES, number.to_string()));
        let token = self.token.iter().map(|token| identified(TOKENS, token.clone()));
        let about = self.about.iter().map(|reference| json!({ "what": { "reference": reference } }));
        exam.into_iter().chain(delivery).chain(token).chain(about).collect()
    }
}

/// What an exam is called in the audit. Its key holds identifiers of the clinic and perhaps of the person.
#[must_use]
pub fn exam_id(key: &str) -> Uuid {
    Uuid::new_v5(&Uuid::NAMESPACE_URL, format!("https://solewire.example/fhir/exam/{key}").as_bytes())
}

#[cfg(test)]
mod tests;
