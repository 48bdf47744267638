//! State levels by the histogram method, and crossings of the reference level (IEEE Std 181-2011,
//! sections 5.2 and 5.3).

use super::{MOST_KEPT, Sample, median, meet, robust_sd};
use crate::capture::{StateLevels, Warning};
use crate::settings::Coupling;
use crate::time::TickLength;
use crate::track::Track;

/// Bins of the histogram over the range of the samples.
const BINS: usize = 256;
/// Two states are told apart where their levels are so many standard deviations of the noise apart.
/// The two modes of normal noise are less than 1 apart, those of a sine wave less than 5.
const SEPARATION: f64 = 6.0;
/// An edge counts once the level has gone this share of the amplitude beyond the reference level.
const HYSTERESIS: f64 = 0.1;
/// A level may drift by this share of the amplitude before that is warned of.
const DRIFT: f64 = 0.15;

/// Tells by the median of `volts` how they were coupled: that of a DC-coupled wire is at one of its
/// two levels, near an end of the range; that of an AC-coupled one at the base line between the
/// spikes, near the middle. `None` where nothing changes.
pub(super) fn coupling(volts: &[f64]) -> Option<Coupling> {
    let (low, high) = trimmed_range(volts)?;
    let middle = median(&mut volts.to_vec())?;
    let place = (middle - low) / (high - low);
    Some(if (0.25..=0.75).contains(&place) {
        Coupling::Ac
    } else {
        Coupling::Dc
    })
}

/// The range of `volts` without a few outliers: each half of the range holds a few samples at least.
/// `None` where there is no range.
fn trimmed_range(volts: &[f64]) -> Option<(f64, f64)> {
    // A pulse of the least width is sampled this often at least in a capture worth reading.
    let few = (volts.len() / 500).clamp(3, 16);
    let mut sorted = volts.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let mut sorted = sorted.as_slice();
    loop {
        let (low, high) = (*sorted.first()?, *sorted.last()?);
        if high <= low {
            return None;
        }
        let middle = low / 2.0 + high / 2.0;
        let below = sorted.partition_point(|volts| *volts < middle);
        if below < few {
            sorted = sorted.get(below..)?;
        } else if sorted.len() - below < few {
            sorted = sorted.get(..below)?;
        } else {
            return Some((low, high));
        }
    }
}

/// The levels of the two states, and the reference level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Levels {
    low: f64,
    high: f64,
    reference: f64,
}

impl Levels {
    /// The levels by the histogram method: the modes of the lower and the upper half of the range.
    /// `None` where these are no two states but noise.
    pub(super) fn find(volts: &[f64]) -> Option<Levels> {
        let (low_end, high_end) = trimmed_range(volts)?;
        let middle = low_end / 2.0 + high_end / 2.0;
        let bin_of = |volts: f64| {
            let share = (volts - low_end) / (high_end - low_end);
            ((share * BINS as f64) as usize).min(BINS - 1)
        };
        let mut bins = vec![(0u32, 0.0); BINS];
        let inside = || volts.iter().filter(|v| (low_end..=high_end).contains(*v));
        for volts in inside() {
            if let Some((count, sum)) = bins.get_mut(bin_of(*volts)) {
                *count += 1;
                *sum += volts;
            }
        }
        // The mean of the fullest bin, which is finer than its centre.
        let mode = |bins: &[(u32, f64)]| {
            bins.iter()
                .max_by_key(|(count, _)| *count)
                .filter(|(count, _)| *count > 0)
                .map(|(count, sum)| sum / f64::from(*count))
        };
        let (lower, upper) = bins.split_at(BINS / 2);
        let (low, high) = (mode(lower)?, mode(upper)?);
        let noise_low = robust_sd(inside().copied().filter(|v| *v < middle), low);
        let noise_high = robust_sd(inside().copied().filter(|v| *v >= middle), high);
        let levels = Levels {
            low,
            high,
            reference: low / 2.0 + high / 2.0,
        };
        let apart = high - low > SEPARATION * noise_low.max(noise_high);
        (apart && !levels.is_flicker(volts)).then_some(levels)
    }

    /// Whether the two levels are neighbouring steps of the converter between which noise flickers.
    /// That differs from a wire of two exact levels only in how often it changes.
    fn is_flicker(&self, volts: &[f64]) -> bool {
        let pairs = || volts.iter().zip(volts.iter().skip(1));
        let step = pairs()
            .map(|(a, b)| (a - b).abs())
            .filter(|step| *step > 0.0)
            .fold(f64::INFINITY, f64::min);
        let crossings = pairs()
            .filter(|(a, b)| (**a < self.reference) != (**b < self.reference))
            .count();
        // Two steps of the converter and a half: levels that noise alone doesn't reach in turn. A
        // handful of changes is no flicker however few the samples.
        self.high - self.low < 2.5 * step && crossings > (volts.len() / 50).max(8)
    }

    /// Levels of which only the reference is known.
    pub(super) fn at(reference: f64) -> Levels {
        Levels {
            low: reference,
            high: reference,
            reference,
        }
    }

    pub(super) fn with_reference(self, reference: Option<f64>) -> Levels {
        Levels {
            reference: reference.unwrap_or(self.reference),
            ..self
        }
    }

    fn amplitude(&self) -> f64 {
        self.high - self.low
    }
}

/// Finds the crossings of the reference level of a DC-coupled wire.
pub(super) struct Crossing {
    levels: Levels,
    /// An edge counts beyond these.
    low_enough: f64,
    high_enough: f64,
    /// The 10 % and 90 % levels.
    tenth: f64,
    nine_tenths: f64,
    state: Option<bool>,
    last: Option<Sample>,
    /// The last crossing of the reference level away from the state.
    crossed: Option<i64>,
    /// The last time that the level of the state's own end, 10 or 90 %, was left, and whether the
    /// other end has still to be reached after an edge.
    left: Option<i64>,
    open: bool,
    transitions: Vec<f64>,
    /// Counts and sums of the samples in each state.
    seen: [(u64, f64); 2],
}

impl Crossing {
    pub(super) fn new(levels: Levels) -> Crossing {
        let amplitude = levels.amplitude();
        // A reference near one of the levels leaves less room.
        let room =
            |level: f64| (HYSTERESIS * amplitude).min((levels.reference - level).abs() / 2.0);
        Crossing {
            levels,
            low_enough: levels.reference - room(levels.low),
            high_enough: levels.reference + room(levels.high),
            tenth: levels.low + 0.1 * amplitude,
            nine_tenths: levels.low + 0.9 * amplitude,
            state: None,
            last: None,
            crossed: None,
            left: None,
            open: false,
            transitions: Vec::new(),
            seen: [(0, 0.0); 2],
        }
    }

    /// The state of samples that all lie from `low` to `high`, where it is one state.
    pub(super) fn state_of(&self, low: f64, high: f64) -> Option<bool> {
        if high < self.levels.reference {
            Some(false)
        } else if low >= self.levels.reference {
            Some(true)
        } else {
            None
        }
    }

    #[inline]
    pub(super) fn sample(&mut self, sample: Sample, track: &mut Track) {
        let volts = sample.volts;
        let high = volts >= self.levels.reference;
        match (self.state, self.last) {
            (Some(state), Some(last)) => {
                if high != state && (last.volts >= self.levels.reference) == state {
                    self.crossed = Some(meet(last, sample, self.levels.reference));
                }
                self.follow_transition(last, sample, state);
                let there = if state {
                    volts <= self.low_enough
                } else {
                    volts >= self.high_enough
                };
                if there && high != state {
                    track.set(self.crossed.unwrap_or(sample.time), high);
                    self.state = Some(high);
                    self.open = self.left.is_some();
                    self.crossed = None;
                    self.follow_transition(last, sample, high);
                }
            }
            _ => {
                self.state = Some(high);
                track.set(sample.time, high);
            }
        }
        if let Some((count, sum)) = self.seen.get_mut(usize::from(high)) {
            *count += 1;
            *sum += volts;
        }
        self.last = Some(sample);
    }

    /// Times the way from one end of a transition to the other.
    fn follow_transition(&mut self, last: Sample, sample: Sample, state: bool) {
        let own_end = if state { self.nine_tenths } else { self.tenth };
        let beyond = |volts: f64, level: f64| if state { volts < level } else { volts > level };
        if self.open {
            // After the edge `state` is the new one, and its own end is where the way leads.
            if !beyond(sample.volts, own_end) {
                let end = meet(last, sample, own_end);
                if let Some(left) = self.left.filter(|_| self.transitions.len() < MOST_KEPT) {
                    self.transitions.push((end - left) as f64);
                }
                self.open = false;
                self.left = None;
            }
            return;
        }
        if beyond(sample.volts, own_end) && !beyond(last.volts, own_end) {
            self.left = Some(meet(last, sample, own_end));
        }
    }

    /// The levels, with the median transition duration.
    pub(super) fn state_levels(&self, tick: TickLength) -> StateLevels {
        let transition = median(&mut self.transitions.clone());
        StateLevels {
            low: self.levels.low,
            high: self.levels.high,
            reference: self.levels.reference,
            transition_s: transition.map(|ticks| ticks * tick.seconds(1)),
        }
    }

    /// A warning where the levels didn't hold.
    pub(super) fn warning(&self) -> Option<Warning> {
        let amplitude = self.levels.amplitude();
        let [low, high] = self.seen.map(|(count, sum)| sum / count as f64);
        // Without samples of a state its mean is no number, and no drift either.
        let drifted = |mean: f64, level: f64| (mean - level).abs() > DRIFT * amplitude;
        (amplitude > 0.0 && (drifted(low, self.levels.low) || drifted(high, self.levels.high))).then(
            || {
                Warning::new(
                    format!(
                        "the levels did not hold: {:.4} and {:.4} at first, {low:.4} and {high:.4} on average",
                        self.levels.low, self.levels.high
                    ),
                    "check the wiring, or give the threshold in volts",
                )
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Level;
    use crate::track::Limits;

    /// Noise of standard deviation 1, good enough for a test: the sum of twelve even numbers.
    fn noise(seed: &mut u64) -> f64 {
        (0..12)
            .map(|_| {
                *seed = seed
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                (*seed >> 11) as f64 / (1u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    }

    #[test]
    fn noise_a_sine_and_flicker_have_no_two_states() {
        let mut seed = 1;
        let normal: Vec<f64> = (0..20_000).map(|_| noise(&mut seed)).collect();
        assert_eq!(Levels::find(&normal), None);
        let sine: Vec<f64> = (0..20_000).map(|i| (f64::from(i) * 0.0131).sin()).collect();
        assert_eq!(Levels::find(&sine), None);
        let flicker: Vec<f64> = (0..20_000)
            .map(|_| if noise(&mut seed) > 1.0 { 0.02 } else { 0.0 })
            .collect();
        assert_eq!(Levels::find(&flicker), None);
        assert_eq!(Levels::find(&[1.5; 100]), None);
        assert_eq!(Levels::find(&[]), None);
    }

    #[test]
    fn the_levels_of_a_noisy_wire_are_found_in_spite_of_overshoot_and_outliers() {
        let mut seed = 7;
        let volts: Vec<f64> = (0..20_000)
            .map(|i| {
                let level = if i % 1000 > 900 { 3.3 } else { 0.1 };
                let overshoot = if i % 1000 == 901 { 0.8 } else { 0.0 };
                let outlier = if i == 777 { 40.0 } else { 0.0 };
                level + overshoot + outlier + 0.05 * noise(&mut seed)
            })
            .collect();
        let levels = Levels::find(&volts).unwrap();
        // The mode of a histogram of normal noise is within about a standard deviation of it.
        assert!((levels.low - 0.1).abs() < 0.05, "{levels:?}");
        assert!((levels.high - 3.3).abs() < 0.05, "{levels:?}");
        assert_eq!(coupling(&volts), Some(Coupling::Dc));
    }

    #[test]
    fn instants_are_interpolated_at_the_reference_level_and_noise_makes_no_edges() {
        // Ramps of 8 samples from 0 to 4 V and back; the 50 % level is met between samples.
        let mut crossing = Crossing::new(Levels {
            low: 0.0,
            high: 4.0,
            reference: 2.0,
        });
        let limits = Limits {
            bridge: 0,
            min_pulse: 0,
        };
        let mut track = Track::new(limits, Some(Level::Low));
        let shape = [
            0.0, 0.0, 0.25, 0.75, 1.25, 1.75, 2.25, 1.9, 2.1, 2.75, 3.25, 3.75, 4.0, 4.0, 2.2,
            1.95, 2.05, 1.0, 0.0, 0.0,
        ];
        for (i, volts) in shape.into_iter().enumerate() {
            let sample = Sample {
                time: 1000 * i as i64,
                volts,
            };
            crossing.sample(sample, &mut track);
        }
        assert_eq!(track.edges, 2);
        let pulse = track.finish(19_000).unwrap().shaper.pulses.first().unwrap();
        // Rising: the last crossing before 60 % is from 1.9 V at 7 to 2.1 V at 8. Falling: the one
        // from 2.05 V at 16 to 1.0 V at 17.
        assert_eq!((pulse.start, pulse.end), (7_500, 16_048));
        // 10 % (0.4 V) is passed at 2.3, 90 % (3.6 V) at 10.7; back at 13.222 and 17.6.
        let levels = crossing.state_levels(TickLength::new(1, 1000));
        assert!((levels.transition_s.unwrap() - 8.4).abs() < 0.001);
    }
}
