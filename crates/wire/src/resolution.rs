//! The step of the time stamps that a capture actually uses.

use crate::time::gcd;

/// The greatest common divisor of many distances, at the cost of a multiplication for each one that
/// it divides: `d` is a multiple of `g = 2^shift * odd` just when `d * odd^-1 (mod 2^64)`, rotated
/// right by `shift`, is at most `(2^64 - 1) / g` (Granlund & Montgomery 1994, section 9).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Resolution {
    divisor: u64,
    inverse: u64,
    shift: u32,
    limit: u64,
}

/// Fewer distinct widths than this don't tell of a step: thirty pulses of exactly 512 ms, one every
/// second, share a divisor of 8 ms and say nothing of the clock that timed them.
const DISTINCT_WIDTHS: usize = 10;

/// The step to go by, in ticks: the divisor, or, where the widths are too few or too much alike, only the
/// largest power of ten in it, which is the last decimal place that was used.
pub(crate) fn trusted(divisor: u64, widths: impl Iterator<Item = i64>) -> i64 {
    let mut distinct: Vec<i64> = Vec::with_capacity(DISTINCT_WIDTHS);
    for width in widths {
        if !distinct.contains(&width) {
            distinct.push(width);
            if distinct.len() == DISTINCT_WIDTHS {
                return divisor.clamp(1, i64::MAX as u64) as i64;
            }
        }
    }
    let mut place = 1;
    while divisor > 0 && divisor.is_multiple_of(place * 10) {
        place *= 10;
    }
    place.min(i64::MAX as u64) as i64
}

impl Default for Resolution {
    fn default() -> Resolution {
        // No distance yet: each one but 0 goes through `update`.
        Resolution {
            divisor: 0,
            inverse: 1,
            shift: 0,
            limit: 0,
        }
    }
}

impl Resolution {
    /// Takes in one more distance.
    #[inline(always)]
    pub(crate) fn add(&mut self, distance: u64) {
        if !self.divides(distance) {
            self.update(distance);
        }
    }

    /// Whether `distance` changes nothing.
    #[inline(always)]
    pub(crate) fn divides(&self, distance: u64) -> bool {
        distance.wrapping_mul(self.inverse).rotate_right(self.shift) <= self.limit
    }

    #[cold]
    fn update(&mut self, distance: u64) {
        self.divisor = gcd(self.divisor, distance);
        self.shift = self.divisor.trailing_zeros();
        let odd = self.divisor >> self.shift;
        // Newton's iteration for the inverse modulo 2^64: `odd` is its own inverse modulo 2^3, and
        // each of five steps doubles the count of right bits.
        self.inverse = (0..5).fold(odd, |inverse, _| {
            inverse.wrapping_mul(2u64.wrapping_sub(odd.wrapping_mul(inverse)))
        });
        self.limit = u64::MAX / self.divisor;
    }

    /// The divisor; 0 where there was no distance but 0.
    pub(crate) fn divisor(&self) -> u64 {
        self.divisor
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn it_is_the_greatest_common_divisor(
            unit in 1u64..1 << 40,
            factors in proptest::collection::vec(0u64..1 << 20, 0..20),
        ) {
            let mut resolution = Resolution::default();
            let distances = factors.iter().map(|factor| unit * factor);
            distances.clone().for_each(|distance| resolution.add(distance));
            prop_assert_eq!(resolution.divisor(), distances.fold(0, gcd));
        }
    }
}
