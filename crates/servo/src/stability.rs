//! Stability without simulation: the loop as a linear sampled system with its delay, its margins,
//! and what a constant width error makes of them.
//!
//! The law's transfer function is `C(z)`. A correction sent after frame `k` shows in frame `k + j`
//! with the share `h_j` of that frame's exposure that lies after it, so that the plant is
//! `P(z) = sum (h_j - h_(j-1)) z^-j / (1 - z^-1)`, and the loop `L = C P`. Pulses are taken as short
//! beside the exposure. Margins as in Astrom & Murray 2021, Feedback Systems, 2nd edition, section
//! 10.3; a relay with a linear part as in Gelb & Vander Velde 1968, Multiple-Input Describing
//! Functions and Nonlinear System Design, chapters 2 and 7.

use crate::chain_model::PreparedChain;
use crate::error::{ServoError, above_zero, at_least};
use crate::law::{Law, PreparedLaw};
use crate::loop_sim::Timing;
use serde::Serialize;
use std::f64::consts::{FRAC_2_PI, PI, TAU};

/// Width in ms of a usual pulse, at which a chain's mean start delay is taken.
pub(crate) const TYPICAL_MS: f64 = 200.0;
/// The largest factor on the gain that is looked at.
const MOST_GAIN: f64 = 1e4;
/// Frequencies at which the crossover is looked for, up to half a cycle per frame.
const FREQUENCIES: usize = 4000;

/// A complex number: real and imaginary part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Complex {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Complex {
    fn new(re: f64, im: f64) -> Self {
        Self { re, im }
    }

    fn times(self, other: Self) -> Self {
        Self::new(
            self.re * other.re - self.im * other.im,
            self.re * other.im + self.im * other.re,
        )
    }

    fn over(self, other: Self) -> Self {
        let d = other.re * other.re + other.im * other.im;
        Self::new(
            (self.re * other.re + self.im * other.im) / d,
            (self.im * other.re - self.re * other.im) / d,
        )
    }

    fn minus(self, other: Self) -> Self {
        Self::new(self.re - other.re, self.im - other.im)
    }

    /// Absolute value.
    pub fn size(self) -> f64 {
        libm::hypot(self.re, self.im)
    }

    /// Angle in radians, in -pi..=pi.
    pub fn angle(self) -> f64 {
        libm::atan2(self.im, self.re)
    }
}

/// A chain as the linear loop sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearChain {
    /// Mean start delay of a usual pulse in s.
    delay_s: f64,
    /// By how much a pulse grows for each unit of wanted width.
    slope: f64,
}

impl LinearChain {
    /// Of a chain on `axis` (0 right ascension, 1 declination).
    pub fn new(chain: &PreparedChain, axis: usize) -> Self {
        let direction = 2 * axis;
        Self {
            delay_s: 1e-3 * chain.mean(direction, TYPICAL_MS).delay_ms,
            slope: chain.slope(direction),
        }
    }
}

/// The linear loop of one axis.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearLoop {
    /// The law in state space: `x <- A x + B m`, `u = C x + D m`.
    a: Vec<f64>,
    b: Vec<f64>,
    c: Vec<f64>,
    d: f64,
    /// `h_j - h_(j-1)` for j = 0, 1, ...
    shares: Vec<f64>,
    cadence_s: f64,
    gain: f64,
}

/// How far the loop is from instability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Margins {
    /// Whether the loop is stable at all.
    pub stable: bool,
    /// Factor by which the gain may grow until the loop is unstable (below 1: it already is);
    /// `None` if it may grow without limit.
    pub gain_margin: Option<f64>,
    /// Further delay in s until the loop is unstable; `None` for an unstable loop, or if the loop's
    /// gain never crosses 1.
    pub delay_margin_s: Option<f64>,
    /// Phase margin in degrees at the crossover that limits the delay.
    pub phase_margin_deg: Option<f64>,
    /// Period in s of the oscillation at the limit of stability.
    pub critical_period_s: Option<f64>,
}

impl LinearLoop {
    /// The loop of a law under a timing and a mean start delay (half the pulse's width may be
    /// added to it).
    ///
    /// # Errors
    /// [`ServoError`] for a law or a timing without sense, or a delay that is negative or longer
    /// than 1000 frames.
    pub fn new(law: &PreparedLaw, timing: &Timing, delay_s: f64) -> Result<Self, ServoError> {
        timing.check()?;
        law.law().check()?;
        at_least(
            "delay in s",
            delay_s,
            0.0,
            "a delay of at least 0 is expected",
        )?;
        above_zero(
            "1000 frames minus the delay in s",
            1000.0 * timing.cadence_s - delay_s,
            "a delay of less than 1000 frames is expected",
        )?;
        let (a, b, c, d) = state_space(law);
        let arrives = timing.exposure_s + timing.readout_s + delay_s;
        let mut shares = Vec::new();
        let mut before = 0.0;
        for j in 0.. {
            let end = f64::from(j) * timing.cadence_s + timing.exposure_s;
            let share = ((end - arrives) / timing.exposure_s).clamp(0.0, 1.0);
            // A billionth is the rounding of sums of decimal numbers.
            let share = if share > 1.0 - 1e-9 { 1.0 } else { share };
            shares.push(share - before);
            before = share;
            if share == 1.0 {
                break;
            }
        }
        Ok(Self {
            a,
            b,
            c,
            d,
            shares,
            cadence_s: timing.cadence_s,
            gain: law.law().gain(),
        })
    }

    /// The loop of a law behind a chain.
    ///
    /// # Errors
    /// As [`LinearLoop::new`].
    pub fn behind(
        law: &PreparedLaw,
        timing: &Timing,
        chain: &LinearChain,
    ) -> Result<Self, ServoError> {
        Ok(Self::new(law, timing, chain.delay_s)?.with_slope(chain.slope))
    }

    /// The same loop with a chain whose pulses grow by `slope` for each unit of wanted width.
    pub fn with_slope(mut self, slope: f64) -> Self {
        for c in &mut self.c {
            *c *= slope;
        }
        self.d *= slope;
        self
    }

    /// Transfer function of the law, `C(exp(i w T))`, at `frequency_hz`.
    pub fn law_response(&self, frequency_hz: f64) -> Complex {
        let angle = TAU * frequency_hz * self.cadence_s;
        let z = Complex::new(libm::cos(angle), libm::sin(angle));
        let n = self.b.len();
        // (z I - A) x = B by elimination with row exchange.
        let mut rows: Vec<Vec<Complex>> = (0..n)
            .map(|i| {
                (0..n)
                    .map(|j| {
                        let a = Complex::new(self.a[i * n + j], 0.0);
                        if i == j {
                            z.minus(a)
                        } else {
                            Complex::new(0.0, 0.0).minus(a)
                        }
                    })
                    .chain([Complex::new(self.b[i], 0.0)])
                    .collect()
            })
            .collect();
        for k in 0..n {
            let pivot = (k..n)
                .max_by(|&i, &j| rows[i][k].size().total_cmp(&rows[j][k].size()))
                .unwrap_or(k);
            rows.swap(k, pivot);
            let lead = rows[k].clone();
            for (_, row) in rows.iter_mut().enumerate().filter(|(i, _)| *i != k) {
                let factor = row[k].over(lead[k]);
                for (x, l) in row.iter_mut().zip(&lead).skip(k) {
                    *x = x.minus(factor.times(*l));
                }
            }
        }
        let mut sum = Complex::new(self.d, 0.0);
        for (i, (row, c)) in rows.iter().zip(&self.c).enumerate() {
            let x = row[n].over(row[i]);
            sum.re += c * x.re;
            sum.im += c * x.im;
        }
        sum
    }

    /// Transfer function of the open loop, `L(exp(i w T))`, at `frequency_hz` (not a whole multiple
    /// of the frame rate, where the plant has its pole).
    pub fn open_response(&self, frequency_hz: f64) -> Complex {
        let angle = TAU * frequency_hz * self.cadence_s;
        let mut seen = Complex::new(0.0, 0.0);
        for (j, share) in self.shares.iter().enumerate() {
            seen.re += share * libm::cos(angle * j as f64);
            seen.im -= share * libm::sin(angle * j as f64);
        }
        let half = 0.5 * angle;
        // 1 - exp(-ia) = 2 sin(a/2) (sin(a/2) + i cos(a/2)), free of cancellation.
        let s = libm::sin(half);
        let integrator = Complex::new(2.0 * s * s, 2.0 * s * libm::cos(half));
        self.law_response(frequency_hz).times(seen.over(integrator))
    }

    /// Sensitivity `1 / (1 + L)`: what is left of a disturbance at `frequency_hz`.
    pub fn sensitivity(&self, frequency_hz: f64) -> Complex {
        let open = self.open_response(frequency_hz);
        Complex::new(1.0, 0.0).over(Complex::new(1.0 + open.re, open.im))
    }

    /// Whether the loop is stable when the law's output is multiplied by `factor`: all
    /// eigenvalues of the closed loop's matrix lie within the unit circle, found by squaring the
    /// matrix until its powers vanish or grow.
    pub fn is_stable(&self, factor: f64) -> bool {
        // State: the law's, the correction's sum as seen, and the corrections not yet fully seen.
        let n = self.b.len();
        let late = self.shares.len().saturating_sub(1);
        let size = n + 1 + late;
        let mut m = vec![0.0; size * size];
        // The frame's error: -(sum), where the sum already holds all shares due in this frame.
        let error = |row: &mut [f64], weight: f64| row[n] -= weight;
        for i in 0..n {
            let row = &mut m[i * size..(i + 1) * size];
            row[..n].copy_from_slice(&self.a[i * n..(i + 1) * n]);
            error(row, self.b[i]);
        }
        let output = |row: &mut [f64], weight: f64| {
            for (r, c) in row.iter_mut().zip(&self.c) {
                *r += weight * factor * c;
            }
            error(row, weight * factor * self.d);
        };
        {
            let row = &mut m[n * size..(n + 1) * size];
            row[n] += 1.0;
            // Share 0 is zero by the timing's check: nothing acts within its own frame.
            for j in 1..self.shares.len() {
                if j == 1 {
                    output(row, self.shares[1]);
                } else {
                    row[n + j - 1] += self.shares[j];
                }
            }
        }
        if late > 0 {
            output(&mut m[(n + 1) * size..(n + 2) * size], 1.0);
        }
        for j in 1..late {
            m[(n + 1 + j) * size + n + j] = 1.0;
        }
        contracts(m, size)
    }

    /// Gain, delay and phase margin.
    pub fn margins(&self) -> Margins {
        let stable = self.is_stable(1.0);
        let limit = self.limit(stable);
        let mut margins = Margins {
            stable,
            gain_margin: limit,
            delay_margin_s: None,
            phase_margin_deg: None,
            critical_period_s: None,
        };
        if let Some(limit) = limit {
            margins.critical_period_s = self.critical_period(limit);
        }
        if !stable {
            return margins;
        }
        let nyquist = 0.5 / self.cadence_s;
        let excess = |f: f64| libm::log(self.open_response(f).size());
        let frequency = |i: usize| {
            // From a millionth of the frame rate, evenly in the logarithm.
            let part = i as f64 / FREQUENCIES as f64;
            nyquist * libm::exp((part - 1.0) * libm::log(1e6))
        };
        let mut last = (frequency(0), excess(frequency(0)));
        for i in 1..=FREQUENCIES {
            let here = (frequency(i), excess(frequency(i)));
            if (last.1 > 0.0) != (here.1 > 0.0) {
                let (mut low, mut high) = (last.0, here.0);
                for _ in 0..60 {
                    let middle = 0.5 * (low + high);
                    if (excess(middle) > 0.0) == (last.1 > 0.0) {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                let phase = (self.open_response(low).angle() + PI).rem_euclid(TAU);
                let delay = phase / (TAU * low);
                if margins.delay_margin_s.is_none_or(|d| delay < d) {
                    margins.delay_margin_s = Some(delay);
                    margins.phase_margin_deg = Some(phase.to_degrees());
                }
            }
            last = here;
        }
        margins
    }

    /// The factor on the gain at which stability changes: upwards from a stable loop, downwards
    /// from an unstable one.
    fn limit(&self, stable: bool) -> Option<f64> {
        let (mut inside, mut outside) = (1.0, 1.0);
        loop {
            if stable {
                outside *= 1.25;
                if !self.is_stable(outside) {
                    break;
                }
                inside = outside;
                if inside > MOST_GAIN {
                    return None;
                }
            } else {
                inside *= 0.8;
                if self.is_stable(inside) {
                    break;
                }
                outside = inside;
                if inside < 1.0 / MOST_GAIN {
                    return Some(0.0);
                }
            }
        }
        for _ in 0..50 {
            let middle = 0.5 * (inside + outside);
            if self.is_stable(middle) {
                inside = middle;
            } else {
                outside = middle;
            }
        }
        Some(inside)
    }

    /// Period in s at which `factor * L` comes nearest to -1.
    fn critical_period(&self, factor: f64) -> Option<f64> {
        let nyquist = 0.5 / self.cadence_s;
        let miss = |f: f64| {
            let open = self.open_response(f);
            libm::hypot(1.0 + factor * open.re, factor * open.im)
        };
        let grid = 2000;
        let best = (1..=grid)
            .map(|i| nyquist * f64::from(i) / f64::from(grid))
            .min_by(|x, y| miss(*x).total_cmp(&miss(*y)))?;
        Some(1.0 / best)
    }

    /// The gain of the law.
    pub fn gain(&self) -> f64 {
        self.gain
    }
}

/// Whether the powers of a square matrix vanish.
fn contracts(mut m: Vec<f64>, size: usize) -> bool {
    let norm = |m: &[f64]| {
        m.chunks_exact(size)
            .map(|row| row.iter().map(|x| x.abs()).sum::<f64>())
            .fold(0.0, f64::max)
    };
    // The logarithm of the largest eigenvalue is that of the norm over the power, in the limit;
    // 2^40 powers tell 1 - 1e-10 from 1.
    let mut logarithm = 0.0;
    let mut power = 1.0;
    for _ in 0..40 {
        let n = norm(&m);
        if n == 0.0 {
            return true;
        }
        if !n.is_finite() {
            return false;
        }
        logarithm += libm::log(n) / power;
        // The logarithm is summed as log(norm) of the scaled matrix, each at its own power.
        for x in &mut m {
            *x /= n;
        }
        let mut square = vec![0.0; size * size];
        for i in 0..size {
            for k in 0..size {
                let f = m[i * size + k];
                if f != 0.0 {
                    for j in 0..size {
                        square[i * size + j] += f * m[k * size + j];
                    }
                }
            }
        }
        m = square;
        power *= 2.0;
    }
    logarithm < -1e-11
}

/// A, B, C, D of the law; the predictor with its settled gains.
fn state_space(law: &PreparedLaw) -> (Vec<f64>, Vec<f64>, Vec<f64>, f64) {
    match *law.law() {
        Law::Proportional { gain } => (vec![], vec![], vec![], gain),
        Law::Memory { gain, memory } => (
            vec![memory],
            vec![1.0 - memory],
            vec![gain * memory],
            gain * (1.0 - memory),
        ),
        // Without its integral part it is the proportional law; the sum that nobody reads would look
        // like a pole on the unit circle.
        Law::Integral {
            gain,
            integral_gain: 0.0,
        } => (vec![], vec![], vec![], gain),
        Law::Integral {
            gain,
            integral_gain,
        } => (
            vec![1.0],
            vec![1.0],
            vec![integral_gain],
            gain + integral_gain,
        ),
        Law::Predictor(p) => {
            let Some(gains) = law.gains() else {
                return (vec![], vec![], vec![], p.gain);
            };
            let n = gains.size();
            let (mut a, mut b, mut c) = (vec![0.0; n * n], vec![0.0; n], vec![0.0; n]);
            // One frame of the filter from each unit state without a measured error, and from 0
            // with one of 1: the law itself gives its matrices.
            let frame = |state: &mut Vec<f64>, m: f64| {
                let error = gains.update(usize::MAX, state, m);
                let u = p.gain * error + gains.foreseen(state);
                gains.predict(state, u);
                u
            };
            for j in 0..n {
                let mut state = vec![0.0; n];
                state[j] = 1.0;
                c[j] = frame(&mut state, 0.0);
                for i in 0..n {
                    a[i * n + j] = state[i];
                }
            }
            let d = frame(&mut b, 1.0);
            (a, b, c, d)
        }
    }
}

/// Effective gain that a constant width error worth `error_arcsec` gives a sinusoidal correction:
/// the describing function of a relay with a linear part,
/// `gain + 4 error / (pi amplitude)`, for a measured error of `amplitude_arcsec` (Gelb & Vander
/// Velde 1968, section 2.3).
pub fn effective_gain(gain: f64, error_arcsec: f64, amplitude_arcsec: f64) -> f64 {
    gain + 2.0 * FRAC_2_PI * error_arcsec / amplitude_arcsec
}

/// The same for a measured error that is normal with standard deviation `sd_arcsec`:
/// `gain + sqrt(2 / pi) error / sd` (Gelb & Vander Velde 1968, chapter 7: the gain that makes
/// the mean square of the misfit least).
pub fn effective_gain_normal(gain: f64, error_arcsec: f64, sd_arcsec: f64) -> f64 {
    gain + libm::sqrt(FRAC_2_PI) * error_arcsec / sd_arcsec
}

/// Amplitude in arcsec of the two-frame cycle of a proportional loop without further delay under
/// a constant width error: `|error| / (2 - gain)`, exact. `None` for an error that is not above 0
/// (a pulse too short starts no cycle) or an unstable gain.
pub fn cycle_amplitude(gain: f64, error_arcsec: f64) -> Option<f64> {
    (error_arcsec > 0.0 && (0.0..2.0).contains(&gain)).then(|| error_arcsec / (2.0 - gain))
}

/// Amplitude in arcsec of the cycle that the describing function predicts for a loop with any
/// delay: where the effective gain reaches the limit of stability, `4 error / (pi (limit - gain))`
/// with `limit = gain * gain_margin`. For a two-frame cycle, which is a square wave, the exact
/// amplitude is pi/4 of it. `None` for an unstable loop, one without a limit, or an error that is
/// not above 0.
pub fn cycle_by_describing_function(
    gain: f64,
    margins: &Margins,
    error_arcsec: f64,
) -> Option<f64> {
    let limit = gain * margins.gain_margin?;
    (margins.stable && error_arcsec > 0.0 && limit > gain)
        .then(|| 2.0 * FRAC_2_PI * error_arcsec / (limit - gain))
}
