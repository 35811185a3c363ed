//! The nearest known code to one that is not known: a misspelling is mended faster when the right spelling is named.

/// The candidate with the fewest single-character edits to `given`, if a third of the letters or less differ.
#[must_use]
pub fn nearest<'c>(given: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    let given = given.to_lowercase();
    candidates
        .map(|candidate| (distance(&given, &candidate.to_lowercase()), candidate))
        .min_by_key(|(edits, _)| *edits)
        .filter(|(edits, candidate)| edits * 3 <= given.chars().count().max(candidate.chars().count()))
        .map(|(_, candidate)| candidate)
}

/// Levenshtein's distance.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (line, from) in a.chars().enumerate() {
        let mut left = line + 1;
        let mut next = Vec::with_capacity(row.len());
        next.push(left);
        for (to, pair) in b.iter().zip(row.windows(2)) {
            let &[diagonal, above] = pair else { continue };
            left = (diagonal + usize::from(from != *to)).min(above + 1).min(left + 1);
            next.push(left);
        }
        row = next;
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_misspelling_finds_its_code_and_nonsense_finds_none() {
        let codes = ["monofilament-10g", "vibration-128hz", "pulse"];
        assert_eq!(nearest("monofilment_10g", codes.into_iter()), Some("monofilament-10g"));
        assert_eq!(nearest("PULSE", codes.into_iter()), Some("pulse"));
        assert_eq!(nearest("pulses", codes.into_iter()), Some("pulse"));
        assert_eq!(nearest("blood-glucose", codes.into_iter()), None);
        assert_eq!(nearest("", codes.into_iter()), None);
    }

    #[test]
    fn distance_counts_edits() {
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("abc", "abc"), 0);
    }
}
