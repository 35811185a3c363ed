//! How far an exam has come: which places are recorded, and what is missing to settle it. For whoever is still examining.

use std::collections::BTreeMap;

use crate::exam::{FootExam, Laterality, PanelStatus, Part, Site, Test};
use crate::findings::{Fact, Findings};
use crate::risk::{Guideline, stratify};

/// How far an exam has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Progress {
    /// Whether more results are waited for.
    pub open: bool,
    /// Whether it is withdrawn.
    pub withdrawn: bool,
    /// The categories still possible as codes of `foot-risk`, lowest first.
    pub categories: Vec<String>,
    /// What is recorded, by test and foot.
    pub recorded: Vec<Places>,
    /// Places of the usual protocols that are not: the three monofilament sites and the two pulses of each foot.
    pub left: Vec<Places>,
    /// The facts that are not known and can change the category.
    pub missing: Vec<MissingFact>,
}

/// Places of one test on one foot, or of the person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Places {
    /// The test.
    pub test: Test,
    /// The foot; none for what concerns the person.
    pub side: Option<Laterality>,
    /// The codes of sites and items; empty for a test as a whole.
    pub codes: Vec<&'static str>,
}

/// A fact that is not known and matters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MissingFact {
    /// The fact.
    pub fact: Fact,
    /// What would have to be recorded, a line each.
    pub what: Vec<String>,
    /// Whether this fact alone would settle the category.
    pub settles: bool,
}

/// The protocols with fixed places.
const PROTOCOLS: [(Test, &[Site]); 2] =
    [(Test::Monofilament10g, Site::THREE_SITE), (Test::Pulse, Site::FOOT_ARTERIES)];

pub(crate) fn progress(
    guideline: &Guideline,
    exam: &FootExam,
    findings: &Findings,
    closed: bool,
) -> Progress {
    let possibilities = stratify(guideline, &findings.person);
    let categories = possibilities.categories.keys();
    let categories = categories.filter_map(|&number| guideline.categories.get(number));
    let missing = possibilities.open.iter().map(|&fact| MissingFact {
        fact,
        what: findings.person.finding(fact).map(|finding| finding.missing.clone()).unwrap_or_default(),
        settles: possibilities.settles_alone.contains(&fact),
    });
    Progress {
        open: exam.panel.is_open(closed),
        withdrawn: exam.panel == PanelStatus::EnteredInError,
        categories: categories.filter_map(|category| guideline.category_code(category)).collect(),
        recorded: recorded(exam),
        left: left(exam),
        missing: missing.collect(),
    }
}

fn recorded(exam: &FootExam) -> Vec<Places> {
    let mut by_test: BTreeMap<(Test, Option<Laterality>), Vec<&'static str>> = BTreeMap::new();
    // A reason why there is no result is recorded as well: nobody has to be asked again.
    for key in exam.entries.keys() {
        let codes = by_test.entry((key.test, key.side)).or_default();
        match key.part {
            Part::Whole => {}
            Part::Site(site) => codes.push(site.code()),
            Part::Item(item) => codes.push(item.code()),
            Part::ItemAt(item, site) => codes.extend([item.code(), site.code()]),
        }
    }
    by_test.into_iter().map(|((test, side), codes)| Places { test, side, codes }).collect()
}

fn left(exam: &FootExam) -> Vec<Places> {
    let mut out = Vec::new();
    for side in [Laterality::Left, Laterality::Right] {
        for (test, sites) in PROTOCOLS {
            let open = sites.iter().filter(|site| exam.entry(test, Some(side), Part::Site(**site)).is_none());
            let codes: Vec<&str> = open.map(|site| site.code()).collect();
            if !codes.is_empty() {
                out.push(Places { test, side: Some(side), codes });
            }
        }
    }
    out
}
