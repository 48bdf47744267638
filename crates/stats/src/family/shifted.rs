//! Shifted lognormal, gamma and Weibull: the likelihood's maximum along the shift, with the
//! other two parameters at their best for each shift.

use super::Family;
use super::data::{Cells, Prepared};
use super::newton::maximize_1d;
use crate::special::{digamma, ln_gamma, trigamma};

/// Greatest distance of the shift from the least value, in standard units. At this distance a
/// gamma distribution's skewness is 0.002: it is a normal distribution to any eye.
const GREATEST_GAP: f64 = 1_000.0;

/// Gaps tried before the search proper, evenly spaced in the logarithm.
const GAPS: usize = 18;

/// The values above a trial shift.
pub(super) struct Above<'a> {
    weights: &'a [f64],
    total: f64,
    /// Mean of y.
    mean: f64,
    /// ln(y / mean).
    logs: Vec<f64>,
    /// Mean of `logs`: at most 0.
    mean_log: f64,
    /// Workspace.
    powers: Vec<f64>,
}

/// The family of this kind (a shifted one) of the greatest likelihood, in standard units.
pub(super) fn fit(
    data: &Prepared<'_>,
    cells: &Cells,
    best: impl Fn(&mut Above<'_>) -> (f64, f64, f64),
    family: impl Fn(f64, f64, f64) -> Family,
) -> Family {
    let least = data.standard(data.sorted.min());
    let total: f64 = cells.w.iter().sum();
    let moment: f64 = cells
        .x
        .iter()
        .zip(&cells.w)
        .map(|(x, w)| (x - least) * w)
        .sum();
    let mut above = Above {
        weights: &cells.w,
        total,
        mean: 0.0,
        logs: vec![0.0; cells.x.len()],
        mean_log: 0.0,
        powers: vec![0.0; cells.x.len()],
    };
    let mut at = |ln_gap: f64| {
        let gap = ln_gap.exp();
        above.mean = moment / total + gap;
        let mut sum = 0.0;
        for ((log, x), w) in above.logs.iter_mut().zip(&cells.x).zip(&cells.w) {
            *log = (((x - least) + gap) / above.mean).ln();
            sum += w * *log;
        }
        above.mean_log = sum / total;
        best(&mut above)
    };
    let (ln_gap, _) = maximize_1d(data.least_gap.ln(), GREATEST_GAP.ln(), GAPS, |g| at(g).0);
    let (_, first, second) = at(ln_gap);
    family(least - ln_gap.exp(), first, second)
}

/// Log-likelihood per value, mu and sigma of the best lognormal: closed form.
pub(super) fn lognormal(above: &mut Above<'_>) -> (f64, f64, f64) {
    let mut squares = 0.0;
    for (log, w) in above.logs.iter().zip(above.weights) {
        let d = log - above.mean_log;
        squares += w * d * d;
    }
    let sigma = (squares / above.total).sqrt();
    let mu = above.mean.ln() + above.mean_log;
    (-sigma.ln() - mu, mu, sigma)
}

/// Log-likelihood per value, shape (at least 1) and scale of the best gamma: Newton's method on
/// ln k - digamma(k) = ln mean(y) - mean(ln y), from Thom's (1958) start.
pub(super) fn gamma(above: &mut Above<'_>) -> (f64, f64, f64) {
    let s = -above.mean_log;
    // At k = 1 the left side is Euler's constant.
    let shape = if s >= 0.577_215_664_901_532_9 {
        1.0
    } else {
        let mut k = (3.0 - s + ((s - 3.0) * (s - 3.0) + 24.0 * s).sqrt()) / (12.0 * s);
        for _ in 0..20 {
            let step = (libm::log(k) - digamma(k) - s) / (1.0 / k - trigamma(k));
            let next = if k - step > 0.5 { k - step } else { 0.5 * k };
            let done = (next - k).abs() <= 1e-9 * k;
            k = next;
            if done {
                break;
            }
        }
        k.clamp(1.0, 1e12)
    };
    let value = entropy_part(shape) - shape * s - (above.mean.ln() + above.mean_log);
    (value, shape, above.mean / shape)
}

/// k ln k - k - ln Gamma(k), by Stirling's series where the terms would cancel.
fn entropy_part(k: f64) -> f64 {
    if k < 50.0 {
        return k * libm::log(k) - k - ln_gamma(k);
    }
    let r = 1.0 / (k * k);
    let series = (1.0 / 12.0 - r * (1.0 / 360.0 - r / 1260.0)) / k;
    0.5 * libm::log(k / (2.0 * std::f64::consts::PI)) - series
}

/// Log-likelihood per value, shape (at least 1) and scale of the best Weibull: Newton's method
/// on the likelihood equation of the shape, which has one root.
pub(super) fn weibull(above: &mut Above<'_>) -> (f64, f64, f64) {
    let center = above.mean_log;
    let top = above.logs.iter().fold(f64::NEG_INFINITY, |a, &b| a.max(b)) - center;
    let spread = {
        let sum: f64 = above
            .logs
            .iter()
            .zip(above.weights)
            .map(|(log, w)| w * (log - center) * (log - center))
            .sum();
        (sum / above.total).sqrt()
    };
    // pi/sqrt(6): the standard deviation of the logarithm of a Weibull variable of shape 1.
    let mut k = (1.282_549_830_161_864 / spread).clamp(1.0, 1e6);
    let mut ln_power_mean = 0.0;
    let mut clamped = false;
    for _ in 0..40 {
        for (power, log) in above.powers.iter_mut().zip(&above.logs) {
            *power = (k * (log - center - top)).exp();
        }
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for ((power, log), w) in above.powers.iter().zip(&above.logs).zip(above.weights) {
            let z = log - center;
            let p = w * power;
            sum += p;
            first += p * z;
            second += p * z * z;
        }
        let mean = first / sum;
        let variance = (second / sum - mean * mean).max(0.0);
        ln_power_mean = (sum / above.total).ln() + k * top;
        let wanted = -(mean - 1.0 / k) / (variance + 1.0 / (k * k));
        if clamped && wanted <= 0.0 {
            break;
        }
        let next = (k + wanted).max(0.3 * k).min(3.0 * k).max(1.0);
        clamped = next == 1.0;
        let step = next - k;
        k = next;
        if step.abs() <= 1e-5 * k {
            // The mean power at the new shape, to third order in the step.
            ln_power_mean += step * (mean + 0.5 * step * variance);
            break;
        }
    }
    let ln_mean = above.mean.ln() + center;
    let value = k.ln() - ln_mean - ln_power_mean - 1.0;
    (value, k, (ln_mean + ln_power_mean / k).exp())
}
