//! Skin temperatures of the two feet, compared site by site.
//!
//! A difference of more than 2.2 Cel between matching sites on two consecutive days asks for rest and for a clinician;
//! one reading says nothing by itself, so it never counts as an active problem. Sources: Lavery 2004, Bus 2021
//! (doi:10.1136/bmjdrc-2021-002392), Wijlens 2017 (doi:10.1111/iwj.12811).

use rust_decimal::Decimal;

use super::words::Words;
use crate::clinical_values::{Certainty, ClinicalValue};
use crate::exam::{Entry, FootExam, Laterality, Outcome, Part, Site, Test};

const WARMER: Decimal = Decimal::from_parts(22, 0, 0, false, 1);

pub(super) const VALUES: &[ClinicalValue] = &[ClinicalValue {
    id: "skin-temperature-difference",
    number: Some(WARMER),
    unit: "Cel",
    meaning: "a site warmer than its match by more than this on two consecutive days: walk less and see a clinician",
    source: "Bus 2021, doi:10.1136/bmjdrc-2021-002392; Wijlens 2017, doi:10.1111/iwj.12811",
    certainty: Certainty::Primary,
}];

/// A site that is warmer than the same site of the other foot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WarmSite {
    /// The site; none for a temperature of the whole foot.
    pub site: Option<Site>,
    /// The warmer foot.
    pub side: Laterality,
    /// By how much, in Cel.
    pub by: Decimal,
    /// Where it is, in words.
    pub place: String,
}

/// The sites where one foot is warmer by more than the limit. A site without an exact temperature on both feet is not
/// compared.
pub(super) fn warm_sites(exam: &FootExam, words: &Words<'_>) -> Vec<WarmSite> {
    let left = exam.of_test(Test::SkinTemperature, Some(Laterality::Left));
    left.filter_map(|(part, left)| {
        let right = exam.entry(Test::SkinTemperature, Some(Laterality::Right), part)?;
        let (left, right) = (temperature(left)?, temperature(right)?);
        let (side, by) =
            if left > right { (Laterality::Left, left - right) } else { (Laterality::Right, right - left) };
        let (site, place) = match part {
            Part::Site(site) => (Some(site), words.site(site)),
            Part::Whole => (None, "whole foot".to_owned()),
            Part::Item(_) | Part::ItemAt(_, _) => return None,
        };
        (by > WARMER).then_some(WarmSite { site, side, by: by.round_dp(2).normalize(), place })
    })
    .collect()
}

/// The one temperature of a site. Readings that disagree are none.
fn temperature(entry: &Entry) -> Option<Decimal> {
    let mut all = entry.readings.iter().map(|reading| match reading.outcome {
        Outcome::Measured(measured) => measured.exact(),
        Outcome::Code(_) => None,
    });
    let first = all.next()??;
    all.all(|other| other == Some(first)).then_some(first)
}
