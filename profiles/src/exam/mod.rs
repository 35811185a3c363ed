//! The exam: everything that was found on two feet and one person, whatever form it came in.
//!
//! Grouped and single-site Observations, local and standard codings, Condition and Procedure resources all end in one
//! table of [`Entry`]s by test, side and part. What could not be read is simply not in the table: it is unknown, and
//! unknown is never normal. Two different results for one place are both kept; nothing is overwritten.

mod codes;
mod coding;
mod document;
mod places;
mod read;
mod rules;
mod submission;
mod submitted;
mod units;

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde_json::Value;

pub use codes::{BodySite, Item, Laterality, ResultCode, Site, Test};
pub(crate) use coding::check_codes;
pub(crate) use read::VALUES;
pub(crate) use read::{SourceResource, read, test_of};
pub use rules::RULES;
pub(crate) use rules::check;
pub(crate) use submission::{changed_identity, project_uuid, submission};
pub use submitted::{CheckContext, ExamKey, GroupBy, PlacedResource, Submission, SubmittedExam};

use crate::time::ExamTime;

/// What part of a test an entry speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// The test as a whole, as with a reflex or a pressure index.
    Whole,
    /// A site or an artery.
    Site(Site),
    /// A finding, a history item, a movement.
    Item(Item),
    /// A finding in one zone of the foot.
    ItemAt(Item, Site),
}

/// What an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key {
    /// The test.
    pub test: Test,
    /// The foot; none for what concerns the person.
    pub side: Option<Laterality>,
    /// The part of the test.
    pub part: Part,
}

/// A measured number. A comparator (`<`, `>`) leaves one end open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Measured {
    /// The value is at least this.
    pub at_least: Option<Decimal>,
    /// The value is at most this.
    pub at_most: Option<Decimal>,
    /// The value is none of these two numbers themselves (`<` and `>`, other than `<=` and `>=`).
    pub beyond: bool,
}

impl Measured {
    /// A number without a comparator.
    #[must_use]
    pub fn exactly(value: Decimal) -> Measured {
        Measured { at_least: Some(value), at_most: Some(value), beyond: false }
    }

    /// The number, when it is exact.
    #[must_use]
    pub fn exact(self) -> Option<Decimal> {
        self.at_least.filter(|_| self.at_least == self.at_most)
    }

    /// Whether the number reaches a threshold (is as large or larger); none when the comparator leaves it open.
    #[must_use]
    pub fn reaches(self, threshold: Decimal) -> Option<bool> {
        if self.at_least.is_some_and(|low| low >= threshold) {
            Some(true)
        } else if self.at_most.is_some_and(|high| high < threshold || (self.beyond && high == threshold)) {
            Some(false)
        } else {
            None
        }
    }

    /// Whether the number exceeds a threshold (is larger); none when the comparator leaves it open.
    #[must_use]
    pub fn exceeds(self, threshold: Decimal) -> Option<bool> {
        if self.at_least.is_some_and(|low| low > threshold || (self.beyond && low == threshold)) {
            Some(true)
        } else if self.at_most.is_some_and(|high| high <= threshold) {
            Some(false)
        } else {
            None
        }
    }
}

/// A result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// A coded result; a Ratio of correct answers is already scored.
    Code(ResultCode),
    /// A number in the unit of the test.
    Measured(Measured),
}

/// A result with where it came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading {
    /// The result.
    pub outcome: Outcome,
    /// Number of its resource in [`FootExam::sources`].
    pub source: usize,
    /// JSON pointer to it in the document it was read from.
    pub(crate) pointer: String,
}

/// All that was said about one key. Two readings are two voices, not an overwrite.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Entry {
    /// The results.
    pub readings: Vec<Reading>,
    /// Codes of the reasons why there is no result, each with its source.
    pub not_tested: Vec<(String, usize)>,
}

impl Entry {
    /// Whether any reading is this coded result.
    #[must_use]
    pub fn has(&self, code: ResultCode) -> bool {
        self.readings.iter().any(|reading| reading.outcome == Outcome::Code(code))
    }

    /// Whether there are readings and all are this coded result.
    #[must_use]
    pub fn is(&self, code: ResultCode) -> bool {
        !self.readings.is_empty()
            && self.readings.iter().all(|reading| reading.outcome == Outcome::Code(code))
    }

    /// Whether readings disagree.
    #[must_use]
    pub fn contradicts_itself(&self) -> bool {
        self.readings.windows(2).any(|pair| matches!(pair, [a, b] if a.outcome != b.outcome))
    }
}

/// How far the panel says the exam has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PanelStatus {
    /// No panel yet: results arrived one by one.
    NoPanel,
    /// `preliminary`: more may come.
    Preliminary,
    /// `final`.
    Final,
    /// `amended`.
    Amended,
    /// `corrected`.
    Corrected,
    /// `entered-in-error`: the exam is withdrawn.
    EnteredInError,
    /// `registered`, `cancelled` or `unknown`: the panel says nothing about the exam.
    NotCounted,
}

impl PanelStatus {
    /// Whether more results may come. `closed` says that an exam without a panel is closed all the same.
    #[must_use]
    pub fn is_open(self, closed: bool) -> bool {
        match self {
            PanelStatus::NoPanel => !closed,
            PanelStatus::Preliminary | PanelStatus::NotCounted => true,
            PanelStatus::Final
            | PanelStatus::Amended
            | PanelStatus::Corrected
            | PanelStatus::EnteredInError => false,
        }
    }
}

/// A resource that the exam was read from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// `Type/id`, as derived resources refer to it.
    pub reference: String,
    /// Whether anything in it counts.
    pub counts: bool,
}

/// An ulcer that was described.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ulcer {
    /// Where it is.
    pub site: Option<BodySite>,
    /// Number of its resource in [`FootExam::sources`].
    pub source: usize,
}

/// One exam of one person.
#[derive(Debug, Clone)]
pub struct FootExam {
    /// The Reference to the person, as given.
    pub subject: Option<Value>,
    /// The Reference to the encounter, as given.
    pub encounter: Option<Value>,
    /// When the exam was made: the panel's time, else the latest of its results.
    pub time: Option<ExamTime>,
    /// The same as written.
    pub time_text: Option<String>,
    /// What the panel says.
    pub panel: PanelStatus,
    /// The Reference to who examined: the panel's first performer.
    pub performer: Option<Value>,
    /// The resources it was read from, in their order.
    pub sources: Vec<Source>,
    /// The table.
    pub entries: BTreeMap<Key, Entry>,
    /// The ulcers described.
    pub ulcers: Vec<Ulcer>,
}

impl FootExam {
    /// All that was said about a part of a test.
    #[must_use]
    pub fn entry(&self, test: Test, side: Option<Laterality>, part: Part) -> Option<&Entry> {
        self.entries.get(&Key { test, side, part })
    }

    /// The entries of one test on one foot (or of the person), in order.
    pub fn of_test(&self, test: Test, side: Option<Laterality>) -> impl Iterator<Item = (Part, &Entry)> {
        self.entries
            .iter()
            .filter(move |(key, _)| key.test == test && key.side == side)
            .map(|(key, entry)| (key.part, entry))
    }
}
