//! The log-likelihood of all the data under a family.

use super::Family;
use super::data::{Lattice, Prepared};
use super::erfcx::{LN_SQRT_2PI, erfcx};
use super::sums::chunked_sum;
use crate::special::ln_gamma;
use std::f64::consts::FRAC_1_SQRT_2;

/// Log-likelihood of the prepared data under `family` (in the unit of the data): the sum of
/// log-densities; for coarse data, of the logarithms of the mean density over each value's
/// rounding interval.
pub(super) fn log_likelihood(family: &Family, data: &Prepared<'_>) -> f64 {
    match &data.lattice {
        Some(lattice) => lattice
            .centers
            .iter()
            .zip(&lattice.counts)
            .map(|(center, count)| count * libm::log(mean_density(family, *center, lattice)))
            .sum(),
        None => ln_pdf_sum(family, data.sorted.as_slice()),
    }
}

fn mean_density(family: &Family, center: f64, lattice: &Lattice) -> f64 {
    let half = 0.5 * lattice.step;
    probability(family, center - half, center + half) / lattice.step
}

/// Probability between `low` and `high`, from whichever tail keeps its digits.
pub(super) fn probability(family: &Family, low: f64, high: f64) -> f64 {
    let (below_low, above_low) = family.tails(low);
    let (below_high, above_high) = family.tails(high);
    if above_low < below_high {
        above_low - above_high
    } else {
        below_high - below_low
    }
}

/// The sum of `ln_pdf` with what does not depend on the value taken out of the loop. ln(1 + e) is
/// good to 1e-16 here, which is enough for a term of a sum.
fn ln_pdf_sum(family: &Family, x: &[f64]) -> f64 {
    let n = x.len() as f64;
    match *family {
        Family::Normal { mean, sd } => {
            let squares = chunked_sum(x, |_, chunk| {
                let squares = chunk.iter().map(|x| (x - mean) * (x - mean));
                squares.sum()
            });
            -n * (libm::log(sd) + LN_SQRT_2PI) - 0.5 * squares / (sd * sd)
        }
        Family::ShiftedLognormal { shift, mu, sigma } => {
            let inverse = 1.0 / sigma;
            let sum = chunked_sum(x, |_, chunk| {
                let terms = chunk.iter().map(|x| {
                    let ln_y = (x - shift).ln();
                    let z = (ln_y - mu) * inverse;
                    ln_y + 0.5 * z * z
                });
                terms.sum()
            });
            -sum - n * (libm::log(sigma) + LN_SQRT_2PI)
        }
        Family::ShiftedGamma {
            shift,
            shape,
            scale,
        } => {
            let inverse = 1.0 / scale;
            let power = shape - 1.0;
            let sum = chunked_sum(x, |_, chunk| {
                let terms = chunk.iter().map(|x| {
                    let y = (x - shift) * inverse;
                    power * y.ln() - y
                });
                terms.sum()
            });
            sum - n * (ln_gamma(shape) + libm::log(scale))
        }
        Family::ShiftedWeibull {
            shift,
            shape,
            scale,
        } => {
            let inverse = 1.0 / scale;
            let sum = chunked_sum(x, |_, chunk| {
                let terms = chunk.iter().map(|x| {
                    let power = shape * ((x - shift) * inverse).ln();
                    power * (shape - 1.0) / shape - power.exp()
                });
                terms.sum()
            });
            sum + n * (libm::log(shape) - libm::log(scale))
        }
        Family::ExponentiallyModifiedNormal { mean, sd, tau } => {
            let inverse = 1.0 / sd;
            let k = sd / tau;
            let sum = chunked_sum(x, |_, chunk| {
                let terms = chunk.iter().map(|x| {
                    let z = (x - mean) * inverse;
                    let a = (k - z) * FRAC_1_SQRT_2;
                    let scaled = 0.5 * erfcx(a.abs());
                    if a >= 0.0 {
                        scaled.ln() - 0.5 * z * z
                    } else {
                        k * (0.5 * k - z) + (1.0 - (-a * a).exp() * scaled).ln()
                    }
                });
                terms.sum()
            });
            sum - n * libm::log(tau)
        }
        Family::TwoNormalMixture {
            weight,
            mean1,
            sd1,
            mean2,
            sd2,
        } => {
            let (inverse1, inverse2) = (1.0 / sd1, 1.0 / sd2);
            let ln1 = libm::log(weight) - libm::log(sd1);
            let ln2 = libm::log1p(-weight) - libm::log(sd2);
            let sum = chunked_sum(x, |_, chunk| {
                let terms = chunk.iter().map(|x| {
                    let a = (x - mean1) * inverse1;
                    let b = (x - mean2) * inverse2;
                    let (a, b) = (ln1 - 0.5 * a * a, ln2 - 0.5 * b * b);
                    a.max(b) + (1.0 + (-(a - b).abs()).exp()).ln()
                });
                terms.sum()
            });
            sum - n * LN_SQRT_2PI
        }
    }
}
