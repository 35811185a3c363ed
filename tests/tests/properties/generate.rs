//! Exams by chance: every test of the exam, in every state of completeness.

use proptest::prelude::*;

use super::model::{Exam, Finding, Part, Side, Stated, Style, What};

/// The monofilament protocols in use: 3, 4, 9 and 10 sites of a foot.
pub(crate) const MONOFILAMENT: [&[&str]; 4] = [
    &["hallux-plantar", "mth-1", "mth-5"],
    &["hallux-plantar", "mth-1", "mth-3", "mth-5"],
    &[
        "hallux-plantar",
        "toe-3-plantar",
        "toe-5-plantar",
        "mth-1",
        "mth-3",
        "mth-5",
        "midfoot-medial",
        "midfoot-lateral",
        "heel",
    ],
    &[
        "hallux-plantar",
        "toe-3-plantar",
        "toe-5-plantar",
        "mth-1",
        "mth-3",
        "mth-5",
        "midfoot-medial",
        "midfoot-lateral",
        "heel",
        "dorsum-web-1",
    ],
];

pub(crate) const LISTED_DEFORMITIES: [&str; 9] = [
    "claw-toe",
    "hammer-toe",
    "mallet-toe",
    "hallux-valgus",
    "prominent-metatarsal-heads",
    "pes-cavus",
    "pes-planus",
    "charcot-deformity",
    "surgical-loss",
];

pub(crate) const ACTIVE: [&str; 8] = [
    "active-ulcer",
    "spreading-infection",
    "gangrene",
    "suspected-acute-charcot",
    "hot-swollen-foot",
    "limb-threatening-ischaemia",
    "systemic-signs",
    "deep-or-bone-infection",
];

pub(crate) const HISTORY: [&str; 6] = [
    "previous-ulcer",
    "previous-amputation",
    "end-stage-renal-disease",
    "renal-replacement-therapy",
    "charcot-history",
    "smoker",
];

const REASONS: [&str; 3] = ["not-performed", "not-applicable", "asked-declined"];

/// How a test came out: how much of it is there and how normal it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mood {
    LeftOut,
    Normal,
    MostlyNormal,
    Mixed,
}

/// A place of the exam with its possible results, the normal ones first.
struct Slot {
    test: &'static str,
    side: Option<Side>,
    part: Part,
    normal: Vec<What>,
    abnormal: Vec<What>,
    /// Slots of one group share a mood.
    group: usize,
}

const FELT: [What; 4] = [What::Code("felt"), What::Ratio(2, 3), What::Ratio(3, 3), What::Ratio(3, 4)];
const NOT_FELT: [What; 4] = [What::Code("not-felt"), What::Ratio(1, 3), What::Ratio(0, 3), What::Ratio(2, 4)];

/// How many groups `slots` makes.
pub(crate) const GROUPS: usize = 32;

fn slots(protocols: [usize; 2]) -> Vec<Slot> {
    let mut out: Vec<Slot> = Vec::new();
    let mut group = 0;
    let mut add = |group: usize, test, side, parts: &[Part], normal: &[What], abnormal: &[What]| {
        for &part in parts {
            out.push(Slot { test, side, part, normal: normal.to_vec(), abnormal: abnormal.to_vec(), group });
        }
    };
    let sites = |names: &[&'static str]| names.iter().map(|name| Part::Site(name)).collect::<Vec<_>>();
    let items = |names: &[&'static str]| names.iter().map(|name| Part::Item(name)).collect::<Vec<_>>();
    let number = |text, unit| What::Number("", text, unit);
    let (present, absent) = (What::Code("present"), What::Code("absent"));
    for side in Side::BOTH {
        let foot = Some(side);
        let protocol = MONOFILAMENT[protocols[usize::from(side == Side::Right)]];
        add(group, "monofilament-10g", foot, &sites(protocol), &FELT, &NOT_FELT);
        add(
            group + 1,
            "vibration-128hz",
            foot,
            &sites(&["hallux-dorsal"]),
            &[FELT.as_slice(), &[number("3", "s"), number("9.9", "s"), What::Number("<", "10", "s")]]
                .concat(),
            &[NOT_FELT.as_slice(), &[number("10", "s"), What::Number(">", "10", "s")]].concat(),
        );
        add(group + 1, "vibration-128hz", foot, &sites(&["medial-malleolus"]), &FELT, &NOT_FELT);
        add(
            group + 2,
            "vibration-threshold",
            foot,
            &[Part::Whole],
            &[number("12", "V"), number("24.9", "V"), What::Number("<", "25", "V")],
            &[number("25", "V"), number("25.0", "V"), What::Number(">", "25", "V"), number("50", "V")],
        );
        add(
            group + 3,
            "toe-touch",
            foot,
            &sites(&["toe-tip-1", "toe-tip-3", "toe-tip-5"]),
            &[What::Code("felt")],
            &[What::Code("not-felt")],
        );
        for test in ["pinprick", "temperature-sense", "position-sense"] {
            add(group + 4, test, foot, &sites(&["hallux-dorsal"]), &FELT[..1], &NOT_FELT[..1]);
        }
        add(
            group + 5,
            "ankle-reflex",
            foot,
            &[Part::Whole],
            &[present, What::Code("present-with-reinforcement")],
            &[absent],
        );
        add(
            group + 6,
            "pulse",
            foot,
            &sites(&["dorsalis-pedis", "posterior-tibial"]),
            &[present],
            &[absent, What::Code("reduced")],
        );
        let pressures = ["60", "95", "118", "130", "160", "181", "250"].map(|text| number(text, "mm[Hg]"));
        let arteries = sites(&["dorsalis-pedis", "posterior-tibial"]);
        add(group + 7, "systolic-pressure", foot, &arteries, &pressures[2..5], &pressures);
        add(group + 7, "systolic-pressure", foot, &items(&["brachial"]), &pressures[2..5], &pressures[2..6]);
        add(
            group + 7,
            "systolic-pressure",
            foot,
            &items(&["hallux-pressure"]),
            &pressures[2..4],
            &pressures[..3],
        );
        add(
            group + 8,
            "ankle-brachial-index",
            foot,
            &[Part::Whole],
            &[number("0.91", "1"), number("1.10", "1"), number("1.30", "1")],
            &[number("0.90", "1"), number("1.41", "1"), number("1.35", "1"), number("0.904", "1")],
        );
        add(
            group + 8,
            "toe-brachial-index",
            foot,
            &[Part::Whole],
            &[number("0.71", "1"), number("0.95", "1")],
            &[number("0.70", "1"), number("0.4", "1")],
        );
        add(
            group + 9,
            "doppler-waveform",
            foot,
            &arteries,
            &[What::Code("triphasic"), What::Code("biphasic")],
            &[What::Code("monophasic"), What::Code("no-signal")],
        );
        add(group + 10, "deformity", foot, &items(&["significant-deformity"]), &[absent], &[present]);
        add(group + 11, "deformity", foot, &items(&LISTED_DEFORMITIES), &[absent], &[present]);
        add(group + 12, "deformity", foot, &items(&["limited-joint-mobility"]), &[absent], &[present]);
        add(group + 12, "skin", foot, &items(&["callus", "dry-skin"]), &[absent], &[present]);
        add(group + 13, "active-problem", foot, &items(&ACTIVE), &[absent], &[present]);
        group += 14;
    }
    add(group, "history", None, &items(&HISTORY), &[absent], &[present]);
    let (yes, no) = (What::Code("yes"), What::Code("no"));
    add(group + 1, "self-care", None, &items(&["can-see-and-reach-feet", "has-help"]), &[yes], &[no]);
    let egfr = ["90", "30", "29", "12"].map(|text| number(text, "mL/min/{1.73_m2}"));
    add(group + 2, "egfr", None, &[Part::Whole], &egfr[..2], &egfr[2..]);
    assert!(group + 2 < GROUPS);
    out
}

fn mood(roll: u8) -> Mood {
    // Mostly calm, so that many exams are settled and the step from there shows.
    match roll {
        0..40 => Mood::LeftOut,
        40..150 => Mood::Normal,
        150..215 => Mood::MostlyNormal,
        _ => Mood::Mixed,
    }
}

fn roll(slot: &Slot, mood: Mood, presence: u8, value: u8) -> Option<What> {
    // Eight items for each foot: without this nearly every exam would have an active problem.
    let presence = if slot.test == "active-problem" { presence.saturating_mul(2) } else { presence };
    let pick = |list: &[What]| list[usize::from(value) % list.len()];
    let reason = What::Reason(REASONS[usize::from(value) % REASONS.len()]);
    match (mood, presence) {
        (Mood::LeftOut, _) => None,
        (Mood::Normal, _) => Some(pick(&slot.normal)),
        (Mood::MostlyNormal, 0..12) | (Mood::Mixed, 0..50) => None,
        (Mood::MostlyNormal, 12..24) | (Mood::Mixed, 50..90) => Some(reason),
        (Mood::MostlyNormal, 24..54) | (Mood::Mixed, 90..170) => Some(pick(&slot.abnormal)),
        (Mood::MostlyNormal | Mood::Mixed, _) => Some(pick(&slot.normal)),
    }
}

fn stated() -> impl Strategy<Value = Vec<Stated>> {
    let one = prop_oneof![
        Just(Stated { resource: "Condition", item: "end-stage-renal-disease", status: "confirmed" }),
        Just(Stated { resource: "Condition", item: "end-stage-renal-disease", status: "refuted" }),
        Just(Stated { resource: "Condition", item: "previous-ulcer", status: "confirmed" }),
        Just(Stated { resource: "Condition", item: "previous-ulcer", status: "entered-in-error" }),
        Just(Stated { resource: "Condition", item: "gangrene", status: "confirmed" }),
        Just(Stated { resource: "Procedure", item: "previous-amputation", status: "completed" }),
        Just(Stated { resource: "Procedure", item: "previous-amputation", status: "not-done" }),
    ];
    prop_oneof![6 => Just(Vec::new()), 1 => prop::collection::vec(one, 1..3)]
}

/// Any exam: one of any moods, one that is normal but for a few groups, or one whose perfusion rests on pressures.
pub(crate) fn exam() -> impl Strategy<Value = Exam> {
    let protocols = (0..MONOFILAMENT.len(), 0..MONOFILAMENT.len());
    let any_moods = prop::collection::vec(any::<u8>().prop_map(mood), GROUPS);
    let few = prop::collection::vec((0..GROUPS, any::<u8>().prop_map(mood)), 0..5);
    let near_normal = few.clone().prop_map(|changes| with_moods(vec![Mood::Normal; GROUPS], &changes));
    let by_pressure = (few, prop::collection::vec(any::<bool>(), 6)).prop_map(|(changes, mostly)| {
        let mut moods = with_moods(vec![Mood::Normal; GROUPS], &changes);
        for (foot, side) in [0, 14].into_iter().enumerate() {
            moods[side + 6] = Mood::LeftOut;
            for group in 0..3 {
                let calm = if mostly[foot * 3 + group] { Mood::MostlyNormal } else { Mood::Normal };
                moods[side + 7 + group] = calm;
            }
        }
        moods
    });
    let moods = prop_oneof![any_moods, near_normal, by_pressure];
    let rolls = prop::collection::vec((any::<u8>(), any::<u8>()), 110);
    (protocols, moods, rolls, stated()).prop_map(|(protocols, moods, rolls, stated)| {
        let slots = slots([protocols.0, protocols.1]);
        let findings = slots
            .iter()
            .zip(rolls.iter().cycle())
            .filter_map(|(slot, &(presence, value))| {
                let what = roll(slot, moods[slot.group], presence, value)?;
                Some(Finding::new(slot.test, slot.side, slot.part, what))
            })
            .collect();
        Exam { panel_status: "final", findings, stated }
    })
}

fn with_moods(mut moods: Vec<Mood>, changes: &[(usize, Mood)]) -> Vec<Mood> {
    for &(group, mood) in changes {
        moods[group] = mood;
    }
    moods
}

/// Any abnormal finding.
pub(crate) fn abnormal_finding() -> impl Strategy<Value = Finding> {
    (0..MONOFILAMENT.len(), any::<prop::sample::Index>(), any::<prop::sample::Index>()).prop_map(
        |(protocol, place, value)| {
            let slots = slots([protocol, protocol]);
            // Pressures are neither normal nor abnormal by themselves.
            let slots: Vec<&Slot> = slots.iter().filter(|slot| slot.test != "systolic-pressure").collect();
            let slot = slots[place.index(slots.len())];
            let what = slot.abnormal[value.index(slot.abnormal.len())];
            Finding::new(slot.test, slot.side, slot.part, what)
        },
    )
}

/// Any result that is possible at the place of a finding.
pub(crate) fn other_results(finding: &Finding) -> Vec<What> {
    slots([3, 3])
        .into_iter()
        .find(|slot| slot.test == finding.test && slot.side == finding.side && slot.part == finding.part)
        .map(|slot| [slot.normal, slot.abnormal].concat())
        .unwrap_or_default()
}

/// Any way of writing an exam down.
pub(crate) fn style() -> impl Strategy<Value = Style> {
    (prop::collection::vec(any::<bool>(), 1..12), prop::collection::vec(0..3_u8, 1..12), any::<u32>())
        .prop_map(|(single, coding, order)| Style { single, coding, order })
}

/// A complete and entirely normal exam with the monofilament at three sites.
pub(crate) fn normal_exam() -> Exam {
    let left_out = ["ankle-brachial-index", "toe-brachial-index", "systolic-pressure", "doppler-waveform"];
    let findings = slots([0, 0])
        .iter()
        .filter(|slot| !left_out.contains(&slot.test))
        .map(|slot| Finding::new(slot.test, slot.side, slot.part, slot.normal[0]))
        .collect();
    Exam { panel_status: "final", findings, stated: Vec::new() }
}
