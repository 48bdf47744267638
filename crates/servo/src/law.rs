//! The control laws: from the measured error of a frame to the correction that is asked for.
//!
//! `m` is the measured error and `u` the wanted correction, both in arcsec, `k` counts frames, `T`
//! is the cadence, `z` the shift by one frame. A correction of `u` lowers the error by `u`.

use crate::error::{ServoError, above_zero, at_least};
use crate::kalman::Gains;
use std::sync::Arc;

/// A control law with its numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Law {
    /// `u[k] = gain m[k]`; transfer function `C(z) = gain`.
    Proportional {
        /// Share of the measured error that is corrected.
        gain: f64,
    },
    /// Proportional to an error that remembers: `f[k] = (1 - memory) m[k] + memory f[k-1]`,
    /// `u[k] = gain f[k]`; transfer function `C(z) = gain (1 - memory) / (1 - memory z^-1)`.
    Memory {
        /// Share of the remembered error that is corrected.
        gain: f64,
        /// Weight of the past, from 0 (the proportional law) to below 1.
        memory: f64,
    },
    /// Proportional-integral: `s[k] = s[k-1] + m[k]`, `u[k] = gain m[k] + integral_gain s[k]`;
    /// transfer function `C(z) = gain + integral_gain / (1 - z^-1)`. A frame whose correction is
    /// clipped is left out of the sum.
    Integral {
        /// Share of the measured error that is corrected.
        gain: f64,
        /// Share of the summed error that is corrected.
        integral_gain: f64,
    },
    /// Corrects the estimated error and what drift and worm will add until the next frame; see
    /// [`Predictor`].
    Predictor(Predictor),
}

/// A Kalman filter on position, drift and the harmonics of a worm of known period.
///
/// State: position `p`, drift `v`, and for each harmonic `j` a pair `(a_j, b_j)`. The error of
/// frame `k` is `e = p + sum a_j`, measured with white noise. From frame to frame
/// `p <- p + T v - u`, `v <- v`, `a_j <- a_j cos(j w T) + b_j sin(j w T)`,
/// `b_j <- b_j cos(j w T) - a_j sin(j w T)` with `w = 2 pi / period`, each with white process
/// noise. The law is `u = gain e_hat + T v_hat + sum (a_j' - a_j)`, where the prime is one frame
/// later and the hats stand for estimates after the measurement. Source: Kalman 1960; for the
/// harmonic states Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter,
/// section 2.3.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predictor {
    /// Share of the estimated error that is corrected; 1 is what the filter's theory asks for.
    pub gain: f64,
    /// Time of one turn of the worm in s.
    pub period_s: f64,
    /// How many harmonics are learned.
    pub harmonics: u32,
    /// Standard deviation of a frame's measured error in arcsec.
    pub measurement_noise_arcsec: f64,
    /// Random walk of the position in arcsec per square root of a second.
    pub position_walk: f64,
    /// Random walk of the drift in arcsec/s per square root of a second.
    pub rate_walk: f64,
    /// Random walk of each harmonic state in arcsec per square root of a second.
    pub harmonic_walk: f64,
    /// Standard deviation of the unknown drift at the start in arcsec/s.
    pub rate_prior: f64,
    /// Standard deviation of each unknown harmonic state at the start in arcsec.
    pub harmonic_prior: f64,
}

impl Law {
    /// The proportional gain, or the predictor's.
    pub fn gain(&self) -> f64 {
        match self {
            Law::Proportional { gain }
            | Law::Memory { gain, .. }
            | Law::Integral { gain, .. }
            | Law::Predictor(Predictor { gain, .. }) => *gain,
        }
    }

    /// The same law with another proportional gain.
    pub fn with_gain(&self, new: f64) -> Law {
        let mut law = *self;
        match &mut law {
            Law::Proportional { gain }
            | Law::Memory { gain, .. }
            | Law::Integral { gain, .. }
            | Law::Predictor(Predictor { gain, .. }) => *gain = new,
        }
        law
    }

    /// `proportional`, `memory`, `integral` or `predictor`.
    pub fn name(&self) -> &'static str {
        match self {
            Law::Proportional { .. } => "proportional",
            Law::Memory { .. } => "memory",
            Law::Integral { .. } => "integral",
            Law::Predictor(_) => "predictor",
        }
    }

    pub(crate) fn check(&self) -> Result<(), ServoError> {
        let number = "a number of at least 0 is expected";
        at_least("gain", self.gain(), 0.0, number)?;
        match self {
            Law::Proportional { .. } => Ok(()),
            Law::Memory { memory, .. } => {
                at_least("memory", *memory, 0.0, number)?;
                above_zero("1 - memory", 1.0 - memory, "a memory below 1 is expected")
            }
            Law::Integral { integral_gain, .. } => {
                at_least("integral gain", *integral_gain, 0.0, number)
            }
            Law::Predictor(p) => {
                above_zero(
                    "predictor: period in s",
                    p.period_s,
                    "a time above 0 is expected",
                )?;
                at_least(
                    "predictor: 16 - harmonics",
                    16.0 - f64::from(p.harmonics),
                    0.0,
                    "at most 16 harmonics are expected",
                )?;
                above_zero(
                    "predictor: measurement noise in arcsec",
                    p.measurement_noise_arcsec,
                    "a noise above 0 is expected",
                )?;
                for (name, value) in [
                    ("predictor: position walk", p.position_walk),
                    ("predictor: rate walk", p.rate_walk),
                    ("predictor: harmonic walk", p.harmonic_walk),
                    ("predictor: rate prior", p.rate_prior),
                    ("predictor: harmonic prior", p.harmonic_prior),
                ] {
                    at_least(name, value, 0.0, number)?;
                }
                Ok(())
            }
        }
    }
}

/// A law ready to run: the predictor's gains are computed once, for they don't depend on data.
#[derive(Debug, Clone)]
pub struct PreparedLaw {
    law: Law,
    gains: Option<Arc<Gains>>,
}

impl PreparedLaw {
    /// For frames every `cadence_s` seconds.
    ///
    /// # Errors
    /// [`ServoError::BadValue`] for a negative gain, a memory of 1 or more, or a predictor without
    /// measurement noise.
    pub fn new(law: Law, cadence_s: f64) -> Result<Self, ServoError> {
        law.check()?;
        let gains = match law {
            Law::Predictor(p) => Some(Arc::new(Gains::new(&p, cadence_s)?)),
            _ => None,
        };
        Ok(Self { law, gains })
    }

    /// The law's numbers.
    pub fn law(&self) -> &Law {
        &self.law
    }

    /// The same law with another gain, sharing what is already computed.
    pub fn with_gain(&self, gain: f64) -> Self {
        Self {
            law: self.law.with_gain(gain),
            gains: self.gains.clone(),
        }
    }

    /// The filter's gains, for a predictor.
    pub fn gains(&self) -> Option<&Gains> {
        self.gains.as_deref()
    }

    /// The state at the start of a trial.
    pub fn start(&self) -> LawState {
        LawState {
            memory: 0.0,
            last: 0.0,
            frame: 0,
            estimate: vec![0.0; self.gains.as_ref().map_or(0, |g| g.size())],
        }
    }
}

/// What a law remembers.
#[derive(Debug, Clone, PartialEq)]
pub struct LawState {
    memory: f64,
    last: f64,
    frame: usize,
    estimate: Vec<f64>,
}

impl LawState {
    /// The wanted correction in arcsec after a frame that measured `m` arcsec. An error (for the
    /// laws with a memory or a filter: the remembered or estimated error) below `dead_band` asks
    /// for nothing; the predictor still sends what it foresees.
    pub fn respond(&mut self, law: &PreparedLaw, m: f64, dead_band: f64) -> f64 {
        let outside = |e: f64| if e.abs() < dead_band { 0.0 } else { e };
        match &law.law {
            Law::Proportional { gain } => gain * outside(m),
            Law::Memory { gain, memory } => {
                self.memory = (1.0 - memory) * m + memory * self.memory;
                gain * outside(self.memory)
            }
            Law::Integral {
                gain,
                integral_gain,
            } => {
                self.last = outside(m);
                self.memory += self.last;
                gain * self.last + integral_gain * self.memory
            }
            Law::Predictor(predictor) => match &law.gains {
                None => 0.0,
                Some(gains) => {
                    let error = gains.update(self.frame, &mut self.estimate, m);
                    predictor.gain * outside(error) + gains.foreseen(&self.estimate)
                }
            },
        }
    }

    /// Tells the law what was sent, in arcsec, after the limits and the shortest width; `clipped`
    /// if the longest width cut it.
    pub fn sent(&mut self, law: &PreparedLaw, correction: f64, clipped: bool) {
        if let Some(gains) = &law.gains {
            gains.predict(&mut self.estimate, correction);
            self.frame += 1;
        } else if clipped {
            self.memory -= match law.law {
                Law::Integral { .. } => self.last,
                _ => 0.0,
            };
        }
    }
}
