//! The exam as facts that guidelines speak of, each with the evidence behind it.
//!
//! A [`Finding`] is present, absent or unknown. Absent takes positive evidence of absence; a test that was not done,
//! could not be done or cannot be read leaves the finding unknown. Disagreeing evidence is read cautiously, and both
//! sides are kept as a contradiction.

mod active;
mod near;
mod perfusion;
mod recorded;
mod sensation;
mod severe_ischaemia;
mod ulcer;
mod warmth;
mod words;

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::clinical_values::ClinicalValue;
use crate::exam::{FootExam, Item, Laterality};
use crate::terminology::Terminology;
pub use active::Urgency;
pub(crate) use active::WORKING_DAYS;
pub use warmth::WarmSite;
use words::Words;

/// The clinical values of all findings.
pub(crate) const VALUES: &[&[ClinicalValue]] = &[
    active::VALUES,
    near::VALUES,
    perfusion::VALUES,
    recorded::VALUES,
    sensation::VALUES,
    severe_ischaemia::VALUES,
    ulcer::VALUES,
    warmth::VALUES,
];

/// When the 10 g monofilament shows loss of protective sensation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MonofilamentCriterion {
    /// Not felt at any of hallux, first and fifth metatarsal head of a foot (IWGDF sensory addendum; the names of the
    /// sites are from memory).
    #[default]
    ThreeSite,
    /// Fewer than this many sites of the recorded protocol felt on a foot (common practice, no source).
    FeltBelow(u8),
}

/// What guidelines ask about a foot or a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fact {
    /// Any active foot problem.
    ActiveProblem,
    /// Loss of protective sensation.
    LossOfProtectiveSensation,
    /// Peripheral artery disease.
    PeripheralArteryDisease,
    /// Foot deformity that counts as a risk factor.
    Deformity,
    /// Limited joint mobility, where no deformity was found.
    LimitedJointMobility,
    /// Callus.
    Callus,
    /// A previous foot ulcer, healed.
    PreviousUlcer,
    /// A previous lower-limb amputation, minor or major.
    PreviousAmputation,
    /// End-stage renal disease.
    EndStageRenalDisease,
    /// Renal replacement therapy.
    RenalReplacementTherapy,
    /// A previous Charcot foot, now inactive.
    CharcotHistory,
    /// Estimated glomerular filtration rate below 30 mL/min/1.73 m2.
    #[serde(rename = "egfr-below-30")]
    EgfrBelow30,
    /// The same rate at exactly 30, which the Scottish chart leaves open.
    #[serde(rename = "egfr-exactly-30")]
    EgfrExactly30,
    /// The same rate below 15: kidney failure by the rate alone.
    #[serde(rename = "egfr-below-15")]
    EgfrBelow15,
    /// Neither able to care for the feet nor helped.
    SelfCareImpaired,
    /// Not felt at any monofilament site tested.
    MonofilamentInsensate,
    /// Any of the four foot pulses absent.
    FootPulseAbsent,
}

impl Fact {
    /// Every fact.
    pub const ALL: &'static [Fact] = &[
        Fact::ActiveProblem,
        Fact::LossOfProtectiveSensation,
        Fact::PeripheralArteryDisease,
        Fact::Deformity,
        Fact::LimitedJointMobility,
        Fact::Callus,
        Fact::PreviousUlcer,
        Fact::PreviousAmputation,
        Fact::EndStageRenalDisease,
        Fact::RenalReplacementTherapy,
        Fact::CharcotHistory,
        Fact::EgfrBelow30,
        Fact::EgfrExactly30,
        Fact::EgfrBelow15,
        Fact::SelfCareImpaired,
        Fact::MonofilamentInsensate,
        Fact::FootPulseAbsent,
    ];

    /// The fact in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Fact::ActiveProblem => "active foot problem",
            Fact::LossOfProtectiveSensation => "loss of protective sensation",
            Fact::PeripheralArteryDisease => "peripheral artery disease",
            Fact::Deformity => "foot deformity",
            Fact::LimitedJointMobility => "limited joint mobility",
            Fact::Callus => "callus",
            Fact::PreviousUlcer => "previous foot ulcer",
            Fact::PreviousAmputation => "previous amputation",
            Fact::EndStageRenalDisease => "end-stage renal disease",
            Fact::RenalReplacementTherapy => "renal replacement therapy",
            Fact::CharcotHistory => "previous Charcot foot",
            Fact::EgfrBelow30 => "eGFR below 30",
            Fact::EgfrExactly30 => "eGFR of exactly 30",
            Fact::EgfrBelow15 => "eGFR below 15",
            Fact::SelfCareImpaired => "unable to care for the feet and without help",
            Fact::MonofilamentInsensate => "monofilament not felt at a site",
            Fact::FootPulseAbsent => "missing foot pulse",
        }
    }
}

/// Present, absent, or not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[allow(missing_docs)]
pub enum State {
    Present,
    Absent,
    Unknown,
}

/// A statement with the resources it rests on, as numbers in [`FootExam::sources`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Evidence {
    /// In words, for people.
    pub statement: String,
    /// The resources.
    pub sources: Vec<usize>,
}

/// A fact with its evidence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Present, absent or unknown.
    pub state: State,
    /// What makes it present, or what makes it absent; for an unknown fact, what was found so far.
    pub evidence: Vec<Evidence>,
    /// For an unknown fact: what would have to be recorded to know it.
    pub missing: Vec<String>,
    /// Evidence that disagrees, both sides in one line.
    pub contradictions: Vec<String>,
    /// Choices of local policy that this finding rests on.
    pub policies: Vec<String>,
    /// Results that lie close to what would make it present.
    pub near: Vec<Evidence>,
}

impl Finding {
    fn new(state: State) -> Finding {
        Finding {
            state,
            evidence: Vec::new(),
            missing: Vec::new(),
            contradictions: Vec::new(),
            policies: Vec::new(),
            near: Vec::new(),
        }
    }

    /// What is true of a person, from what is true of the feet: present on one is present, absent takes both.
    fn of_feet(left: &Finding, right: &Finding) -> Finding {
        let state = match (left.state, right.state) {
            (State::Present, _) | (_, State::Present) => State::Present,
            (State::Absent, State::Absent) => State::Absent,
            (State::Unknown | State::Absent, State::Unknown) | (State::Unknown, State::Absent) => {
                State::Unknown
            }
        };
        let mut out = Finding::new(state);
        for foot in [left, right] {
            if foot.state == state {
                out.evidence.extend(foot.evidence.iter().cloned());
            }
            if state == State::Unknown {
                out.missing.extend(foot.missing.iter().cloned());
            }
            out.contradictions.extend(foot.contradictions.iter().cloned());
            out.near.extend(foot.near.iter().cloned());
            for policy in &foot.policies {
                if !out.policies.contains(policy) {
                    out.policies.push(policy.clone());
                }
            }
        }
        out
    }
}

/// The facts of one foot or of a person. A fact that is not listed is unknown.
#[derive(Debug, Clone, Default)]
pub struct FactTable(BTreeMap<Fact, Finding>);

impl FactTable {
    /// The state of a fact.
    #[must_use]
    pub fn state(&self, fact: Fact) -> State {
        self.0.get(&fact).map_or(State::Unknown, |finding| finding.state)
    }

    /// A fact with its evidence.
    #[must_use]
    pub fn finding(&self, fact: Fact) -> Option<&Finding> {
        self.0.get(&fact)
    }

    /// Puts a finding in the place of what was known of a fact.
    pub(crate) fn put(&mut self, fact: Fact, finding: Finding) {
        self.0.insert(fact, finding);
    }

    /// A table of bare states, as guideline tables print them. Facts not given are unknown.
    #[must_use]
    pub fn of_states(states: &[(Fact, State)]) -> FactTable {
        FactTable(states.iter().map(|&(fact, state)| (fact, Finding::new(state))).collect())
    }
}

/// The facts of an exam.
#[derive(Debug, Clone)]
pub struct Findings {
    /// Of the person: factors on different feet count together (local policy, named in the rationale).
    pub person: FactTable,
    /// Of the left foot alone, with what concerns the person.
    pub left: FactTable,
    /// Of the right foot alone, with what concerns the person.
    pub right: FactTable,
    /// How urgent an active problem is, if there is one.
    pub urgency: Option<Urgency>,
    /// Places with two different results, a line each, both named.
    pub contradictions: Vec<String>,
    /// Things found that ask for care without counting as a risk factor, a line each.
    pub care: Vec<String>,
    /// Where one foot is warmer than the other.
    pub warm: Vec<WarmSite>,
}

/// Facts that belong to a foot; all others belong to the person.
pub(crate) const OF_A_FOOT: &[Fact] = &[
    Fact::ActiveProblem,
    Fact::LossOfProtectiveSensation,
    Fact::PeripheralArteryDisease,
    Fact::Deformity,
    Fact::LimitedJointMobility,
    Fact::Callus,
    Fact::MonofilamentInsensate,
    Fact::FootPulseAbsent,
];

/// Derives the facts of an exam.
#[must_use]
pub fn findings(exam: &FootExam, terminology: &Terminology, criterion: MonofilamentCriterion) -> Findings {
    let words = Words { terminology };
    let foot = |side: Laterality| -> BTreeMap<Fact, Finding> {
        OF_A_FOOT
            .iter()
            .map(|&fact| {
                let finding = match fact {
                    Fact::ActiveProblem => active::of_foot(exam, &words, side),
                    Fact::LossOfProtectiveSensation => sensation::of_foot(exam, &words, criterion, side),
                    Fact::MonofilamentInsensate => sensation::insensate(exam, &words, side),
                    Fact::PeripheralArteryDisease => perfusion::of_foot(exam, &words, side),
                    Fact::FootPulseAbsent => perfusion::pulse_absent(exam, &words, side),
                    Fact::Deformity => recorded::deformity(exam, &words, side),
                    Fact::LimitedJointMobility => recorded::limited_joint_mobility(exam, &words, side),
                    _ => recorded::callus(exam, &words, side),
                };
                (fact, finding)
            })
            .collect()
    };
    let (mut left, mut right) = (foot(Laterality::Left), foot(Laterality::Right));
    let mut person: BTreeMap<Fact, Finding> = BTreeMap::new();
    for fact in OF_A_FOOT {
        if let (Some(left), Some(right)) = (left.get(fact), right.get(fact)) {
            person.insert(*fact, Finding::of_feet(left, right));
        }
    }
    active::add_person_level(exam, &words, &mut person);
    let history = [
        (Fact::PreviousUlcer, Item::PreviousUlcer),
        (Fact::PreviousAmputation, Item::PreviousAmputation),
        (Fact::EndStageRenalDisease, Item::EndStageRenalDisease),
        (Fact::RenalReplacementTherapy, Item::RenalReplacementTherapy),
        (Fact::CharcotHistory, Item::CharcotHistory),
    ];
    let mut of_person: Vec<(Fact, Finding)> =
        history.iter().map(|&(fact, item)| (fact, recorded::history(exam, &words, item))).collect();
    for (fact, finding) in &mut of_person {
        if *fact == Fact::EndStageRenalDisease {
            recorded::hold_against_rate(finding, exam);
        }
    }
    of_person.push((Fact::EgfrBelow15, recorded::egfr_below_15(exam)));
    of_person.push((Fact::EgfrBelow30, recorded::egfr_below_30(exam)));
    of_person.push((Fact::EgfrExactly30, recorded::egfr_exactly_30(exam)));
    of_person.push((Fact::SelfCareImpaired, recorded::self_care_impaired(exam, &words)));
    for (fact, finding) in of_person {
        left.insert(fact, finding.clone());
        right.insert(fact, finding.clone());
        person.insert(fact, finding);
    }
    let sensation = |side| match side {
        Laterality::Left => left.get(&Fact::LossOfProtectiveSensation),
        Laterality::Right => right.get(&Fact::LossOfProtectiveSensation),
    };
    let mut care = ulcer::described(exam, &words, sensation);
    care.extend(recorded::care(exam, &words));
    let person = FactTable(person);
    let severe: Vec<String> =
        Laterality::BOTH.into_iter().flat_map(|side| severe_ischaemia::found(exam, &words, side)).collect();
    let urgency = active::urgency(exam, &person, !severe.is_empty());
    care.extend(severe.into_iter().map(|line| format!("{line}; with an ulcer, vascular opinion at once")));
    Findings {
        urgency,
        contradictions: recorded::contradictions(exam, &words),
        care,
        warm: warmth::warm_sites(exam, &words),
        person,
        left: FactTable(left),
        right: FactTable(right),
    }
}
