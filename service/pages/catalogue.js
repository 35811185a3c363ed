// What can be recorded: the codes of the exam in the order in which they are asked. `display` is the name that goes
// with a code; `label` is how a row is called here. What follows from the answers is never decided here.

const answer = (code, display, label, look, key) => ({ code, display, label, look, key });

// Looks are shapes beside the words: usual, unusual, between.
const FELT = [answer("felt", "Felt", "Felt", "usual"), answer("not-felt", "Not felt", "Not felt", "unusual")];
const FOUND = [answer("absent", "Absent", "No", "usual"), answer("present", "Present", "Yes", "unusual")];
const PULSE = [
    answer("present", "Present", "Present", "usual"),
    answer("reduced", "Reduced", "Weak", "between"),
    answer("absent", "Absent", "Absent", "unusual"),
];
const YES = [answer("yes", "Yes", "Yes", "usual"), answer("no", "No", "No", "unusual")];
const GRADES = [
    answer("mrc-5", "MRC grade 5", "5", "usual", "5"),
    answer("mrc-4-plus", "MRC grade 4+", "4+", "between", "+"),
    answer("mrc-4", "MRC grade 4", "4", "between", "4"),
    answer("mrc-4-minus", "MRC grade 4-", "4\u2212", "between", "-"),
    answer("mrc-3", "MRC grade 3", "3", "unusual", "3"),
    answer("mrc-2", "MRC grade 2", "2", "unusual", "2"),
    answer("mrc-1", "MRC grade 1", "1", "unusual", "1"),
    answer("mrc-0", "MRC grade 0", "0", "unusual", "0"),
];
const WAVES = [
    answer("triphasic", "Triphasic", "Three-phase", "usual"),
    answer("biphasic", "Biphasic", "Two-phase", "between"),
    answer("monophasic", "Monophasic", "One-phase", "unusual"),
    answer("no-signal", "No signal found", "No signal", "unusual"),
];
const REFLEX = [
    answer("present", "Present", "Present", "usual"),
    answer("present-with-reinforcement", "Present only with reinforcement", "Reinforced", "between"),
    answer("absent", "Absent", "Absent", "unusual"),
];

/** Why there is no result: codes of HL7's data-absent-reason, with words that say what stood in the way. */
export const REASONS = [
    { id: "not-done", code: "not-performed", label: "Not done this time", text: "Not done at this examination" },
    { id: "callus", code: "not-performed", label: "Callus over the site", text: "Callus over the site" },
    { id: "wound", code: "not-performed", label: "Wound at the site", text: "Wound at the site" },
    { id: "dressing", code: "not-performed", label: "Dressing or cast", text: "Dressing or cast in the way" },
    { id: "missing-part", code: "not-applicable", label: "Toe or foot missing", text: "Amputated or missing" },
    { id: "declined", code: "asked-declined", label: "Declined", text: "Declined by the person" },
    { id: "unclear", code: "unknown", label: "Not known or unclear", text: "Not known" },
];

const site = (code, display, label) => ({ system: "foot-site", code, display, label });
const finding = (code, display, label = display) => ({ system: "foot-test", code, display, label });

const MONOFILAMENT_SITES = [
    site("hallux-plantar", "Plantar great toe", "Great toe, underside"),
    site("toe-3-plantar", "Plantar third toe", "Third toe, underside"),
    site("toe-5-plantar", "Plantar fifth toe", "Fifth toe, underside"),
    site("mth-1", "Sole under the first metatarsal head", "Ball, behind the great toe"),
    site("mth-3", "Sole under the third metatarsal head", "Ball, middle"),
    site("mth-5", "Sole under the fifth metatarsal head", "Ball, behind the fifth toe"),
    site("midfoot-medial", "Medial sole of the midfoot", "Arch, inner side"),
    site("midfoot-lateral", "Lateral sole of the midfoot", "Arch, outer side"),
    site("heel", "Heel", "Heel"),
    site("dorsum-web-1", "Dorsum between the first and second toes", "Top, between toes 1 and 2"),
];

/** The monofilament protocols by their number of sites for each foot. */
export const PROTOCOLS = {
    3: ["hallux-plantar", "mth-1", "mth-5"],
    4: ["hallux-plantar", "mth-1", "mth-3", "mth-5"],
    // The sole alone.
    9: MONOFILAMENT_SITES.map(({ code }) => code).filter(code => code !== "dorsum-web-1"),
    10: MONOFILAMENT_SITES.map(({ code }) => code),
};

export const ZONES = [
    site("web-spaces", "Between the toes", "Between the toes"),
    site("toes", "Toes", "Toes"),
    site("forefoot-sole", "Sole of the forefoot", "Ball of the foot"),
    site("midfoot-sole", "Sole of the midfoot", "Arch"),
    site("heel", "Heel", "Heel"),
    site("foot-dorsum", "Top of the foot", "Top of the foot"),
    site("medial-border", "Inner side of the foot", "Inner side"),
    site("lateral-border", "Outer side of the foot", "Outer side"),
    site("ankle", "Ankle", "Ankle"),
];

const DORSAL_HALLUX = site("hallux-dorsal", "Dorsal distal phalanx of the great toe", "Great toe, at the nail");
const ARTERIES = [
    site("dorsalis-pedis", "Dorsalis pedis artery", "Top of the foot (dorsalis pedis)"),
    site("posterior-tibial", "Posterior tibial artery", "Behind the inner ankle (posterior tibial)"),
];

const quantity = (unit, shown) => ({ unit, shown });

/**
 * The steps. A group is one test: `scope` foot or person; `answers` or `quantity`; `parts` or none when the result
 * stands for the whole test; `all` names the action that gives the first answer to every open row of a foot;
 * `more` groups are asked for only when somebody opens them.
 */
export const STEPS = [
    {
        id: "urgent", name: "Urgent signs", groups: [
            {
                test: "active-problem", display: "Active foot problem", title: "Is anything urgent?", scope: "foot", answers: FOUND, all: "None of these",
                help: "Look at the whole foot first. Anything here comes before any risk category.",
                parts: [
                    finding("active-ulcer", "Open ulcer"),
                    finding("spreading-infection", "Infection or spreading infection", "Infection"),
                    finding("gangrene", "Gangrene or necrosis", "Gangrene or dead tissue"),
                    finding("suspected-acute-charcot", "Suspected acute Charcot foot", "Acute Charcot foot suspected"),
                    finding("hot-swollen-foot", "Unexplained hot, swollen foot with colour change", "Hot, swollen, changed colour"),
                    finding("limb-threatening-ischaemia", "Suspected limb-threatening ischaemia", "Limb-threatening ischaemia suspected"),
                    finding("systemic-signs", "Fever or signs of sepsis"),
                    finding("deep-or-bone-infection", "Concern about deep or bone infection", "Deep or bone infection suspected"),
                ],
            },
        ],
    },
    {
        id: "skin", name: "Skin and nails", groups: [
            {
                test: "skin", display: "Skin inspection", title: "Skin", scope: "foot", answers: FOUND, all: "None of these", zones: true,
                help: "Heel, sole, top and between the toes. After a yes you can say where.",
                parts: [
                    finding("callus", "Callus"), finding("corn", "Corn"), finding("fissure", "Fissure"),
                    finding("maceration", "Maceration between the toes", "Soggy between the toes"),
                    finding("dry-skin", "Dry skin"), finding("erythema", "Redness"),
                    finding("cyanosis", "Dusky or purple colour"),
                    finding("tinea-pedis", "Fungal skin infection"), finding("blister", "Blister"),
                    finding("oedema", "Swelling"),
                    finding("bleeding-under-callus", "Bleeding under callus (pre-ulcer)", "Bleeding under callus"),
                    finding("slow-healing-break", "Break in the skin not improving for several days", "Break not healing for days"),
                ],
            },
            {
                test: "nails", display: "Nail inspection", title: "Nails", scope: "foot", answers: FOUND, all: "None of these",
                parts: [
                    finding("ingrown-nail", "Ingrown nail"), finding("thickened-nail", "Thickened nail"),
                    finding("fungal-nail", "Fungal nail"), finding("unsafe-nail-length", "Long or sharp nail"),
                    finding("nail-infection", "Infection at the nail"),
                ],
            },
        ],
    },
    {
        id: "shape", name: "Shape", groups: [
            {
                test: "deformity", display: "Foot deformity", title: "Shape and joints", scope: "foot", answers: FOUND, all: "None of these",
                help: "Standing if possible; move the great toe and the ankle.",
                parts: [
                    finding("claw-toe", "Claw toe"), finding("hammer-toe", "Hammer toe"), finding("mallet-toe", "Mallet toe"),
                    finding("hallux-valgus", "Hallux valgus"),
                    finding("prominent-metatarsal-heads", "Prominent metatarsal heads"),
                    finding("pes-cavus", "High arch"), finding("pes-planus", "Flat foot"),
                    finding("charcot-deformity", "Charcot change, not active", "Old Charcot change"),
                    finding("surgical-loss", "Shape changed by amputation or surgery", "Changed by amputation or surgery"),
                    finding("limited-joint-mobility", "Limited joint mobility", "Stiff joints"),
                    {
                        ...finding("significant-deformity", "Examiner's judgement: deformity counts as a risk factor", "In my judgement the shape adds risk"),
                        afterYes: true,
                    },
                ],
            },
        ],
    },
    {
        id: "blood", name: "Blood flow", groups: [
            {
                test: "pulse", display: "Pulse by palpation", title: "Pulses", scope: "foot", answers: PULSE, all: "All present", view: "dorsal",
                help: "Feel for up to a minute before you call a pulse absent.",
                parts: ARTERIES,
            },
            {
                test: "capillary-refill", display: "Capillary refill time", title: "Capillary refill", scope: "foot",
                quantity: quantity("s", "seconds"), timer: "refill",
                help: "Press the tip of the great toe until it is white, let go, and start the timer. Stop it when the colour is back.",
            },
            {
                test: "systolic-pressure", display: "Systolic pressure for limb indices", title: "Pressures", scope: "foot", quantity: quantity("mm[Hg]", "mmHg"), more: true,
                parts: [finding("brachial", "Arm, same side", "Arm, same side"), ...ARTERIES.map(artery => ({ ...artery })), finding("hallux-pressure", "Great toe", "Great toe")],
            },
            { test: "tcpo2", display: "Transcutaneous oxygen pressure", title: "Oxygen pressure through the skin", scope: "foot", quantity: quantity("mm[Hg]", "mmHg"), more: true },
            { test: "doppler-waveform", display: "Pedal Doppler waveform", title: "Doppler", scope: "foot", answers: WAVES, more: true, parts: ARTERIES },
        ],
    },
    {
        id: "monofilament", name: "Monofilament", groups: [
            {
                test: "monofilament-10g", display: "10 g monofilament sensation", title: "10 g monofilament", scope: "foot", answers: FELT, all: "Felt at all of these", view: "plantar", protocol: true, asked: true,
                help: "Eyes closed. Hold it square to the skin until it bends, about two seconds in all.",
                parts: MONOFILAMENT_SITES,
            },
        ],
    },
    {
        id: "senses", name: "Other senses", groups: [
            {
                test: "vibration-128hz", display: "128 Hz tuning fork vibration sense", title: "Tuning fork, 128 Hz", scope: "foot", answers: FELT, all: "Felt", view: "dorsal",
                timer: "fork", quantity: quantity("s", "seconds longer"),
                help: "On the bone behind the nail. With the timer: press when the person stops feeling it, press again when you stop feeling it.",
                parts: [DORSAL_HALLUX],
            },
            {
                test: "toe-touch", display: "Light touch on the toe tips", title: "Light touch on the toes", scope: "foot", answers: FELT, all: "Felt at all of these",
                help: "Rest a fingertip on the toe for one or two seconds; do not press or tap.",
                parts: [site("toe-tip-1", "Tip of the great toe", "Great toe"), site("toe-tip-3", "Tip of the third toe", "Third toe"), site("toe-tip-5", "Tip of the fifth toe", "Fifth toe")],
            },
            {
                test: "position-sense", display: "Position sense of the great toe", title: "Position of the great toe", scope: "foot", answers: FELT, all: "Felt",
                help: "Hold the toe at its sides. The person says up or down with closed eyes.",
                parts: [DORSAL_HALLUX],
            },
            { test: "pinprick", display: "Pinprick sensation", title: "Pinprick", scope: "foot", answers: FELT, more: true, parts: [DORSAL_HALLUX] },
            { test: "temperature-sense", display: "Warm and cold discrimination", title: "Warm and cold", scope: "foot", answers: FELT, more: true, parts: [DORSAL_HALLUX] },
            { test: "ankle-reflex", display: "Ankle reflex", title: "Ankle reflex", scope: "foot", answers: REFLEX, more: true },
            { test: "vibration-threshold", display: "Vibration perception threshold", title: "Vibration threshold", scope: "foot", quantity: quantity("V", "volts"), more: true },
        ],
    },
    {
        id: "strength", name: "Strength, warmth", groups: [
            {
                test: "strength", display: "Muscle strength", title: "Strength", scope: "foot", answers: GRADES, all: "Full strength",
                help: "Medical Research Council grades: 5 is full strength, 0 is none.",
                parts: [finding("dorsiflexion", "Ankle dorsiflexion", "Foot up"), finding("plantarflexion", "Ankle plantarflexion", "Foot down")],
            },
            {
                test: "skin-temperature", display: "Skin temperature of the foot", title: "Skin temperature", scope: "foot", quantity: quantity("Cel", "\u00b0C"),
                help: "The same places on both feet. Leave out what you do not measure.",
                parts: [
                    site("hallux-plantar", "Plantar great toe", "Great toe"),
                    site("mth-1", "Sole under the first metatarsal head", "Ball, inner side"),
                    site("mth-5", "Sole under the fifth metatarsal head", "Ball, outer side"),
                    site("heel", "Heel", "Heel"),
                ],
            },
        ],
    },
    {
        id: "history", name: "History", groups: [
            {
                test: "history", display: "Foot and vascular history", title: "Has the person had, or now", scope: "person", answers: FOUND, all: "None of these",
                parts: [
                    finding("previous-ulcer", "Previous foot ulcer, healed", "Foot ulcer before, healed"),
                    finding("previous-amputation", "Previous lower-limb amputation, minor or major", "Amputation, from toe to leg"),
                    finding("end-stage-renal-disease", "End-stage renal disease", "End-stage kidney disease"),
                    finding("renal-replacement-therapy", "Renal replacement therapy", "Dialysis or kidney transplant"),
                    finding("charcot-history", "Previous Charcot foot, now inactive", "Charcot foot before, now quiet"),
                    finding("claudication", "Intermittent claudication", "Calf pain on walking that rest relieves"),
                    finding("rest-pain", "Ischaemic rest pain", "Foot pain at rest from poor blood flow"),
                    finding("vascular-intervention", "Previous leg angioplasty or vascular surgery", "Operation or stent in leg arteries"),
                    finding("smoker", "Smokes now", "Smokes now"),
                    finding("visual-impairment", "Visual impairment", "Poor sight"),
                ],
            },
            { test: "egfr", display: "Estimated glomerular filtration rate", title: "Kidney function (eGFR)", scope: "person", quantity: quantity("mL/min/{1.73_m2}", "mL/min/1.73 m\u00b2"), more: true },
        ],
    },
    {
        id: "care", name: "Care at home", groups: [
            {
                test: "self-care", display: "Self-care ability and habits", title: "Looking after the feet", scope: "person", answers: YES, all: "Yes to all",
                parts: [
                    finding("checks-feet-daily", "Looks at both feet every day"),
                    finding("can-see-and-reach-feet", "Can see and reach the feet"),
                    finding("has-help", "Has someone to help"),
                ],
            },
            {
                test: "footwear", display: "Footwear worn to the visit", title: "Shoes worn today", scope: "person",
                answers: [answer("adequate", "Adequate", "Fit well", "usual"), answer("inadequate", "Inadequate", "Do not fit", "unusual"), answer("barefoot", "Barefoot", "None worn", "unusual")],
            },
            {
                test: "education", display: "Foot-care education at this visit", title: "Teaching at this visit", scope: "person",
                answers: [answer("given", "Given", "Given", "usual"), answer("declined", "Declined", "Declined", "between"), answer("not-given", "Not given", "Not given", "unusual")],
            },
        ],
    },
];

/** How many ulcers of a foot can be described. */
export const MOST_ULCERS = 4;

/** The test in the places of an ulcer's description: the first one of a foot, the second one. */
export const ulcerTest = number => (number === 1 ? "ulcer" : `ulcer#${number}`);

/** What describes an open ulcer. It stands at a zone of a foot, and at each zone there is one. */
export const ULCER = {
    test: "ulcer", display: "Ulcer description",
    area: { ...finding("ulcer-area", "Area"), quantity: quantity("cm2", "cm\u00b2") },
    depth: {
        ...finding("ulcer-depth", "Depth: skin-only, muscle-tendon-or-deeper, bone-or-joint", "Depth"),
        answers: [answer("skin-only", "Skin and subcutis only", "Skin and below it only"), answer("muscle-tendon-or-deeper", "To muscle, tendon or deeper", "To muscle, tendon or deeper"), answer("bone-or-joint", "To bone or joint", "To bone or joint")],
    },
    duration: { ...finding("ulcer-duration", "Days since first noticed"), quantity: quantity("d", "days") },
    infection: {
        ...finding("ulcer-infection", "Infection grade: grade-1, grade-2, grade-3, grade-4, with -bone suffix for 3 and 4", "Infection"),
        answers: [
            answer("grade-1", "Not infected", "Not infected"), answer("grade-2", "Mild infection", "Mild"),
            answer("grade-3", "Moderate infection", "Moderate"), answer("grade-3-bone", "Moderate infection with bone", "Moderate, bone"),
            answer("grade-4", "Severe infection", "Severe"), answer("grade-4-bone", "Severe infection with bone", "Severe, bone"),
        ],
    },
};

export const SIDES = [
    { id: "left", code: "left-foot", display: "Left foot", name: "Left foot" },
    { id: "right", code: "right-foot", display: "Right foot", name: "Right foot" },
];

/** Every group of every step. */
export const GROUPS = STEPS.flatMap(step => step.groups.map(group => ({ ...group, step: step.id })));

/** How codes of sites and findings are called in sentences of the service that name them. */
export const CODE_WORDS = new Map(
    [...GROUPS.flatMap(group => group.parts ?? []), ...MONOFILAMENT_SITES].map(({ code, display }) => [code, display.toLowerCase()]),
);

/** The same for tests. */
export const TEST_WORDS = new Map(GROUPS.map(({ test, title }) => [test, title.slice(0, 1).toLowerCase() + title.slice(1)]));
