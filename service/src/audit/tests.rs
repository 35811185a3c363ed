use solewire_profiles::CheckContext;
use solewire_profiles::Engine;
use solewire_profiles::issue::Severity;
use solewire_profiles::json::{Document, Limits};

use super::*;

const ALL: [AuditAction; 13] = [
    AuditAction::Accept,
    AuditAction::Correct,
    AuditAction::Withdraw,
    AuditAction::Derive,
    AuditAction::Send,
    AuditAction::Park,
    AuditAction::Replay,
    AuditAction::Discard,
    AuditAction::Purge,
    AuditAction::Read,
    AuditAction::Deny,
    AuditAction::TokenMade,
    AuditAction::TokenRevoked,
];

#[test]
fn every_event_is_valid_r4_and_holds_nothing_of_the_key_of_an_exam() {
    let engine = Engine::builtin().unwrap();
    for action in ALL {
        for who in [None, Some("ward")] {
            let event = AuditEvent {
                exam: Some(exam_id("https://harbourlane.example/exam|CANARY")),
                about: vec!["RiskAssessment/a1".to_owned()],
                delivery: Some(3),
                token: Some("t1".to_owned()),
                detail: Some("http-right".to_owned()),
                outcome: AuditOutcome::Minor,
                ..AuditEvent::of(action, who)
            };
            let text = event.body(Uuid::nil(), 0).to_string();
            assert!(!text.contains("CANARY"));
            let document = Document::parse(text.clone().into_bytes(), Limits::default()).unwrap();
            let issues = engine.check(&document, &CheckContext::at(instant(0)));
            let wrong: Vec<_> = issues
                .iter()
                .filter(|issue| matches!(issue.severity, Severity::Error | Severity::Fatal))
                .filter(|issue| !issue.rule.starts_with("exam-"))
                .collect();
            assert!(wrong.is_empty(), "{text}\n{wrong:#?}");
        }
    }
}
