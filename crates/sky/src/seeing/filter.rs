//! Image motion as a few first-order processes, for a simulation that is exact in time.
//!
//! A sum of independent Ornstein-Uhlenbeck processes with variances `v` and correlation times `t`
//! has the one-sided spectrum `sum of 4 v t / (1 + (2 pi f t)^2)`. The times are a ladder from the
//! aperture's knee to the outer scale, at most a factor of four apart; the variances are the
//! non-negative least-squares fit of the relative spectrum from `f0/20` to `fc/4`, with the total
//! variance held. The fit is within 8 % of the spectrum up to `fc/4` (tested for apertures from
//! 30 to 300 mm and outer scales from 10 to 1000 m), the variance of means over 20 ms to 20 s within
//! 4 %; above the knee the ladder falls as `f^(-2)`,
//! not `f^(-11/3)`: that is motion within milliseconds.
//!
//! The value after any time and the mean over it are drawn together from their exact joint normal
//! distribution given the value before, so that no time step enters. For one process and
//! `u = dt/t`, `a = exp(-u)`:
//!
//! - value: mean `a x`, variance `v (1 - a^2)`;
//! - mean over the interval: mean `x (1 - a)/u`, variance `v (2 u - 3 + 4 a - a^2)/u^2`;
//! - covariance of both: `v (1 - a)^2/u`.

use serde::Serialize;
use stats::random::Random;

use super::ImageMotion;

/// Greatest ratio of neighboring times.
const LADDER_RATIO: f64 = 4.0;
/// Slowest corner for an infinite outer scale, as a time: longer than any night's exposure.
const SLOWEST_S: f64 = 36_000.0;
/// Longest ladder; the setup's ranges need half of it.
const MOST_SPANS: f64 = 32.0;
/// Frequencies at which the spectrum is fitted, evenly spaced in the logarithm.
const GRID: usize = 96;
/// Weight of the total variance in the fit, in grid points.
const TOTAL_WEIGHT: f64 = 900.0;
/// Rounds of the coordinate descent; the ladder is short and the fit has settled to 1e-6 by then.
const ROUNDS: usize = 4_000;
/// A process is white for means when the shortest interval is this many of its times.
const WHITE_RATIO: f64 = 20.0;

/// One first-order process of the ladder.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Rung {
    /// Its variance in arcsec^2.
    pub variance: f64,
    /// Its correlation time (to 1/e) in s.
    pub time_s: f64,
}

/// The ladder of processes that stands for an [`ImageMotion`].
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SeeingFilter {
    /// Followed in time.
    rungs: Vec<Rung>,
    /// Too fast for the intervals in question: independent from mean to mean.
    white: Vec<Rung>,
}

/// What one interval does to the processes of a [`SeeingFilter`]; made once for each length.
#[derive(Clone, PartialEq, Debug)]
pub struct Stride {
    steps: Vec<Step>,
    white_sd: f64,
}

#[derive(Clone, Copy, PartialEq, Debug)]
struct Step {
    /// Share of the value that is left.
    keep: f64,
    /// Share of the value that enters the mean.
    mean_share: f64,
    /// Standard deviation of the mean's new part.
    mean_sd: f64,
    /// The value's new part that goes with the mean's.
    along: f64,
    /// The value's new part on its own.
    across: f64,
    /// The value's new part when the mean is not asked for.
    value_sd: f64,
}

/// The state of the processes at one instant, one axis.
#[derive(Clone, PartialEq, Debug)]
pub struct SeeingState {
    values: Vec<f64>,
}

impl SeeingFilter {
    /// Fits the ladder to a motion; a motion whose numbers are not finite gives no process at all,
    /// and so no motion. The ladder serves values and means at any interval.
    pub fn new(motion: &ImageMotion) -> SeeingFilter {
        SeeingFilter {
            rungs: fit(motion),
            white: Vec::new(),
        }
    }

    /// Fits the ladder for means over intervals of at least `shortest_s`. Processes with times
    /// under a twentieth of it are drawn as one independent number for each mean: their variance
    /// is exact, and only the covariance of neighboring means, at most 1/40 of theirs, is left
    /// out. They are not part of [`SeeingState::value`].
    pub fn for_means(motion: &ImageMotion, shortest_s: f64) -> SeeingFilter {
        let (white, rungs) = fit(motion)
            .into_iter()
            .partition(|rung| rung.time_s * WHITE_RATIO < shortest_s);
        SeeingFilter { rungs, white }
    }

    /// All processes, the slowest first.
    pub fn rungs(&self) -> impl Iterator<Item = &Rung> {
        self.rungs.iter().chain(&self.white)
    }

    /// Variance of the position at an instant in arcsec^2.
    pub fn variance(&self) -> f64 {
        self.rungs().map(|rung| rung.variance).sum()
    }

    /// One-sided power spectral density in arcsec^2/Hz at a frequency in Hz.
    pub fn psd(&self, frequency_hz: f64) -> f64 {
        self.rungs().map(|rung| rung.psd(frequency_hz)).sum()
    }

    /// Variance in arcsec^2 of the mean position over an interval in s.
    pub fn variance_of_mean(&self, interval_s: f64) -> f64 {
        self.rungs()
            .map(|rung| rung.variance_of_mean(interval_s))
            .sum()
    }

    /// Prepares an interval of `interval_s`; a negative one counts as 0.
    pub fn stride(&self, interval_s: f64) -> Stride {
        let interval_s = interval_s.max(0.0);
        let white: f64 = self
            .white
            .iter()
            .map(|rung| rung.variance_of_mean(interval_s))
            .sum();
        Stride {
            steps: self
                .rungs
                .iter()
                .map(|rung| rung.step(interval_s))
                .collect(),
            white_sd: white.sqrt(),
        }
    }

    /// A state drawn from the stationary distribution: one normal number for each process that is
    /// followed in time.
    pub fn start(&self, random: &mut Random) -> SeeingState {
        SeeingState {
            values: self
                .rungs
                .iter()
                .map(|rung| rung.variance.sqrt() * random.normal())
                .collect(),
        }
    }
}

impl SeeingState {
    /// Position at this instant in arcsec, without what [`SeeingFilter::for_means`] made white.
    pub fn value(&self) -> f64 {
        self.values.iter().sum()
    }

    /// Goes on by an interval and returns the mean position over it, in arcsec. Draws two normal
    /// numbers for each process, and one more when some are white. The stride must come from the
    /// filter that made this state.
    pub fn advance(&mut self, stride: &Stride, random: &mut Random) -> f64 {
        let mut mean = 0.0;
        for (value, step) in self.values.iter_mut().zip(&stride.steps) {
            let shared = random.normal();
            mean += step.mean_share * *value + step.mean_sd * shared;
            *value = step.keep * *value + step.along * shared + step.across * random.normal();
        }
        if stride.white_sd > 0.0 {
            mean += stride.white_sd * random.normal();
        }
        mean
    }

    /// Goes on by an interval of which no mean is wanted. Draws one normal number for each
    /// process.
    pub fn skip(&mut self, stride: &Stride, random: &mut Random) {
        for (value, step) in self.values.iter_mut().zip(&stride.steps) {
            *value = step.keep * *value + step.value_sd * random.normal();
        }
    }
}

impl Rung {
    fn psd(&self, frequency_hz: f64) -> f64 {
        let turn = std::f64::consts::TAU * frequency_hz * self.time_s;
        4.0 * self.variance * self.time_s / (1.0 + turn * turn)
    }

    /// `2 v (u - 1 + a) / u^2`.
    fn variance_of_mean(&self, interval_s: f64) -> f64 {
        let u = interval_s / self.time_s;
        if u < 1e-4 {
            // The next term of the series is u^2/12.
            return self.variance * (1.0 - u / 3.0);
        }
        2.0 * self.variance * (u + libm::expm1(-u)) / (u * u)
    }

    fn step(&self, interval_s: f64) -> Step {
        let u = interval_s / self.time_s;
        let keep = libm::exp(-u);
        let lost = -libm::expm1(-u);
        let mean_share = if u > 0.0 { lost / u } else { 1.0 };
        let mean_variance = self.variance * mean_innovation(u);
        let value_variance = self.variance * lost * (1.0 + keep);
        let covariance = self.variance * lost * mean_share;
        let mean_sd = mean_variance.sqrt();
        let along = if mean_sd > 0.0 {
            covariance / mean_sd
        } else {
            0.0
        };
        Step {
            keep,
            mean_share,
            mean_sd,
            along,
            // Rounding may leave a hair below 0.
            across: (value_variance - along * along).max(0.0).sqrt(),
            value_sd: value_variance.sqrt(),
        }
    }
}

/// `(2 u - 3 + 4 a - a^2) / u^2` with `a = exp(-u)`; by its series where the terms cancel.
fn mean_innovation(u: f64) -> f64 {
    if u < 0.05 {
        // Coefficients of u^n: (4 - 2^n) (-1)^n / n!, shifted by two. The first one left out is
        // below 2e-9 of the sum here.
        u * (2.0 / 3.0 + u * (-0.5 + u * (7.0 / 30.0 + u * (-1.0 / 12.0 + u * 31.0 / 1_260.0))))
    } else {
        let a = libm::exp(-u);
        (2.0 * u - 3.0 + 4.0 * a - a * a) / (u * u)
    }
}

/// Times of the ladder, and the variances that fit.
fn fit(motion: &ImageMotion) -> Vec<Rung> {
    let high = motion.knee_hz();
    if !(high > 0.0 && high.is_finite()) {
        return Vec::new();
    }
    let low = motion
        .outer_hz()
        .max(1.0 / (std::f64::consts::TAU * SLOWEST_S))
        .min(high / LADDER_RATIO);
    let spans = (libm::log(high / low) / libm::log(LADDER_RATIO))
        .ceil()
        .clamp(1.0, MOST_SPANS);
    let ratio = libm::pow(high / low, 1.0 / spans);
    let mut rungs: Vec<Rung> = (0..=spans as usize)
        .map(|index| Rung {
            variance: 1.0,
            time_s: 1.0 / (std::f64::consts::TAU * low * libm::pow(ratio, index as f64)),
        })
        .collect();
    let variances = solve(&rungs, motion, low / 20.0, high / 4.0);
    for (rung, variance) in rungs.iter_mut().zip(variances) {
        rung.variance = variance;
    }
    rungs.retain(|rung| rung.variance > 0.0);
    rungs
}

/// Non-negative least squares by coordinate descent on the normal equations: the rows are the
/// relative spectrum at each frequency of a grid, and the relative total variance.
fn solve(rungs: &[Rung], motion: &ImageMotion, low_hz: f64, high_hz: f64) -> Vec<f64> {
    let total = motion.variance();
    let count = rungs.len();
    let mut normal = vec![vec![0.0; count]; count];
    let mut right = vec![0.0; count];
    let mut add = |row: &[f64], weight: f64| {
        for (i, &a) in row.iter().enumerate() {
            right[i] += weight * a;
            for (j, &b) in row.iter().enumerate() {
                normal[i][j] += weight * a * b;
            }
        }
    };
    // In units of the total variance, so that all numbers are near one.
    for index in 0..GRID {
        let share = index as f64 / (GRID - 1) as f64;
        let frequency = low_hz * libm::pow(high_hz / low_hz, share);
        let target = motion.psd(frequency);
        let row: Vec<f64> = rungs
            .iter()
            .map(|rung| total * rung.psd(frequency) / target)
            .collect();
        add(&row, 1.0);
    }
    add(&vec![1.0; count], TOTAL_WEIGHT);
    let mut shares = vec![1.0 / count as f64; count];
    for _ in 0..ROUNDS {
        for i in 0..count {
            let residual: f64 = right[i]
                - normal[i]
                    .iter()
                    .zip(&shares)
                    .map(|(a, share)| a * share)
                    .sum::<f64>();
            shares[i] = (shares[i] + residual / normal[i][i]).max(0.0);
        }
    }
    shares.into_iter().map(|share| share * total).collect()
}

#[cfg(test)]
#[path = "filter_tests.rs"]
mod tests;
