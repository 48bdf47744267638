//! What moves the star: drift, periodic error, slow gear noise, gusts and, in the guide camera
//! alone, seeing and centroid noise. Values hold at any instant and means over any interval: random
//! processes are advanced by their exact discrete law and not by small steps.
//!
//! The Ornstein-Uhlenbeck process (first-order, exponentially correlated): transition, integral
//! and their joint law after Gillespie 1996, Physical Review E 54:2084-2091. The integral between
//! two known ends is conditioned on both.

use crate::error::{ServoError, above_zero, at_least};
use crate::normal::Normal;
use crate::stream::{Source, stream};
use stats::random::Random;
use std::f64::consts::TAU;

/// An Ornstein-Uhlenbeck process: stationary, Gaussian, with correlation exp(-t/time).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlated {
    /// Standard deviation in arcsec.
    pub sd_arcsec: f64,
    /// Time to a correlation of 1/e in s.
    pub time_s: f64,
}

/// One harmonic of the periodic error: `amplitude * sin(2 pi order t / period + phase)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wave {
    /// Cycles per turn, from 1.
    pub order: u32,
    /// Amplitude on the sky in arcsec.
    pub amplitude_arcsec: f64,
    /// Phase at the start of the turn in radians.
    pub phase_rad: f64,
}

/// Periodic error of a worm.
#[derive(Debug, Clone, PartialEq)]
pub struct Periodic {
    /// Time of one turn in s.
    pub period_s: f64,
    /// The harmonics; none is no periodic error.
    pub waves: Vec<Wave>,
    /// Whether each trial starts anywhere in the turn, else at its start.
    pub random_start: bool,
}

impl Periodic {
    /// No periodic error.
    pub fn none() -> Self {
        Self {
            period_s: 1.0,
            waves: Vec::new(),
            random_start: false,
        }
    }
}

/// Gusts: displacements that arrive as a Poisson process, each normal about 0, and decay
/// exponentially.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gusts {
    /// Arrivals per second.
    pub per_s: f64,
    /// Standard deviation of a displacement in arcsec.
    pub size_arcsec: f64,
    /// Time to 1/e in s.
    pub decay_s: f64,
}

/// All that disturbs one axis, on the sky.
#[derive(Debug, Clone, PartialEq)]
pub struct Disturbances {
    /// Drift in arcsec/s.
    pub drift_arcsec_per_s: f64,
    /// Periodic error.
    pub periodic: Periodic,
    /// Slow gear noise; none if its standard deviation is 0.
    pub gear: Correlated,
    /// Gusts.
    pub gusts: Gusts,
    /// Image motion by the atmosphere in the guide camera: a sum of independent processes.
    pub seeing: Vec<Correlated>,
    /// Noise of a centroid in arcsec (standard deviation, one axis).
    pub centroid_noise_arcsec: f64,
}

impl Disturbances {
    /// A still sky above a perfect mount.
    pub fn none() -> Self {
        Self {
            drift_arcsec_per_s: 0.0,
            periodic: Periodic::none(),
            gear: Correlated {
                sd_arcsec: 0.0,
                time_s: 1.0,
            },
            gusts: Gusts {
                per_s: 0.0,
                size_arcsec: 0.0,
                decay_s: 1.0,
            },
            seeing: Vec::new(),
            centroid_noise_arcsec: 0.0,
        }
    }

    /// # Errors
    /// [`ServoError::BadValue`] for a value that is not finite, a negative size or a time that is
    /// not above 0.
    pub(crate) fn check(&self) -> Result<(), ServoError> {
        let number = "a finite number is expected";
        let size = "a number of at least 0 is expected";
        let time = "a time above 0 is expected";
        at_least(
            "drift in arcsec/s",
            self.drift_arcsec_per_s,
            f64::MIN,
            number,
        )?;
        above_zero("worm period in s", self.periodic.period_s, time)?;
        for wave in &self.periodic.waves {
            at_least(
                "amplitude of a harmonic in arcsec",
                wave.amplitude_arcsec,
                f64::MIN,
                number,
            )?;
            at_least("phase of a harmonic", wave.phase_rad, f64::MIN, number)?;
            at_least(
                "order of a harmonic",
                f64::from(wave.order),
                1.0,
                "1 or more is expected",
            )?;
        }
        for process in self.seeing.iter().chain([&self.gear]) {
            at_least("standard deviation in arcsec", process.sd_arcsec, 0.0, size)?;
            above_zero("correlation time in s", process.time_s, time)?;
        }
        at_least("gusts per s", self.gusts.per_s, 0.0, size)?;
        at_least("gust size in arcsec", self.gusts.size_arcsec, 0.0, size)?;
        above_zero("gust decay in s", self.gusts.decay_s, time)?;
        at_least(
            "centroid noise in arcsec",
            self.centroid_noise_arcsec,
            0.0,
            size,
        )
    }

    /// The longest step in s over which the mount's motion is nearly straight: a sixth of a radian
    /// of the fastest harmonic (a chord then misses 0.1 % of the sinusoid's power), and the gear
    /// noise's correlation time.
    pub fn straight_s(&self) -> f64 {
        let fastest = self
            .periodic
            .waves
            .iter()
            .filter(|w| w.amplitude_arcsec != 0.0)
            .map(|w| f64::from(w.order))
            .fold(0.0, f64::max);
        let wave = self.periodic.period_s / (TAU * 6.0 * fastest.max(1e-9));
        if self.gear.sd_arcsec > 0.0 {
            wave.min(self.gear.time_s)
        } else {
            wave
        }
    }
}

/// `x - 2 tanh(x/2)`, which cancels for small `x`.
fn bridge(x: f64) -> f64 {
    if x < 0.02 {
        x * x * x * (1.0 / 12.0 - x * x / 120.0)
    } else {
        x - 2.0 * libm::tanh(0.5 * x)
    }
}

/// `2x - 3 + 4 exp(-x) - exp(-2x)`, which cancels for small `x`.
fn integral(x: f64) -> f64 {
    if x < 0.02 {
        x * x * x * (2.0 / 3.0 + x * (-0.5 + x * (7.0 / 30.0 - x / 12.0)))
    } else {
        2.0 * x - 3.0 + 4.0 * libm::exp(-x) - libm::exp(-2.0 * x)
    }
}

/// Coefficients of a step of fixed length for the mount's disturbances.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    dt_s: f64,
    with_mean: bool,
    keep: f64,
    spread: f64,
    mean_gain: f64,
    mean_spread: f64,
    /// Part of the gear noise's mean square that a straight line between the ends leaves out:
    /// sd^2 (1 - keep) / 3 in arcsec^2.
    hidden: f64,
    drift: f64,
    /// For each wave: cosine and sine of its turn, and 1 over the turn for the mean.
    turns: Vec<(f64, f64, f64)>,
}

impl Step {
    /// A step of `dt_s` seconds; with `with_mean` its mean can be asked for, which takes one more
    /// random number.
    ///
    /// # Errors
    /// [`ServoError::BadValue`] as [`Disturbances`] demands, or for a `dt_s` that is not above 0.
    pub fn new(what: &Disturbances, dt_s: f64, with_mean: bool) -> Result<Self, ServoError> {
        what.check()?;
        above_zero("step in s", dt_s, "a time above 0 is expected")?;
        let Correlated { sd_arcsec, time_s } = what.gear;
        let x = dt_s / time_s;
        let keep = libm::exp(-x);
        Ok(Self {
            dt_s,
            with_mean,
            keep,
            spread: sd_arcsec * libm::sqrt(-libm::expm1(-2.0 * x)),
            mean_gain: libm::tanh(0.5 * x) / x,
            mean_spread: sd_arcsec * libm::sqrt(2.0 * bridge(x)) / x,
            hidden: sd_arcsec * sd_arcsec * (1.0 - keep) / 3.0,
            drift: what.drift_arcsec_per_s * dt_s,
            turns: what
                .periodic
                .waves
                .iter()
                .map(|w| {
                    let turn = TAU * f64::from(w.order) * dt_s / what.periodic.period_s;
                    (libm::cos(turn), libm::sin(turn), 1.0 / turn)
                })
                .collect(),
        })
    }

    /// Length in s.
    pub fn dt_s(&self) -> f64 {
        self.dt_s
    }

    /// Mean square in arcsec^2 that a straight line between the step's ends leaves out of the
    /// gear noise.
    pub fn hidden_arcsec2(&self) -> f64 {
        self.hidden
    }
}

/// An instant within a step, and the disturbance just before and just after it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knot {
    /// Time since the start of the step in s.
    pub at_s: f64,
    /// Disturbance just before, in arcsec.
    pub before: f64,
    /// Disturbance just after, in arcsec; differs where a gust arrives.
    pub after: f64,
}

/// What one step did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Exact mean over the step in arcsec; for a step without its mean the gear noise's part is
    /// the mean of its ends.
    pub mean: f64,
    /// Disturbance at the start in arcsec.
    pub start: f64,
    /// Disturbance at the end in arcsec.
    pub end: f64,
    /// Whether it went nearly straight between the two; else the knots tell its way.
    pub straight: bool,
}

/// The disturbance of one axis in one trial, at an instant.
#[derive(Debug, Clone)]
pub struct MountMotion {
    /// Drift, periodic error and gear noise now.
    smooth: f64,
    drifted: f64,
    /// Sine and cosine of each wave's phase, times its amplitude.
    waves: Vec<(f64, f64)>,
    gear: f64,
    gear_active: bool,
    gust: f64,
    gusts: Gusts,
    next_gust_s: f64,
    normal: Normal,
    gear_random: Random,
    gust_random: Random,
}

impl MountMotion {
    /// The state at the start of a trial. The gear noise is stationary; the position is counted
    /// from the start, so that the first value is 0.
    pub fn new(what: &Disturbances, seed: u64, trial: u64, axis: u64) -> Self {
        let start = if what.periodic.random_start {
            TAU * stream(seed, trial, axis, Source::WormPhase).uniform()
        } else {
            0.0
        };
        let waves: Vec<(f64, f64)> = what
            .periodic
            .waves
            .iter()
            .map(|w| {
                let phase = w.phase_rad + start * f64::from(w.order);
                (
                    w.amplitude_arcsec * libm::sin(phase),
                    w.amplitude_arcsec * libm::cos(phase),
                )
            })
            .collect();
        let mut gear_random = stream(seed, trial, axis, Source::Gear);
        let mut gust_random = stream(seed, trial, axis, Source::Gusts);
        let normal = Normal::new();
        let gear_active = what.gear.sd_arcsec > 0.0;
        let gear = if gear_active {
            what.gear.sd_arcsec * normal.draw(&mut gear_random)
        } else {
            0.0
        };
        let next_gust_s = if what.gusts.per_s > 0.0 && what.gusts.size_arcsec > 0.0 {
            gust_random.exponential() / what.gusts.per_s
        } else {
            f64::INFINITY
        };
        let at_start = waves.iter().map(|w| w.0).sum::<f64>() + gear;
        Self {
            smooth: 0.0,
            drifted: -at_start,
            waves,
            gear,
            gear_active,
            gust: 0.0,
            gusts: what.gusts,
            next_gust_s,
            normal,
            gear_random,
            gust_random,
        }
    }

    /// The disturbance now, in arcsec.
    pub fn value(&self) -> f64 {
        self.smooth + self.gust
    }

    /// Goes on by one step. While a gust blows, `knots` is filled with the instants between which
    /// the disturbance is nearly straight, from 0 to the step's length; else it is left alone.
    #[inline]
    pub fn advance(&mut self, step: &Step, knots: &mut Vec<Knot>) -> Passage {
        let start = self.smooth;
        let mut mean = self.drifted + 0.5 * step.drift;
        self.drifted += step.drift;
        let mut end = self.drifted;
        for (wave, &(cosine, sine, per_turn)) in self.waves.iter_mut().zip(&step.turns) {
            let (s, c) = *wave;
            *wave = (s * cosine + c * sine, c * cosine - s * sine);
            mean += (c - wave.1) * per_turn;
            end += wave.0;
        }
        if self.gear_active {
            let before = self.gear;
            self.gear = before * step.keep + step.spread * self.normal.draw(&mut self.gear_random);
            let ends = before + self.gear;
            mean += if step.with_mean {
                step.mean_gain * ends + step.mean_spread * self.normal.draw(&mut self.gear_random)
            } else {
                0.5 * ends
            };
            end += self.gear;
        }
        self.smooth = end;
        let straight = self.gust == 0.0 && self.next_gust_s >= step.dt_s;
        if straight {
            self.next_gust_s -= step.dt_s;
            Passage {
                mean,
                start,
                end,
                straight,
            }
        } else {
            let from = start + self.gust;
            let gusts = self.gusty(step, start, end, knots);
            Passage {
                mean: mean + gusts,
                start: from,
                end: end + self.gust,
                straight,
            }
        }
    }

    /// The part of a step with gusts: fills the knots, returns the gusts' mean in arcsec.
    #[cold]
    fn gusty(&mut self, step: &Step, start: f64, end: f64, knots: &mut Vec<Knot>) -> f64 {
        let dt = step.dt_s;
        let slope = (end - start) / dt;
        let decay = self.gusts.decay_s;
        let mut integral = 0.0;
        let mut now = 0.0;
        knots.clear();
        knots.push(Knot {
            at_s: 0.0,
            before: start + self.gust,
            after: start + self.gust,
        });
        while now < dt {
            // A third of the decay time: a chord of the exponential misses 1 % of its square.
            let piece = now + decay / 3.0;
            let arrives = self.next_gust_s <= piece.min(dt);
            let until = if arrives {
                self.next_gust_s
            } else if self.gust == 0.0 {
                dt
            } else {
                piece.min(dt)
            };
            let kept = self.gust * libm::exp((now - until) / decay);
            integral += (self.gust - kept) * decay;
            self.gust = kept;
            // A thousandth of a usual gust no longer matters.
            if self.gust.abs() < 1e-3 * self.gusts.size_arcsec {
                self.gust = 0.0;
            }
            let smooth = start + slope * until;
            let before = smooth + kept;
            if arrives {
                self.gust += self.gusts.size_arcsec * self.normal.draw(&mut self.gust_random);
                self.next_gust_s += self.gust_random.exponential() / self.gusts.per_s;
            }
            knots.push(Knot {
                at_s: until,
                before,
                after: smooth + self.gust,
            });
            now = until;
        }
        self.next_gust_s -= dt;
        integral / dt
    }
}

/// Coefficients of the seeing from frame to frame: mean over the exposure and value at the next
/// frame's start, given the value at this frame's start.
///
/// A process whose time is under a twentieth of the exposure is drawn as part of one independent
/// number for each frame: its variance stays exact, and what is left out, the covariance of
/// neighboring frames, is under 1/40 of it.
#[derive(Debug, Clone, PartialEq)]
pub struct SeeingStep {
    terms: Vec<SeeingTerm>,
    white_sd: f64,
}

/// An exposure this many times longer than a process makes the process white.
const WHITE_RATIO: f64 = 20.0;

#[derive(Debug, Clone, Copy, PartialEq)]
struct SeeingTerm {
    sd: f64,
    mean_gain: f64,
    mean_spread: f64,
    keep: f64,
    shared: f64,
    rest: f64,
}

impl SeeingStep {
    /// For exposures of `exposure_s` every `cadence_s` seconds (not shorter than the exposure).
    ///
    /// # Errors
    /// [`ServoError::BadValue`] for a time that is not above 0 or a bad process.
    pub fn new(
        processes: &[Correlated],
        exposure_s: f64,
        cadence_s: f64,
    ) -> Result<Self, ServoError> {
        above_zero("exposure in s", exposure_s, "a time above 0 is expected")?;
        at_least(
            "cadence in s",
            cadence_s,
            exposure_s,
            "at least the exposure is expected",
        )?;
        let (mut terms, mut white) = (Vec::new(), 0.0);
        for p in processes {
            if p.sd_arcsec == 0.0 {
                continue;
            }
            above_zero(
                "correlation time in s",
                p.time_s,
                "a time above 0 is expected",
            )?;
            at_least(
                "standard deviation in arcsec",
                p.sd_arcsec,
                0.0,
                "at least 0 is expected",
            )?;
            let x = exposure_s / p.time_s;
            let lost = -libm::expm1(-x);
            let variance = p.sd_arcsec * p.sd_arcsec;
            let mean_gain = lost / x;
            let mean_variance = variance * integral(x) / (x * x);
            if x > WHITE_RATIO {
                white += mean_variance + mean_gain * mean_gain * variance;
                continue;
            }
            let gap = libm::exp(-(cadence_s - exposure_s) / p.time_s);
            let covariance = gap * variance * lost * lost / x;
            let mean_spread = libm::sqrt(mean_variance);
            let shared = covariance / mean_spread;
            let end = -variance * libm::expm1(-2.0 * cadence_s / p.time_s);
            terms.push(SeeingTerm {
                sd: p.sd_arcsec,
                mean_gain,
                mean_spread,
                keep: libm::exp(-cadence_s / p.time_s),
                shared,
                rest: libm::sqrt((end - shared * shared).max(0.0)),
            });
        }
        Ok(Self {
            terms,
            white_sd: libm::sqrt(white),
        })
    }

    /// Variance of a frame's mean in arcsec^2.
    pub fn frame_variance(&self) -> f64 {
        let followed: f64 = self
            .terms
            .iter()
            .map(|t| {
                let carried = t.mean_gain * t.sd;
                carried * carried + t.mean_spread * t.mean_spread
            })
            .sum();
        followed + self.white_sd * self.white_sd
    }
}

/// The seeing of one axis in one trial.
#[derive(Debug, Clone)]
pub struct SeeingMotion {
    values: Vec<f64>,
    normal: Normal,
    random: Random,
}

impl SeeingMotion {
    /// The stationary state at the start of a trial.
    pub fn new(step: &SeeingStep, seed: u64, trial: u64, axis: u64) -> Self {
        let normal = Normal::new();
        let mut random = stream(seed, trial, axis, Source::Seeing);
        Self {
            values: step
                .terms
                .iter()
                .map(|t| t.sd * normal.draw(&mut random))
                .collect(),
            normal,
            random,
        }
    }

    /// The mean over the frame that starts now, in arcsec; goes on to the next frame's start.
    pub fn frame_mean(&mut self, step: &SeeingStep) -> f64 {
        let mut sum = if step.white_sd > 0.0 {
            step.white_sd * self.normal.draw(&mut self.random)
        } else {
            0.0
        };
        for (value, term) in self.values.iter_mut().zip(&step.terms) {
            let z = self.normal.draw(&mut self.random);
            sum += term.mean_gain * *value + term.mean_spread * z;
            *value = term.keep * *value
                + term.shared * z
                + term.rest * self.normal.draw(&mut self.random);
        }
        sum
    }
}

#[cfg(test)]
#[path = "disturbance_tests.rs"]
mod tests;
