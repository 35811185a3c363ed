//! How many deliveries go at once: half as many after each trouble, one more after that many successes.

/// A limit between one and a most.
#[derive(Debug, Clone, Copy)]
pub(super) struct Concurrency {
    most: u32,
    limit: u32,
    successes: u32,
}

impl Concurrency {
    pub(super) fn up_to(most: u32) -> Concurrency {
        let most = most.max(1);
        Concurrency { most, limit: most, successes: 0 }
    }

    pub(super) fn limit(self) -> u32 {
        self.limit
    }

    pub(super) fn narrow(&mut self) {
        self.limit = (self.limit / 2).max(1);
        self.successes = 0;
    }

    pub(super) fn widen(&mut self) {
        self.successes += 1;
        if self.successes >= self.limit && self.limit < self.most {
            self.limit += 1;
            self.successes = 0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trouble_halves_and_success_adds_one_a_round() {
        let mut concurrency = Concurrency::up_to(8);
        for expected in [4, 2, 1, 1] {
            concurrency.narrow();
            assert_eq!(concurrency.limit(), expected);
        }
        let mut rounds = Vec::new();
        for _ in 0..40 {
            concurrency.widen();
            rounds.push(concurrency.limit());
        }
        assert_eq!(rounds[..6], [2, 2, 3, 3, 3, 4]);
        assert_eq!(rounds.last(), Some(&8));
    }
}
