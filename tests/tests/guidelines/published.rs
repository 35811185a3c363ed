//! The published tables once more, as plain functions written from the publications and not from the guideline files.
//! Where a table has no row, the local policy that the README and the files state.

use solewire_profiles::findings::Fact;
use solewire_profiles::findings::Fact::{
    ActiveProblem, Callus, CharcotHistory, Deformity, EgfrBelow15, EgfrBelow30, EgfrExactly30,
    EndStageRenalDisease, FootPulseAbsent, LimitedJointMobility, LossOfProtectiveSensation as Lops,
    MonofilamentInsensate, PeripheralArteryDisease as Pad, PreviousAmputation, PreviousUlcer,
    RenalReplacementTherapy, SelfCareImpaired,
};

/// The facts that are true of a person, a bit for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Truth(u32);

impl Truth {
    pub(crate) fn of(fact: Fact) -> Truth {
        Truth(1 << fact as u32)
    }

    pub(crate) fn and(self, other: Truth) -> Truth {
        Truth(self.0 | other.0)
    }

    fn has(self, fact: Fact) -> bool {
        self.0 & Truth::of(fact).0 != 0
    }

    fn any(self, facts: &[Fact]) -> bool {
        facts.iter().any(|fact| self.has(*fact))
    }

    fn count(self, facts: &[Fact]) -> usize {
        facts.iter().filter(|fact| self.has(**fact)).count()
    }
}

/// A published table.
pub(crate) struct Table {
    pub(crate) id: &'static str,
    /// What it asks.
    pub(crate) asks: &'static [Fact],
    /// What it does not ask and local policy counts when it is recorded.
    pub(crate) recorded: &'static [Fact],
    /// The category, for facts that are all known.
    pub(crate) category: fn(Truth) -> &'static str,
}

pub(crate) const TABLES: &[Table] = &[
    Table {
        id: "iwgdf-2023",
        asks: &[ActiveProblem, Lops, Pad, Deformity, PreviousUlcer, PreviousAmputation, EndStageRenalDisease],
        recorded: &[LimitedJointMobility, CharcotHistory, EgfrBelow15],
        category: iwgdf_2023,
    },
    Table {
        id: "nice-ng19",
        asks: &[
            ActiveProblem,
            Lops,
            Pad,
            Deformity,
            Callus,
            PreviousUlcer,
            PreviousAmputation,
            RenalReplacementTherapy,
        ],
        recorded: &[EndStageRenalDisease, CharcotHistory, EgfrBelow15],
        category: nice_ng19,
    },
    Table {
        id: "ada-2008",
        asks: &[ActiveProblem, Lops, Pad, Deformity, PreviousUlcer, PreviousAmputation],
        recorded: &[CharcotHistory],
        category: ada_2008,
    },
    Table {
        id: "scotland-2016",
        asks: &[
            ActiveProblem,
            Lops,
            Pad,
            Deformity,
            Callus,
            SelfCareImpaired,
            EgfrBelow30,
            EgfrExactly30,
            PreviousUlcer,
            PreviousAmputation,
            CharcotHistory,
        ],
        recorded: &[],
        category: scotland_2016,
    },
    Table {
        id: "podus-2021",
        asks: &[ActiveProblem, MonofilamentInsensate, FootPulseAbsent, PreviousUlcer, PreviousAmputation],
        recorded: &[],
        category: podus_2021,
    },
];

/// Schaper 2024, table 1.
fn iwgdf_2023(person: Truth) -> &'static str {
    let at_risk = person.any(&[Lops, Pad]);
    // The table names no filtration rate: local policy counts one of kidney failure as end-stage renal disease.
    let history = person.any(&[PreviousUlcer, PreviousAmputation, EndStageRenalDisease, EgfrBelow15]);
    // No row has limited mobility or an old Charcot foot: local policy counts both as deformity.
    let deformed = person.any(&[Deformity, LimitedJointMobility, CharcotHistory]);
    if person.has(ActiveProblem) {
        "active"
    } else if history {
        // With neither loss of sensation nor artery disease there is no row: local policy, also 3.
        "3"
    } else if person.count(&[Lops, Pad]) == 2 || at_risk && deformed {
        "2"
    } else if at_risk {
        "1"
    } else {
        "0"
    }
}

/// NICE NG19, risk categories.
fn nice_ng19(person: Truth) -> &'static str {
    // Kidney failure without replacement therapy and an old Charcot foot are not named: local policy.
    let renal = person.any(&[RenalReplacementTherapy, EndStageRenalDisease, EgfrBelow15]);
    let deformed = person.any(&[Deformity, CharcotHistory]);
    let pair = match person.count(&[Lops, Pad]) {
        0 => false,
        1 => deformed || person.has(Callus),
        _ => true,
    };
    if person.has(ActiveProblem) {
        "active"
    } else if person.any(&[PreviousUlcer, PreviousAmputation]) || renal || pair {
        "high"
    } else if person.any(&[Lops, Pad]) || deformed {
        "moderate"
    } else {
        "low"
    }
}

/// Boulton 2008, risk table: the highest row that applies.
fn ada_2008(person: Truth) -> &'static str {
    let rows = [
        (person.has(ActiveProblem), "active"),
        (person.any(&[PreviousUlcer, PreviousAmputation]), "3"),
        (person.has(Pad), "2"),
        (person.has(Lops), "1"),
        // No row: local policy.
        (person.any(&[Deformity, CharcotHistory]), "1"),
    ];
    rows.into_iter().find(|(applies, _)| *applies).map_or("0", |(_, category)| category)
}

/// The chart of the Scottish Diabetes Foot Action Group, 2016.
fn scotland_2016(person: Truth) -> &'static str {
    // A rate of exactly 30 is not defined: local policy counts it as below 30.
    let kidney = usize::from(person.any(&[EgfrBelow30, EgfrExactly30]));
    let factors = person.count(&[Lops, Pad, Callus, Deformity, SelfCareImpaired]) + kidney;
    if person.has(ActiveProblem) {
        return "active";
    }
    if person.any(&[PreviousUlcer, PreviousAmputation, CharcotHistory]) {
        return "remission";
    }
    match factors {
        0 => "low",
        1 => "moderate",
        _ => "high",
    }
}

/// Chappell 2021: points of three items.
fn podus_2021(person: Truth) -> &'static str {
    let history = person.any(&[PreviousUlcer, PreviousAmputation]);
    let points = person.count(&[MonofilamentInsensate, FootPulseAbsent]) + if history { 2 } else { 0 };
    if person.has(ActiveProblem) {
        return "not-applicable";
    }
    ["score-0", "score-1", "score-2", "score-3", "score-4"][points]
}
