//! Which known word did somebody mean?

/// The candidate that takes the fewest edits to reach from `word`, if it is near enough to be a slip.
pub(crate) fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let allowed = word.chars().count().div_ceil(3).max(2);
    candidates
        .into_iter()
        .map(|candidate| (edits(word, candidate), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Levenshtein distance in characters.
fn edits(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (done, character) in from.chars().enumerate() {
        let mut next = Vec::with_capacity(row.len());
        next.push(done + 1);
        for (pair, target) in row.windows(2).zip(&to) {
            let [diagonal, above] = pair else { continue };
            let left = next.last().copied().unwrap_or(usize::MAX);
            let substitution = diagonal + usize::from(character != *target);
            next.push(substitution.min(above + 1).min(left.saturating_add(1)));
        }
        row = next;
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_are_recognised_and_strangers_are_not() {
        let known = ["server.listen", "store.url", "access.mode"];
        assert_eq!(nearest("server.listn", known), Some("server.listen"));
        assert_eq!(nearest("sotre.url", known), Some("store.url"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(edits("kitten", "sitting"), 3);
    }
}
