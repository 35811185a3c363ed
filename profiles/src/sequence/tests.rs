use super::*;
use crate::exam::{Entry, Item, Key, Outcome, Part, Reading, ResultCode, Site, Source, Test};
use crate::findings::{MonofilamentCriterion, findings};
use crate::terminology::Terminology;
use crate::time::ExamTime;

const SITES: [Site; 3] = [Site::HalluxPlantar, Site::MetatarsalHead1, Site::MetatarsalHead5];

fn exam(time: &str, results: &[(Key, ResultCode)]) -> FootExam {
    let entry = |code: &ResultCode| Entry {
        readings: vec![Reading { outcome: Outcome::Code(*code), source: 0, pointer: String::new() }],
        not_tested: Vec::new(),
    };
    FootExam {
        subject: None,
        encounter: None,
        time: ExamTime::parse(time),
        time_text: Some(time.to_owned()),
        panel: PanelStatus::Final,
        performer: None,
        sources: vec![Source { reference: format!("Observation/{time}"), counts: true }],
        entries: results.iter().map(|(key, code)| (*key, entry(code))).collect(),
        ulcers: Vec::new(),
    }
}

fn with_facts(exam: FootExam) -> ExamFacts {
    static TERMINOLOGY: std::sync::OnceLock<Terminology> = std::sync::OnceLock::new();
    let terminology = TERMINOLOGY.get_or_init(Terminology::builtin);
    let findings = findings(&exam, terminology, MonofilamentCriterion::default());
    ExamFacts { exam, findings }
}

fn key(test: Test, side: Option<Laterality>, part: Part) -> Key {
    Key { test, side, part }
}

fn history(item: Item, code: ResultCode) -> (Key, ResultCode) {
    (key(Test::History, None, Part::Item(item)), code)
}

fn callus(side: Laterality, code: ResultCode) -> (Key, ResultCode) {
    (key(Test::Skin, Some(side), Part::Item(Item::Callus)), code)
}

/// The monofilament at three sites and the pulses of both feet.
fn feet(left: ResultCode, right: ResultCode) -> Vec<(Key, ResultCode)> {
    let mut out = Vec::new();
    for (side, code) in [(Laterality::Left, left), (Laterality::Right, right)] {
        out.extend(SITES.map(|site| (key(Test::Monofilament10g, Some(side), Part::Site(site)), code)));
        let pulses = [Site::DorsalisPedis, Site::PosteriorTibial];
        out.extend(pulses.map(|site| (key(Test::Pulse, Some(side), Part::Site(site)), ResultCode::Present)));
    }
    out
}

const THEN: &str = "2025-11-20T09:00:00Z";
const NOW: &str = "2026-11-20T09:00:00Z";

fn follow(earlier: Vec<FootExam>, now: FootExam) -> (Option<Sequence>, Findings) {
    let ExamFacts { exam: now, findings: mut facts } = with_facts(now);
    let earlier: Vec<ExamFacts> = earlier.into_iter().map(with_facts).collect();
    let sequence = Sequence::of(&earlier.iter().collect::<Vec<_>>(), &now, &mut facts);
    (sequence, facts)
}

#[test]
fn history_stays_in_force_through_exams_that_do_not_know_of_it() {
    let recorded = exam("2024-01-10T09:00:00Z", &[history(Item::PreviousUlcer, ResultCode::Present)]);
    let silent = exam(THEN, &[]);
    for now in [vec![], vec![history(Item::PreviousUlcer, ResultCode::Absent)]] {
        let denied = !now.is_empty();
        let (sequence, facts) = follow(vec![silent.clone(), recorded.clone()], exam(NOW, &now));
        let sequence = sequence.unwrap();
        assert_eq!(sequence.date.to_string(), "2025-11-20", "the last exam is compared with");
        for table in [&facts.person, &facts.left, &facts.right, &sequence.before.person] {
            let finding = table.finding(Fact::PreviousUlcer).unwrap();
            assert_eq!(finding.state, State::Present);
            assert_eq!(finding.evidence[0].statement, "carried over from the exam of 2024-01-10");
        }
        let finding = facts.person.finding(Fact::PreviousUlcer).unwrap();
        assert_eq!(finding.contradictions.len(), usize::from(denied));
        assert!(finding.policies[0].contains("carried over until that record is withdrawn or amended"));
        assert_eq!(facts.person.state(Fact::PreviousAmputation), State::Unknown);
        assert_eq!(sequence.changes(&facts, &[Fact::PreviousUlcer]), []);
    }
}

#[test]
fn withdrawn_amended_and_later_records_carry_nothing() {
    let present = [history(Item::PreviousAmputation, ResultCode::Present)];
    let mut withdrawn = exam(THEN, &present);
    withdrawn.panel = PanelStatus::EnteredInError;
    let amended = exam(THEN, &[history(Item::PreviousAmputation, ResultCode::Absent)]);
    let same_time = exam(NOW, &present);
    let mut untimed = exam(THEN, &present);
    untimed.time = None;
    for (other, compared) in [(withdrawn, false), (amended, true), (same_time, false), (untimed, false)] {
        let (sequence, facts) = follow(vec![other], exam(NOW, &[]));
        assert_eq!(sequence.is_some(), compared);
        assert_eq!(facts.person.state(Fact::PreviousAmputation), State::Unknown);
    }
    let mut void = exam(NOW, &[]);
    void.panel = PanelStatus::EnteredInError;
    let (sequence, facts) = follow(vec![exam(THEN, &present)], void);
    assert!(sequence.is_none(), "a withdrawn exam is compared with nothing");
    assert_eq!(facts.person.state(Fact::PreviousAmputation), State::Unknown);
}

#[test]
fn changes_are_told_for_each_foot() {
    use Laterality::{Left, Right};
    let then = exam(THEN, &[callus(Left, ResultCode::Present), callus(Right, ResultCode::Absent)]);
    let now = exam(NOW, &[callus(Left, ResultCode::Absent)]);
    let (sequence, facts) = follow(vec![then], now);
    let changes = sequence.unwrap().changes(&facts, &[Fact::Callus, Fact::PreviousUlcer]);
    let change = |side, then, now| Change { fact: Fact::Callus, side: Some(side), then, now };
    assert_eq!(
        changes,
        [change(Left, State::Present, State::Absent), change(Right, State::Absent, State::Unknown)]
    );
}

#[test]
fn exchanged_feet_are_noticed_and_a_changed_person_is_not() {
    use ResultCode::{Felt, NotFelt};
    let exchanged = |then: Vec<(Key, ResultCode)>, now: Vec<(Key, ResultCode)>| {
        follow(vec![exam(THEN, &then)], exam(NOW, &now)).0.unwrap().exchanged
    };
    let suspicious = exchanged(feet(NotFelt, Felt), feet(Felt, NotFelt)).unwrap();
    assert_eq!(suspicious, Exchanged { compared: 10, as_recorded: 6, with_feet_exchanged: 0 });
    assert_eq!(exchanged(feet(NotFelt, Felt), feet(NotFelt, Felt)), None);
    assert_eq!(exchanged(feet(NotFelt, NotFelt), feet(Felt, Felt)), None, "both feet changed alike");
    assert_eq!(exchanged(feet(NotFelt, Felt), feet(NotFelt, NotFelt)), None);
    // Two results that differ are too few; one in five that fits neither way is not too many.
    let few = |side| vec![callus(side, ResultCode::Present), callus(side.mirrored(), ResultCode::Absent)];
    assert_eq!(exchanged(few(Laterality::Left), few(Laterality::Right)), None);
    let mut one_off = feet(Felt, NotFelt);
    one_off[0].1 = NotFelt;
    let almost = exchanged(feet(NotFelt, Felt), one_off).unwrap();
    assert_eq!((almost.as_recorded, almost.with_feet_exchanged), (5, 1));
}
