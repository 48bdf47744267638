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
    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// A uniform number in [0, 1), a multiple of 2^-53.
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

    /// A standard normal number, by inversion of the distribution function.
    pub fn normal(&mut self) -> f64 {
        let open = (self.bits() >> 12) as f64 + 0.5;
        crate::special::normal_quantile(open * (1.0 / (1u64 << 52) as f64))
    }

    /// An exponential number of mean 1.
    pub fn exponential(&mut self) -> f64 {
        -libm::log1p(-self.uniform())
    }
}
