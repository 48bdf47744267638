//! Edges of an AC-coupled wire.
//!
//! A capacitor passes each edge as a jump by the whole amplitude, then the voltage decays to the base
//! line: a pulse is two opposite spikes, the second of which starts from whatever is left of the
//! first. So edges are found as jumps over a short lag, and each is timed where it is half way from
//! the voltage before it to its own peak. What the decay takes off the peak within the rise is the
//! same for both edges, so that their distance, the width, is not biased by it.
//!
//! Measured on synthetic recordings (the test of AC-coupled recordings in `tests/wav.rs`): edges of
//! 100 us, widths of 20 to 500 ms, a first-order high-pass at 5, 10 and 20 Hz, 44.1 and 48 kHz, 16
//! bits, noise of 0.3 % of the amplitude: no width is wrong by more than 0.9 us, a twenty-fifth of
//! the sample interval, and most of that is the noise.

use std::collections::VecDeque;

use super::{MOST_KEPT, Sample, median, meet, robust_sd};
use crate::capture::{StateLevels, Warning};
use crate::time::TickLength;
use crate::track::Track;

/// The lag over which a jump is looked for, in seconds: long enough for the rise of an optocoupler
/// or a sound card's filter, short against any pulse (common practice, no source).
const LAG_S: f64 = 0.0005;
const LEAST_LAG: usize = 3;
const MOST_LAG: usize = 1024;
/// A jump is so many standard deviations of the noise at least.
const SEPARATION: f64 = 10.0;
/// A jump counts from this share of the usual one.
const SHARE: f64 = 0.5;

/// Finds the jumps of an AC-coupled wire.
pub(super) struct Jumps {
    lag: usize,
    least: f64,
    base: f64,
    begin: i64,
    /// The last samples, up to twice the lag and one.
    recent: VecDeque<Sample>,
    /// The sign of the jump that was met, and how many samples are still needed to time it.
    met: Option<(f64, usize)>,
    jumps: u64,
    unpaired: u64,
    last_rising: Option<bool>,
    peaks: Vec<f64>,
    troughs: Vec<f64>,
    transitions: Vec<f64>,
}

impl Jumps {
    /// Learns from `volts` how large a jump is. `None` where there are none.
    pub(super) fn find(volts: &[f64], interval_s: f64, begin: i64) -> Option<Jumps> {
        // A cast of a float saturates, also of infinity.
        let lag = ((LAG_S / interval_s).round() as usize).clamp(LEAST_LAG, MOST_LAG);
        let differences = || {
            volts
                .iter()
                .zip(volts.iter().skip(lag))
                .map(|(before, after)| after - before)
        };
        let noise = robust_sd(differences(), 0.0);
        let largest = differences().fold(0.0, |most: f64, d| most.max(d.abs()));
        // The usual jump: the median of the largest difference in each stretch that stands out.
        let mut heights = Vec::new();
        let mut height = 0.0f64;
        for difference in differences().chain([0.0]) {
            if difference.abs() > SHARE * largest {
                height = height.max(difference.abs());
            } else if height > 0.0 {
                heights.push(std::mem::take(&mut height));
            }
        }
        let usual = median(&mut heights)?;
        if !(usual > SEPARATION * noise && usual > 0.0) {
            return None;
        }
        Some(Jumps {
            lag,
            least: SHARE * usual,
            base: median(&mut volts.to_vec())?,
            begin,
            recent: VecDeque::with_capacity(2 * lag + 2),
            met: None,
            jumps: 0,
            unpaired: 0,
            last_rising: None,
            peaks: Vec::new(),
            troughs: Vec::new(),
            transitions: Vec::new(),
        })
    }

    /// Whether samples that all lie from `low` to `high` hold no jump.
    pub(super) fn is_quiet(&self, low: f64, high: f64) -> bool {
        high - low < self.least
    }

    #[inline]
    pub(super) fn sample(&mut self, sample: Sample, track: &mut Track) {
        if self.recent.len() > 2 * self.lag {
            self.recent.pop_front();
        }
        self.recent.push_back(sample);
        match &mut self.met {
            Some((sign, 1)) => {
                let sign = *sign;
                self.met = None;
                self.time_jump(sign, track);
            }
            Some((_, needed)) => *needed -= 1,
            None => {
                let before = self.recent.len().checked_sub(1 + self.lag);
                if let Some(before) = before.and_then(|before| self.recent.get(before)) {
                    let jump = sample.volts - before.volts;
                    if jump.abs() > self.least {
                        self.met = Some((jump.signum(), self.lag));
                    }
                }
            }
        }
    }

    /// The capture ends; a jump that was met is timed with what there is.
    pub(super) fn finish(&mut self, track: &mut Track) {
        if let Some((sign, needed)) = self.met.take() {
            // The place of the jump counts from the end of what would have come.
            for _ in 0..needed {
                if let Some(last) = self.recent.back().copied() {
                    if self.recent.len() > 2 * self.lag {
                        self.recent.pop_front();
                    }
                    self.recent.push_back(last);
                }
            }
            self.time_jump(sign, track);
        }
    }

    /// Times the jump in the middle of the recent samples.
    fn time_jump(&mut self, sign: f64, track: &mut Track) {
        let recent = self.recent.make_contiguous();
        // The jump was met `lag` samples ago, against the sample `lag` before that.
        let Some(stretch) = recent
            .len()
            .checked_sub(2 * self.lag + 1)
            .and_then(|from| recent.get(from..))
        else {
            return;
        };
        let Some(first) = stretch.first() else {
            return;
        };
        let later = stretch.get(self.lag..).unwrap_or(&[]);
        let peak = later.iter().fold(f64::NEG_INFINITY, |most, sample| {
            most.max(sign * sample.volts)
        });
        let from = sign * first.volts;
        let level = |share: f64| from + share * (peak - from);
        let crossing = |share: f64| {
            let level = level(share);
            stretch
                .windows(2)
                .find(|pair| sign * pair[0].volts < level && sign * pair[1].volts >= level)
                .map(|pair| meet(pair[0], pair[1], sign * level))
        };
        let Some(instant) = crossing(0.5) else {
            return;
        };
        let rising = sign > 0.0;
        self.jumps += 1;
        if self.last_rising == Some(rising) {
            self.unpaired += 1;
        }
        self.last_rising = Some(rising);
        let kept = if rising {
            &mut self.peaks
        } else {
            &mut self.troughs
        };
        if kept.len() < MOST_KEPT {
            kept.push(sign * peak);
        }
        if let (Some(start), Some(end)) = (crossing(0.1), crossing(0.9))
            && self.transitions.len() < MOST_KEPT
        {
            self.transitions.push((end - start) as f64);
        }
        if track.level().is_none() {
            track.set(self.begin, !rising);
        }
        track.set(instant.max(track.since()), rising);
    }

    /// The peaks and the base line, with the median duration of the jumps.
    pub(super) fn state_levels(&self, tick: TickLength) -> StateLevels {
        StateLevels {
            low: median(&mut self.troughs.clone()).unwrap_or(self.base),
            high: median(&mut self.peaks.clone()).unwrap_or(self.base),
            reference: self.base,
            transition_s: median(&mut self.transitions.clone())
                .map(|ticks| ticks * tick.seconds(1)),
        }
    }

    /// A warning where spikes lack their opposite.
    pub(super) fn warning(&self) -> Option<Warning> {
        (self.unpaired > 0).then(|| {
            Warning::new(
                format!(
                    "{} of {} spikes follow one of the same sign, so an edge between them was missed",
                    self.unpaired, self.jumps
                ),
                "raise the recording level, or record through a DC-coupled input",
            )
        })
    }
}
