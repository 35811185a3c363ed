//! Counting felt sites (`monofilament = { felt_below = 8 }`: common practice, no source).

use proptest::prelude::*;

use super::generate::{MONOFILAMENT, normal_exam};
use super::model::{Exam, Finding, Part, Side, Style, What};
use super::run::{Result, assess_with, cases, felt_below};

/// A normal exam but for the left monofilament at nine sites: so many felt, so many not felt, the rest not tested.
fn with_counts(felt: usize, not_felt: usize) -> Exam {
    let mut exam = normal_exam();
    exam.findings.retain(|finding| finding.test != "monofilament-10g");
    for side in Side::BOTH {
        for (number, site) in MONOFILAMENT[2].iter().enumerate() {
            let what = if side == Side::Right || number < felt {
                What::Code("felt")
            } else if number < felt + not_felt {
                What::Code("not-felt")
            } else {
                What::Reason("not-performed")
            };
            exam.findings.push(Finding::new("monofilament-10g", Some(side), Part::Site(site), what));
        }
    }
    exam
}

fn counted(exam: &Exam) -> Result {
    assess_with(exam, &Style::default(), &felt_below(8))
}

#[test]
fn seven_of_nine_is_loss_and_eight_is_not() {
    assert_eq!(counted(&with_counts(7, 2)).categories, [1]);
    assert_eq!(counted(&with_counts(8, 1)).categories, [0]);
    assert_eq!(counted(&with_counts(9, 0)).categories, [0]);
    assert_eq!(counted(&with_counts(0, 9)).categories, [1]);
}

#[test]
fn untested_sites_leave_a_range_unless_they_cannot_matter() {
    assert_eq!(counted(&with_counts(7, 1)).categories, [0, 1]);
    assert_eq!(counted(&with_counts(7, 0)).categories, [0, 1]);
    assert_eq!(counted(&with_counts(0, 0)).categories, [0, 1]);
    // Two sites not felt: at most seven of nine can be felt.
    assert_eq!(counted(&with_counts(0, 2)).categories, [1]);
    // Eight felt: whatever the ninth comes to.
    assert_eq!(counted(&with_counts(8, 0)).categories, [0]);
}

proptest! {
    #![proptest_config(cases(20))]

    #[test]
    fn the_range_is_exactly_what_the_counts_can_come_to(felt in 0..10_usize, not_felt in 0..10_usize) {
        prop_assume!(felt + not_felt <= 9);
        let most_felt = 9 - not_felt;
        let expected: Vec<usize> = match (felt >= 8, most_felt >= 8) {
            (true, _) => vec![0],
            (false, true) => vec![0, 1],
            (false, false) => vec![1],
        };
        prop_assert_eq!(counted(&with_counts(felt, not_felt)).categories, expected);
    }
}
