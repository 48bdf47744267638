//! Random streams: one for each noise source of each trial, so that a change of one source or
//! setting leaves the numbers of all others as they were (common random numbers; Law, Simulation
//! Modeling and Analysis, 5th edition 2015, section 11.2).

use stats::random::Random;

/// Trials that run side by side, from one that is told to the fourth after it: the same operation
/// on all four is two of the wide instructions that every x86-64 processor has, or one.
pub const LANES: usize = 4;

/// One number for each of the trials that run side by side. Each lane holds the bits that it would
/// hold alone, for every operation is that of IEEE 754 on one number.
pub type Lanes = wide::f64x4;

/// What draws random numbers in a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Source {
    /// Start of the worm's turn.
    WormPhase,
    /// Slow gear noise.
    Gear,
    /// Arrival and size of gusts.
    Gusts,
    /// Seeing in the guide camera.
    Seeing,
    /// Noise of the centroid.
    Centroid,
    /// Start delay, width error and loss of pulses.
    Chain,
    /// A plausible sky and mount around the setup.
    Spread,
}

/// The generator of one source of one trial. `axis` is 0 for right ascension and 1 for
/// declination. The key is mixed by the finalizer of SplitMix64 (Steele, Lea & Flood 2014), so
/// that neighbouring keys give unrelated seeds.
pub fn stream(seed: u64, trial: u64, axis: u64, source: Source) -> Random {
    let mut key = mix(seed ^ 0x9e37_79b9_7f4a_7c15);
    key = mix(key ^ trial.wrapping_mul(0xbf58_476d_1ce4_e5b9));
    key = mix(key ^ ((source as u64) << 8 | axis));
    Random::new(key)
}

/// The generators of one source of the trials that run side by side, from trial `first`.
pub fn streams(seed: u64, first: u64, axis: u64, source: Source) -> [Random; LANES] {
    std::array::from_fn(|lane| stream(seed, first + lane as u64, axis, source))
}

fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_differ_in_every_part_of_the_key_and_repeat() {
        let first = |s, t, a, source| stream(s, t, a, source).bits();
        let base = first(1, 2, 0, Source::Gear);
        assert_eq!(base, first(1, 2, 0, Source::Gear));
        for other in [
            first(2, 2, 0, Source::Gear),
            first(1, 3, 0, Source::Gear),
            first(1, 2, 1, Source::Gear),
            first(1, 2, 0, Source::Gusts),
        ] {
            assert_ne!(base, other);
        }
    }
}
