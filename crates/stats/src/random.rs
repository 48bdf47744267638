//! The one random generator: xoshiro256++ (Blackman & Vigna 2021), seeded by SplitMix64.
//!
//! Integers, uniforms and normals come out with the same bits on every machine, for the
//! transcendental functions are those of the `libm` crate and not of the platform.

use rand_core::{Rng as _, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// A seeded generator of uniform and normal numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Random(Xoshiro256PlusPlus);

impl Random {
    /// A generator whose whole future follows from `seed`.
    pub fn new(seed: u64) -> Self {
        Self(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    /// 64 random bits.
    #[inline]
    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// A uniform number in [0, 1), a multiple of 2^-53.
    #[inline]
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// A uniform integer in 0..bound, without bias (Lemire 2019). `bound` must not be 0.
    pub fn below(&mut self, bound: u64) -> u64 {
        debug_assert!(bound > 0, "an empty range has no member");
        let mut product = u128::from(self.bits()) * u128::from(bound);
        if (product as u64) < bound {
            let threshold = bound.wrapping_neg() % bound;
            while (product as u64) < threshold {
                product = u128::from(self.bits()) * u128::from(bound);
            }
        }
        (product >> 64) as u64
    }

    /// Puts `items` in a random order, each order as likely as any other: the last place is filled first, by
    /// one drawn from those not yet placed (Fisher & Yates 1938; in place, Durstenfeld 1964, CACM 7:420,
    /// Algorithm 235).
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last as u64 + 1) as usize);
        }
    }

    /// A standard normal number, by inversion of the distribution function.
    pub fn normal(&mut self) -> f64 {
        let open = (self.bits() >> 12) as f64 + 0.5;
        crate::special::normal_quantile(open * (1.0 / (1u64 << 52) as f64))
    }

    /// An exponential number of mean 1.
    #[inline]
    pub fn exponential(&mut self) -> f64 {
        -libm::log1p(-self.uniform())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_order_of_four_is_as_likely_as_any_other() {
        let mut counts = std::collections::BTreeMap::new();
        let mut random = Random::new(20);
        for _ in 0..24_000 {
            let mut items = [0, 1, 2, 3];
            random.shuffle(&mut items);
            *counts.entry(items).or_insert(0.0) += 1.0;
        }
        assert_eq!(counts.len(), 24);
        // Pearson's chi-squared test against 1,000 of each; the seed is fixed, so it is done once. To draw
        // from all four places each time, the usual mistake, would give a statistic near 715.
        let statistic: f64 = counts
            .values()
            .map(|n: &f64| (n - 1000.0).powi(2) / 1000.0)
            .sum();
        let p_value = crate::special::chi2_sf(statistic, 23.0);
        assert!(p_value > 0.001, "{p_value}");
    }

    #[test]
    fn the_same_seed_gives_the_same_order() {
        let shuffled = |seed| {
            let mut items: Vec<u64> = (0..100).collect();
            let mut random = Random::new(seed);
            random.shuffle(&mut items);
            // What comes next is the same too: the same count of numbers was drawn.
            (items, random.bits())
        };
        assert_eq!(shuffled(21), shuffled(21));
        assert_ne!(shuffled(21), shuffled(22));
        let (mut items, _) = shuffled(21);
        items.sort_unstable();
        assert!(items.into_iter().eq(0..100));
        // A second derivation: SplitMix64, xoshiro256++, Lemire's range and the exchanges, each written anew
        // in Python's integers from its paper.
        let mut ten = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9];
        Random::new(21).shuffle(&mut ten);
        assert_eq!(ten, [0, 7, 2, 1, 6, 9, 3, 5, 4, 8]);
    }

    #[test]
    fn none_and_one_draw_nothing() {
        let mut random = Random::new(23);
        random.shuffle::<u8>(&mut []);
        random.shuffle(&mut [7]);
        assert_eq!(random, Random::new(23));
    }
}
