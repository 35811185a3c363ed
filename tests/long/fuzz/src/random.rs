//! A small generator of numbers that gives the same on every machine (SplitMix64, public domain by S. Vigna).

pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Random {
        Random(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A number below `limit`; 0 when there is none.
    pub(crate) fn below(&mut self, limit: usize) -> usize {
        if limit == 0 { 0 } else { (self.next() % limit as u64) as usize }
    }

    pub(crate) fn one_in(&mut self, count: usize) -> bool {
        self.below(count) == 0
    }

    /// One of the items, which must not be none.
    pub(crate) fn pick<'i, T>(&mut self, items: &'i [T]) -> &'i T {
        &items[self.below(items.len())]
    }
}
