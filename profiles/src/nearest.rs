//! The known name that somebody most likely meant.

/// Names longer than this are not compared: the work grows with the square of the length.
const LONGEST: usize = 64;

/// The candidate nearest to a name, if one is near enough to be what was meant: a few letters wrong, missing,
/// swapped, or in the other case. Of equally near ones the first by alphabet.
#[must_use]
pub fn nearest<'c>(name: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    if name.is_empty() || name.len() > LONGEST {
        return None;
    }
    let name: Vec<char> = name.to_lowercase().chars().collect();
    let allowed = (name.len() / 3).clamp(1, 3);
    candidates
        .filter(|candidate| candidate.len() <= LONGEST)
        .map(|candidate| (distance(&name, &candidate.to_lowercase().chars().collect::<Vec<_>>()), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min()
        .map(|(_, candidate)| candidate)
}

/// Edit distance where a swap of neighbours counts as one (optimal string alignment).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut two_back: Vec<usize> = Vec::new();
    let mut back: Vec<usize> = (0..=b.len()).collect();
    for (row, letter) in a.iter().enumerate() {
        let mut here = Vec::with_capacity(back.len());
        here.push(row + 1);
        for (column, other) in b.iter().enumerate() {
            let at = |line: &[usize], at: usize| line.get(at).copied().unwrap_or(usize::MAX / 2);
            let changed = at(&back, column) + usize::from(letter != other);
            let mut best = changed.min(at(&back, column + 1) + 1).min(at(&here, column) + 1);
            let swapped =
                row > 0 && column > 0 && a.get(row - 1) == Some(other) && b.get(column - 1) == Some(letter);
            if swapped {
                best = best.min(at(&two_back, column - 1) + 1);
            }
            here.push(best);
        }
        two_back = std::mem::replace(&mut back, here);
    }
    back.last().copied().unwrap_or(a.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_pen_are_understood_and_strangers_are_not() {
        let names = ["status", "subject", "valueQuantity", "effectiveDateTime", "final", "id"];
        let cases = [
            ("statsu", Some("status")),
            ("Status", Some("status")),
            ("subjet", Some("subject")),
            ("valueQuantiy", Some("valueQuantity")),
            ("effectiveDatetime", Some("effectiveDateTime")),
            ("finale", Some("final")),
            ("colour", None),
            ("", None),
        ];
        for (name, expected) in cases {
            assert_eq!(nearest(name, names.into_iter()), expected, "{name}");
        }
        assert_eq!(nearest(&"x".repeat(100_000), names.into_iter()), None);
    }
}
