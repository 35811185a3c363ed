//! Numbers that follow from a seed, so that a run can be made again.

/// A generator (Steele, Lea, Flood: SplitMix, 2014).
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// One that starts at a seed.
    #[must_use]
    pub fn from(seed: u64) -> Random {
        Random(seed)
    }

    /// A number below a bound.
    pub fn below(&mut self, bound: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (mixed ^ (mixed >> 31)) % bound.max(1)
    }

    /// Whether something of this chance, in percent, happens.
    pub fn chance(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }
}
