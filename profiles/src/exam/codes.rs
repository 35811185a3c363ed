//! The codes of `foot-test`, `foot-site` and `foot-result` as types: a misspelt code cannot read as a normal finding.

macro_rules! codes {
    ($(#[$about:meta])* $name:ident { $($variant:ident => $code:literal),* $(,)? }) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[allow(missing_docs)]
        pub enum $name { $($variant),* }

        impl $name {
            /// Every code, in the order of the code system.
            pub const ALL: &'static [$name] = &[$($name::$variant),*];

            /// The code on the wire.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $($name::$variant => $code),* }
            }

            /// Reads a code.
            #[must_use]
            pub fn from_code(code: &str) -> Option<$name> {
                match code { $($code => Some($name::$variant),)* _ => None }
            }
        }
    };
}

codes! {
    /// What an Observation of the exam reports (`foot-test`, role panel or test).
    Test {
        FootExam => "foot-exam",
        Monofilament10g => "monofilament-10g",
        Vibration128Hz => "vibration-128hz",
        VibrationThreshold => "vibration-threshold",
        ToeTouch => "toe-touch",
        Pinprick => "pinprick",
        TemperatureSense => "temperature-sense",
        PositionSense => "position-sense",
        AnkleReflex => "ankle-reflex",
        Pulse => "pulse",
        CapillaryRefill => "capillary-refill",
        SystolicPressure => "systolic-pressure",
        AnkleBrachialIndex => "ankle-brachial-index",
        ToeBrachialIndex => "toe-brachial-index",
        Tcpo2 => "tcpo2",
        DopplerWaveform => "doppler-waveform",
        Strength => "strength",
        Skin => "skin",
        Nails => "nails",
        Deformity => "deformity",
        ActiveProblem => "active-problem",
        Ulcer => "ulcer",
        SkinTemperature => "skin-temperature",
        History => "history",
        Egfr => "egfr",
        SelfCare => "self-care",
        Footwear => "footwear",
        Education => "education",
    }
}

codes! {
    /// A component of a test that is not a site (`foot-test`, role component).
    Item {
        Callus => "callus",
        Corn => "corn",
        Fissure => "fissure",
        Maceration => "maceration",
        DrySkin => "dry-skin",
        Erythema => "erythema",
        Cyanosis => "cyanosis",
        TineaPedis => "tinea-pedis",
        Blister => "blister",
        Oedema => "oedema",
        BleedingUnderCallus => "bleeding-under-callus",
        SlowHealingBreak => "slow-healing-break",
        IngrownNail => "ingrown-nail",
        ThickenedNail => "thickened-nail",
        FungalNail => "fungal-nail",
        UnsafeNailLength => "unsafe-nail-length",
        NailInfection => "nail-infection",
        ClawToe => "claw-toe",
        HammerToe => "hammer-toe",
        MalletToe => "mallet-toe",
        HalluxValgus => "hallux-valgus",
        ProminentMetatarsalHeads => "prominent-metatarsal-heads",
        PesCavus => "pes-cavus",
        PesPlanus => "pes-planus",
        CharcotDeformity => "charcot-deformity",
        SurgicalLoss => "surgical-loss",
        LimitedJointMobility => "limited-joint-mobility",
        SignificantDeformity => "significant-deformity",
        ActiveUlcer => "active-ulcer",
        SpreadingInfection => "spreading-infection",
        Gangrene => "gangrene",
        SuspectedAcuteCharcot => "suspected-acute-charcot",
        HotSwollenFoot => "hot-swollen-foot",
        LimbThreateningIschaemia => "limb-threatening-ischaemia",
        SystemicSigns => "systemic-signs",
        DeepOrBoneInfection => "deep-or-bone-infection",
        UlcerArea => "ulcer-area",
        UlcerDepth => "ulcer-depth",
        UlcerDuration => "ulcer-duration",
        UlcerInfection => "ulcer-infection",
        Dorsiflexion => "dorsiflexion",
        Plantarflexion => "plantarflexion",
        PreviousUlcer => "previous-ulcer",
        PreviousAmputation => "previous-amputation",
        EndStageRenalDisease => "end-stage-renal-disease",
        RenalReplacementTherapy => "renal-replacement-therapy",
        CharcotHistory => "charcot-history",
        Claudication => "claudication",
        RestPain => "rest-pain",
        VascularIntervention => "vascular-intervention",
        Smoker => "smoker",
        VisualImpairment => "visual-impairment",
        ChecksFeetDaily => "checks-feet-daily",
        CanSeeAndReachFeet => "can-see-and-reach-feet",
        HasHelp => "has-help",
        Brachial => "brachial",
        HalluxPressure => "hallux-pressure",
    }
}

impl Item {
    /// The deformities that count when the examiner gave no judgement of their own. Limited joint mobility stands
    /// apart: whether it counts is an open case of the guidelines.
    pub const LISTED_DEFORMITIES: &'static [Item] = &[
        Item::ClawToe,
        Item::HammerToe,
        Item::MalletToe,
        Item::HalluxValgus,
        Item::ProminentMetatarsalHeads,
        Item::PesCavus,
        Item::PesPlanus,
        Item::CharcotDeformity,
        Item::SurgicalLoss,
    ];

    /// The active foot problems.
    pub const ACTIVE_PROBLEMS: &'static [Item] = &[
        Item::ActiveUlcer,
        Item::SpreadingInfection,
        Item::Gangrene,
        Item::SuspectedAcuteCharcot,
        Item::HotSwollenFoot,
        Item::LimbThreateningIschaemia,
        Item::SystemicSigns,
        Item::DeepOrBoneInfection,
    ];

    /// History items, which Condition and Procedure resources can state too.
    pub const HISTORY: &'static [Item] = &[
        Item::PreviousUlcer,
        Item::PreviousAmputation,
        Item::EndStageRenalDisease,
        Item::RenalReplacementTherapy,
        Item::CharcotHistory,
        Item::Claudication,
        Item::RestPain,
        Item::VascularIntervention,
        Item::Smoker,
        Item::VisualImpairment,
    ];
}

codes! {
    /// A place on a foot or leg, without its side (`foot-site`, role site).
    Site {
        HalluxPlantar => "hallux-plantar",
        Toe3Plantar => "toe-3-plantar",
        Toe5Plantar => "toe-5-plantar",
        MetatarsalHead1 => "mth-1",
        MetatarsalHead3 => "mth-3",
        MetatarsalHead5 => "mth-5",
        MidfootMedial => "midfoot-medial",
        MidfootLateral => "midfoot-lateral",
        Heel => "heel",
        DorsumWeb1 => "dorsum-web-1",
        HalluxDorsal => "hallux-dorsal",
        MetatarsalHead1Dorsal => "mth-1-dorsal",
        MedialMalleolus => "medial-malleolus",
        TibialTuberosity => "tibial-tuberosity",
        ToeTip1 => "toe-tip-1",
        ToeTip3 => "toe-tip-3",
        ToeTip5 => "toe-tip-5",
        DorsalisPedis => "dorsalis-pedis",
        PosteriorTibial => "posterior-tibial",
        Popliteal => "popliteal",
        WebSpaces => "web-spaces",
        Toes => "toes",
        ForefootSole => "forefoot-sole",
        MidfootSole => "midfoot-sole",
        FootDorsum => "foot-dorsum",
        MedialBorder => "medial-border",
        LateralBorder => "lateral-border",
        Ankle => "ankle",
    }
}

impl Site {
    /// The sites of the three-site monofilament protocol (IWGDF sensory addendum; names of the sites from memory).
    pub const THREE_SITE: &'static [Site] =
        &[Site::HalluxPlantar, Site::MetatarsalHead1, Site::MetatarsalHead5];

    /// The toe tips of the touch test (Rayman 2011, Diabetes Care 34:1517).
    pub const TOE_TIPS: &'static [Site] = &[Site::ToeTip1, Site::ToeTip3, Site::ToeTip5];

    /// The two arteries of the foot whose pulses are felt.
    pub const FOOT_ARTERIES: &'static [Site] = &[Site::DorsalisPedis, Site::PosteriorTibial];
}

codes! {
    /// A coded result (`foot-result`).
    ResultCode {
        Felt => "felt",
        NotFelt => "not-felt",
        Present => "present",
        Absent => "absent",
        Reduced => "reduced",
        PresentWithReinforcement => "present-with-reinforcement",
        Triphasic => "triphasic",
        Biphasic => "biphasic",
        Monophasic => "monophasic",
        NoSignal => "no-signal",
        Yes => "yes",
        No => "no",
        Adequate => "adequate",
        Inadequate => "inadequate",
        Barefoot => "barefoot",
        Given => "given",
        Declined => "declined",
        NotGiven => "not-given",
        Mrc0 => "mrc-0",
        Mrc1 => "mrc-1",
        Mrc2 => "mrc-2",
        Mrc3 => "mrc-3",
        Mrc4Minus => "mrc-4-minus",
        Mrc4 => "mrc-4",
        Mrc4Plus => "mrc-4-plus",
        Mrc5 => "mrc-5",
        SkinOnly => "skin-only",
        MuscleTendonOrDeeper => "muscle-tendon-or-deeper",
        BoneOrJoint => "bone-or-joint",
        Grade1 => "grade-1",
        Grade2 => "grade-2",
        Grade3 => "grade-3",
        Grade3Bone => "grade-3-bone",
        Grade4 => "grade-4",
        Grade4Bone => "grade-4-bone",
    }
}

/// Left or right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Laterality {
    Left,
    Right,
}

impl Laterality {
    /// Both sides, left first.
    pub const BOTH: [Laterality; 2] = [Laterality::Left, Laterality::Right];

    /// The other side.
    #[must_use]
    pub fn mirrored(self) -> Laterality {
        match self {
            Laterality::Left => Laterality::Right,
            Laterality::Right => Laterality::Left,
        }
    }

    /// `left` or `right`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Laterality::Left => "left",
            Laterality::Right => "right",
        }
    }
}

/// A body site of the exam: a whole foot, or a site with or without its side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BodySite {
    /// A whole foot.
    Foot(Laterality),
    /// A site of one side.
    Sided(Laterality, Site),
    /// A site without a side.
    Unsided(Site),
}

impl BodySite {
    /// Reads a `foot-site` code.
    #[must_use]
    pub fn from_code(code: &str) -> Option<BodySite> {
        for side in Laterality::BOTH {
            if let Some(rest) = code.strip_prefix(side.word()).and_then(|rest| rest.strip_prefix('-')) {
                return if rest == "foot" {
                    Some(BodySite::Foot(side))
                } else {
                    Site::from_code(rest).map(|site| BodySite::Sided(side, site))
                };
            }
        }
        Site::from_code(code).map(BodySite::Unsided)
    }

    /// The side, where there is one.
    #[must_use]
    pub fn side(self) -> Option<Laterality> {
        match self {
            BodySite::Foot(side) | BodySite::Sided(side, _) => Some(side),
            BodySite::Unsided(_) => None,
        }
    }
}
