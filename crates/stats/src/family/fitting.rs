//! Maximum-likelihood fits of one family.

use super::data::{Cells, Prepared};
use super::likelihood::log_likelihood;
use super::{Family, FamilyKind, mixture, modified, shifted};
use crate::{Sorted, StatsError};

/// A fitted family.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// The family with its fitted parameters, in the unit of the data.
    pub family: Family,
    /// Natural logarithm of the likelihood: the sum of the log-densities, per unit of the data,
    /// of all values.
    pub log_likelihood: f64,
    /// Akaike's criterion with Hurvich & Tsai's (1989) correction for small samples; smaller is
    /// better.
    pub aicc: f64,
}

/// Fits one family by maximum likelihood.
///
/// With "spread" for the interquartile range divided by 1.349 (the standard deviation where
/// that is 0) and n for the number of values, the likelihood is maximized within these bounds,
/// without which it has no maximum, or one that means nothing:
/// - a shift lies at least 0.5/n spreads (for coarse data: half a step) and at most 1,000
///   spreads below the least value;
/// - a gamma or Weibull shape is at least 1, so that the density is bounded;
/// - of the exponentially modified normal, the standard deviation is at least 0.01 spreads (for
///   coarse data: half a step) and the exponential part's mean at least 0.001 spreads;
/// - of the mixture, each standard deviation is at least 0.05 spreads (or a step), and each part
///   holds at least two values.
///
/// Of more than 8,192 values the optimizers look at some thousand means of consecutive order
/// statistics (single values in the tails); the likelihood is then evaluated on all values.
///
/// Coarse data, that is, with ties and all multiples of a step (see [`crate::tick::resolution`])
/// of at least 0.05 spreads, are fitted as what they are, counts in rounding intervals: a
/// value's likelihood is the mean density over its interval, and the fit iterates expectation
/// and maximization over the unknown places within the intervals (Dempster, Laird & Rubin
/// 1977). So rounding alone does not look like a misfit.
///
/// # Errors
/// [`StatsError::TooFew`] below 8 values; [`StatsError::Degenerate`] when all are equal, or no
/// finite likelihood was found.
///
/// ```
/// use stats::family::{Family, FamilyKind, fit};
/// use stats::{Sorted, random::Random};
/// let truth = Family::ShiftedGamma { shift: 8.0, shape: 2.0, scale: 3.0 };
/// let mut random = Random::new(1);
/// let values = (0..500).map(|_| truth.sample(&mut random)).collect();
/// let found = fit(FamilyKind::ShiftedGamma, &Sorted::new(values)?)?;
/// let Family::ShiftedGamma { shift, .. } = found.family else { unreachable!() };
/// assert!((shift - 8.0).abs() < 0.5);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn fit(kind: FamilyKind, data: &Sorted) -> Result<Fit, StatsError> {
    fit_prepared(kind, &Prepared::new(data)?)
}

/// Steps of expectation and maximization over coarse data. The error shrinks each time by about
/// the share of rounding in the variance, step² / 12.
const COARSE_STEPS: usize = 40;

/// Fits one family to prepared data.
pub(super) fn fit_prepared(kind: FamilyKind, data: &Prepared<'_>) -> Result<Fit, StatsError> {
    let (family, log_likelihood) = match &data.lattice {
        None => {
            let family = if kind == FamilyKind::Normal {
                Family::Normal {
                    mean: data.mean,
                    sd: data.sd,
                }
            } else {
                data.unstandardized(&maximized(kind, data, &data.cells))
            };
            (family, log_likelihood(&family, data))
        }
        Some(lattice) => {
            let mut best: Option<(Family, f64)> = None;
            let mut cells = data.cells.clone();
            for _ in 0..COARSE_STEPS {
                let family = data.unstandardized(&maximized(kind, data, &cells));
                let value = log_likelihood(&family, data);
                let gain = best.map_or(f64::INFINITY, |(_, old)| value - old);
                if gain > 0.0 || best.is_none() {
                    best = Some((family, value));
                }
                if gain.is_nan() || gain < 1e-7 {
                    break;
                }
                cells = lattice.nodes(Some(&family), data.origin, data.scale);
            }
            best.ok_or(StatsError::Degenerate("no fit was found"))?
        }
    };
    if !log_likelihood.is_finite() {
        return Err(StatsError::Degenerate("no finite likelihood was found"));
    }
    Ok(Fit {
        family,
        log_likelihood,
        aicc: aicc(log_likelihood, kind.parameter_count(), data.sorted.len()),
    })
}

/// The family of greatest likelihood for the cells, in standard units.
fn maximized(kind: FamilyKind, data: &Prepared<'_>, cells: &Cells) -> Family {
    match kind {
        FamilyKind::Normal => normal(cells),
        FamilyKind::ShiftedLognormal => {
            shifted::fit(data, cells, shifted::lognormal, |shift, mu, sigma| {
                Family::ShiftedLognormal { shift, mu, sigma }
            })
        }
        FamilyKind::ShiftedGamma => {
            shifted::fit(data, cells, shifted::gamma, |shift, shape, scale| {
                Family::ShiftedGamma {
                    shift,
                    shape,
                    scale,
                }
            })
        }
        FamilyKind::ShiftedWeibull => {
            shifted::fit(data, cells, shifted::weibull, |shift, shape, scale| {
                Family::ShiftedWeibull {
                    shift,
                    shape,
                    scale,
                }
            })
        }
        FamilyKind::ExponentiallyModifiedNormal => modified::fit(data, cells),
        FamilyKind::TwoNormalMixture => mixture::fit(data, cells),
    }
}

fn normal(cells: &Cells) -> Family {
    let total: f64 = cells.w.iter().sum();
    let weighted = cells.x.iter().zip(&cells.w);
    let mean = weighted.clone().map(|(x, w)| x * w).sum::<f64>() / total;
    let squares = weighted.map(|(x, w)| w * (x - mean) * (x - mean));
    let sd = (squares.sum::<f64>() / total).sqrt();
    Family::Normal { mean, sd }
}

/// Akaike's criterion -2 ln L + 2p with the correction 2p(p+1)/(n-p-1) (Hurvich & Tsai 1989).
fn aicc(log_likelihood: f64, parameters: usize, n: usize) -> f64 {
    let p = parameters as f64;
    -2.0 * log_likelihood + 2.0 * p + 2.0 * p * (p + 1.0) / (n as f64 - p - 1.0)
}
