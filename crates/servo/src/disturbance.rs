//! What moves the star: drift, periodic error, slow gear noise, gusts and, in the guide camera
//! alone, seeing and centroid noise. Values hold at any instant and means over any interval: random
//! processes are advanced by their exact discrete law and not by small steps.
//!
//! The Ornstein-Uhlenbeck process (first-order, exponentially correlated): transition, integral
//! and their joint law after Gillespie 1996, Physical Review E 54:2084-2091. The integral between
//! two known ends is conditioned on both.

use crate::error::{ServoError, above_zero, at_least};
use crate::normal::{Normal, Normals};
use crate::stream::{LANES, Lanes, Source, streams};
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

/// What one step did in the trials side by side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Exact mean over the step in arcsec; for a step without its mean the gear noise's part is
    /// the mean of its ends.
    pub mean: Lanes,
    /// Disturbance at the start in arcsec.
    pub start: Lanes,
    /// Disturbance at the end in arcsec.
    pub end: Lanes,
    /// Whether it went nearly straight between the two in all trials; else the knots tell its way.
    pub straight: bool,
}

/// The disturbance of one axis in the trials side by side, at an instant.
#[derive(Debug, Clone)]
pub struct MountMotion {
    /// Drift, periodic error and gear noise now.
    smooth: Lanes,
    drifted: Lanes,
    /// Sine and cosine of each wave's phase, times its amplitude.
    waves: Vec<[Lanes; 2]>,
    gear: Lanes,
    gear_active: bool,
    gust: Lanes,
    gusts: Gusts,
    next_gust_s: Lanes,
    normal: Normal,
    gear_normals: Normals,
    gust_randoms: [Random; LANES],
}

impl MountMotion {
    /// The state at the start of the trials from `first`. The gear noise is stationary; the position
    /// is counted from the start, so that the first value is 0.
    pub fn new(what: &Disturbances, seed: u64, first: u64, axis: u64) -> Self {
        let streams = |source| streams(seed, first, axis, source);
        let start = if what.periodic.random_start {
            streams(Source::WormPhase).map(|mut random| TAU * random.uniform())
        } else {
            [0.0; LANES]
        };
        let waves: Vec<[Lanes; 2]> = what
            .periodic
            .waves
            .iter()
            .map(|w| {
                let phase = start.map(|s| w.phase_rad + s * f64::from(w.order));
                [libm::sin, libm::cos].map(|f| Lanes::new(phase.map(|p| w.amplitude_arcsec * f(p))))
            })
            .collect();
        let mut gear_normals = Normals::new(streams(Source::Gear));
        let mut gust_randoms = streams(Source::Gusts);
        let gear_active = what.gear.sd_arcsec > 0.0;
        let gear = if gear_active {
            gear_normals.draw() * what.gear.sd_arcsec
        } else {
            Lanes::ZERO
        };
        let next_gust_s = if what.gusts.per_s > 0.0 && what.gusts.size_arcsec > 0.0 {
            Lanes::new(
                gust_randoms
                    .each_mut()
                    .map(|r| r.exponential() / what.gusts.per_s),
            )
        } else {
            Lanes::splat(f64::INFINITY)
        };
        let at_start = waves.iter().fold(Lanes::ZERO, |sum, w| sum + w[0]) + gear;
        Self {
            smooth: Lanes::ZERO,
            drifted: -at_start,
            waves,
            gear,
            gear_active,
            gust: Lanes::ZERO,
            gusts: what.gusts,
            next_gust_s,
            normal: Normal::new(),
            gear_normals,
            gust_randoms,
        }
    }

    /// The disturbance now, in arcsec.
    pub fn value(&self) -> Lanes {
        self.smooth + self.gust
    }

    /// Goes on by one step. While a gust blows in any trial, `knots` is filled with the instants
    /// of each trial between which the disturbance is nearly straight, from 0 to the step's length;
    /// else it is left alone.
    #[inline]
    pub fn advance(&mut self, step: &Step, knots: &mut [Vec<Knot>; LANES]) -> Passage {
        let start = self.smooth;
        let mut mean = self.drifted + 0.5 * step.drift;
        self.drifted += step.drift;
        let mut end = self.drifted;
        for (wave, &(cosine, sine, per_turn)) in self.waves.iter_mut().zip(&step.turns) {
            let [s, c] = *wave;
            *wave = [s * cosine + c * sine, c * cosine - s * sine];
            mean += (c - wave[1]) * per_turn;
            end += wave[0];
        }
        if self.gear_active {
            let before = self.gear;
            self.gear = before * step.keep + self.gear_normals.draw() * step.spread;
            let ends = before + self.gear;
            mean += if step.with_mean {
                ends * step.mean_gain + self.gear_normals.draw() * step.mean_spread
            } else {
                ends * 0.5
            };
            end += self.gear;
        }
        self.smooth = end;
        let calm = self.gust.simd_eq(0.0) & self.next_gust_s.simd_ge(step.dt_s);
        let straight = calm.all();
        if straight {
            self.next_gust_s -= step.dt_s;
            return Passage {
                mean,
                start,
                end,
                straight,
            };
        }
        let from = start + self.gust;
        for (lane, knots) in knots.iter_mut().enumerate() {
            let ends = [start, end].map(|lanes| lanes.as_array()[lane]);
            mean.as_mut_array()[lane] += self.gusty(lane, step, ends, knots);
        }
        Passage {
            mean,
            start: from,
            end: end + self.gust,
            straight,
        }
    }

    /// The part with gusts of a step that goes from one to the other of `ends` without them, in one
    /// trial: fills the knots, returns the gusts' mean in arcsec.
    #[cold]
    fn gusty(&mut self, lane: usize, step: &Step, ends: [f64; 2], knots: &mut Vec<Knot>) -> f64 {
        let dt = step.dt_s;
        let [start, end] = ends;
        let random = &mut self.gust_randoms[lane];
        let (gust, next_gust_s) = (
            &mut self.gust.as_mut_array()[lane],
            &mut self.next_gust_s.as_mut_array()[lane],
        );
        let slope = (end - start) / dt;
        let decay = self.gusts.decay_s;
        let knot = |at_s: f64, before: f64, after: f64| Knot {
            at_s,
            before,
            after,
        };
        knots.clear();
        knots.push(knot(0.0, start + *gust, start + *gust));
        if *gust == 0.0 && *next_gust_s >= dt {
            // It blows in another trial.
            knots.push(knot(dt, end, end));
            *next_gust_s -= dt;
            return 0.0;
        }
        let mut integral = 0.0;
        let mut now = 0.0;
        while now < dt {
            // A third of the decay time: a chord of the exponential misses 1 % of its square.
            let piece = now + decay / 3.0;
            let arrives = *next_gust_s <= piece.min(dt);
            let until = if arrives {
                *next_gust_s
            } else if *gust == 0.0 {
                dt
            } else {
                piece.min(dt)
            };
            let kept = *gust * libm::exp((now - until) / decay);
            integral += (*gust - kept) * decay;
            *gust = kept;
            // A thousandth of a usual gust no longer matters.
            if gust.abs() < 1e-3 * self.gusts.size_arcsec {
                *gust = 0.0;
            }
            let smooth = start + slope * until;
            let before = smooth + kept;
            if arrives {
                *gust += self.gusts.size_arcsec * self.normal.draw(random);
                *next_gust_s += random.exponential() / self.gusts.per_s;
            }
            knots.push(knot(until, before, smooth + *gust));
            now = until;
        }
        *next_gust_s -= dt;
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

/// The seeing of one axis in the trials side by side.
#[derive(Debug, Clone)]
pub struct SeeingMotion {
    values: Vec<Lanes>,
    normals: Normals,
}

impl SeeingMotion {
    /// The stationary state at the start of the trials from `first`.
    pub fn new(step: &SeeingStep, seed: u64, first: u64, axis: u64) -> Self {
        let mut normals = Normals::new(streams(seed, first, axis, Source::Seeing));
        Self {
            values: step.terms.iter().map(|t| normals.draw() * t.sd).collect(),
            normals,
        }
    }

    /// The mean over the frame that starts now, in arcsec; goes on to the next frame's start.
    #[inline]
    pub fn frame_mean(&mut self, step: &SeeingStep) -> Lanes {
        let mut sum = if step.white_sd > 0.0 {
            self.normals.draw() * step.white_sd
        } else {
            Lanes::ZERO
        };
        for (value, term) in self.values.iter_mut().zip(&step.terms) {
            let z = self.normals.draw();
            sum += *value * term.mean_gain + z * term.mean_spread;
            *value = *value * term.keep + z * term.shared + self.normals.draw() * term.rest;
        }
        sum
    }
}

#[cfg(test)]
#[path = "disturbance_tests.rs"]
mod tests;
