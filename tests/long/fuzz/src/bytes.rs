//! Mutations of texts as bytes: for what reads text before anything is known of it.

use crate::random::Random;

/// One to six small changes, now and then a splice with another seed or a great repetition.
pub(crate) fn mutate(random: &mut Random, seeds: &[Vec<u8>], tokens: &[&str]) -> Vec<u8> {
    let mut text = random.pick(seeds).clone();
    for _ in 0..=random.below(6) {
        let at = random.below(text.len() + 1);
        match random.below(10) {
            0 if at < text.len() => text[at] ^= 1 << random.below(8),
            1 if at < text.len() => text[at] = random.below(256) as u8,
            2 => {
                let end = (at + 1 + random.below(24)).min(text.len());
                text.drain(at..end);
            }
            3 => {
                let end = (at + 1 + random.below(64)).min(text.len());
                let part = text[at..end].to_vec();
                let to = random.below(text.len() + 1);
                text.splice(to..to, part);
            }
            4 => {
                let other = random.pick(seeds);
                let from = random.below(other.len() + 1);
                let part = other[from..(from + random.below(200)).min(other.len())].to_vec();
                text.splice(at..at, part);
            }
            5 => text.truncate(at),
            6 if random.one_in(20) => {
                let count = 1 << random.below(13);
                let part = random.pick(tokens).as_bytes().repeat(count);
                text.splice(at..at, part);
            }
            _ => {
                let token = random.pick(tokens).bytes();
                let end = if random.one_in(2) { at } else { (at + 1 + random.below(8)).min(text.len()) };
                text.splice(at..end, token);
            }
        }
    }
    text
}
