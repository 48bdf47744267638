//! The predictor's filter: its covariance, and so its gains, follow from the model alone and are
//! computed once for all trials.

use crate::error::{ServoError, above_zero};
use crate::law::Predictor;
use std::f64::consts::TAU;

/// The gains settle long before: the longest that is followed, in frames.
const MOST_FRAMES: usize = 10_000;
/// Change of the gains from frame to frame below which they count as settled.
const SETTLED: f64 = 1e-12;

/// Gains of the Kalman filter frame by frame, until they settle.
#[derive(Debug, Clone, PartialEq)]
pub struct Gains {
    size: usize,
    cadence_s: f64,
    /// Cosine and sine of each harmonic's turn per frame.
    turns: Vec<(f64, f64)>,
    /// `size` numbers a frame; the last frame's go on for ever.
    gains: Vec<f64>,
}

impl Gains {
    /// Runs the covariance recursion from the prior until it settles.
    ///
    /// # Errors
    /// [`ServoError::BadValue`] for a cadence that is not above 0 or numbers without finite gains.
    pub fn new(predictor: &Predictor, cadence_s: f64) -> Result<Self, ServoError> {
        above_zero("cadence in s", cadence_s, "a time above 0 is expected")?;
        let harmonics = predictor.harmonics as usize;
        let size = 2 + 2 * harmonics;
        let turns: Vec<(f64, f64)> = (1..=harmonics)
            .map(|j| {
                let turn = TAU * j as f64 * cadence_s / predictor.period_s;
                (libm::cos(turn), libm::sin(turn))
            })
            .collect();
        let mut filter = Self {
            size,
            cadence_s,
            turns,
            gains: Vec::new(),
        };
        let noise = predictor.measurement_noise_arcsec * predictor.measurement_noise_arcsec;
        let square = |x: f64| x * x;
        let prior = |i: usize| match i {
            // A loop starts with the star near its place: within a few times what a frame shows.
            0 => 9.0 * noise + square(predictor.position_walk) * cadence_s,
            1 => square(predictor.rate_prior),
            _ => square(predictor.harmonic_prior),
        };
        let walk = |i: usize| {
            cadence_s
                * match i {
                    0 => square(predictor.position_walk),
                    1 => square(predictor.rate_walk),
                    _ => square(predictor.harmonic_walk),
                }
        };
        let mut p = vec![0.0; size * size];
        for i in 0..size {
            p[i * size + i] = prior(i);
        }
        let mut last = vec![f64::INFINITY; size];
        for _ in 0..MOST_FRAMES {
            // P H' and H P H'.
            let ph: Vec<f64> = (0..size)
                .map(|i| measured(&p[i * size..(i + 1) * size]))
                .collect();
            let innovation = measured(&ph) + noise;
            let gain: Vec<f64> = ph.iter().map(|x| x / innovation).collect();
            if gain.iter().any(|g| !g.is_finite()) {
                return Err(ServoError::BadValue {
                    name: "predictor: gain of the filter",
                    found: f64::NAN,
                    expected: "priors, walks and noise of the same order as the errors are expected",
                });
            }
            for i in 0..size {
                for j in 0..size {
                    p[i * size + j] -= gain[i] * ph[j];
                }
            }
            let settled = gain
                .iter()
                .zip(&last)
                .all(|(g, l)| (g - l).abs() <= SETTLED);
            filter.gains.extend_from_slice(&gain);
            last = gain;
            if settled {
                break;
            }
            // F P F' + Q: the rows, then the columns, through the transition.
            let mut column = vec![0.0; size];
            for i in 0..size {
                filter.predict(&mut p[i * size..(i + 1) * size], 0.0);
            }
            for j in 0..size {
                for i in 0..size {
                    column[i] = p[i * size + j];
                }
                filter.predict(&mut column, 0.0);
                for i in 0..size {
                    p[i * size + j] = column[i];
                }
            }
            for i in 0..size {
                p[i * size + i] += walk(i);
                for j in 0..i {
                    let both = 0.5 * (p[i * size + j] + p[j * size + i]);
                    p[i * size + j] = both;
                    p[j * size + i] = both;
                }
            }
        }
        Ok(filter)
    }

    /// How many states there are: 2 + 2 for each harmonic.
    pub fn size(&self) -> usize {
        self.size
    }

    /// The gains of frame `frame` (counted from 0), one for each state.
    pub fn at(&self, frame: usize) -> &[f64] {
        let frames = self.gains.len() / self.size;
        let from = frame.min(frames - 1) * self.size;
        &self.gains[from..from + self.size]
    }

    /// How many frames pass until the gains settle.
    pub fn frames(&self) -> usize {
        self.gains.len() / self.size
    }

    /// Takes a measured error into the estimate; returns the estimated error in arcsec.
    pub(crate) fn update(&self, frame: usize, estimate: &mut [f64], m: f64) -> f64 {
        let innovation = m - measured(estimate);
        for (x, k) in estimate.iter_mut().zip(self.at(frame)) {
            *x += k * innovation;
        }
        measured(estimate)
    }

    /// What drift and worm will add to the error until the next frame, in arcsec.
    pub(crate) fn foreseen(&self, estimate: &[f64]) -> f64 {
        let mut sum = self.cadence_s * estimate[1];
        for (pair, (c, s)) in estimate[2..].chunks_exact(2).zip(&self.turns) {
            sum += pair[0] * (c - 1.0) + pair[1] * s;
        }
        sum
    }

    /// Takes the estimate to the next frame, after a correction of `sent` arcsec.
    pub(crate) fn predict(&self, estimate: &mut [f64], sent: f64) {
        estimate[0] += self.cadence_s * estimate[1] - sent;
        for (pair, (c, s)) in estimate[2..].chunks_exact_mut(2).zip(&self.turns) {
            (pair[0], pair[1]) = (pair[0] * c + pair[1] * s, pair[1] * c - pair[0] * s);
        }
    }
}

/// The measured component: position plus the first of each harmonic pair.
fn measured(state: &[f64]) -> f64 {
    state[0] + state[2..].iter().step_by(2).sum::<f64>()
}
