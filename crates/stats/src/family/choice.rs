//! The choice among the families, and whether the best of them fits at all.

use super::data::Prepared;
use super::fitting::{Fit, fit_prepared};
use super::likelihood::probability;
use super::{Family, FamilyKind};
use crate::special::chi2_sf;
use crate::{Sorted, StatsError};

/// Below this p-value the best family is said not to fit.
const MISFIT: f64 = 0.01;

/// Least expected count of a cell (common practice since Cochran 1954, Biometrics 10:417-451).
const LEAST_EXPECTED: f64 = 5.0;

/// A chi-squared test of a fitted family.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GoodnessOfFit {
    /// Pearson's chi-squared.
    pub statistic: f64,
    /// How many cells it was taken over.
    pub cells: usize,
    /// The p-value with cells - 1 - parameters degrees of freedom: the lower bound.
    pub p_value_low: f64,
    /// The p-value with cells - 1 degrees of freedom: the upper bound.
    pub p_value_high: f64,
}

/// All families fitted to the same data.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// The fits, the best (least AICc) first.
    pub fits: Vec<Fit>,
    /// The test of the best; `None` where there are too few values, or too few rounding
    /// intervals, for as many cells as the test needs.
    pub goodness: Option<GoodnessOfFit>,
    /// False when the test speaks against even the best family: its upper p-value is below
    /// 0.01, and none fits. True when it does not, or could not be made.
    pub fits_data: bool,
}

/// Fits all families (see [`fit`](super::fit) for how), orders them by AICc, and tests the best.
///
/// # Errors
/// [`StatsError::TooFew`] below 8 values, [`StatsError::Degenerate`] when all are equal.
///
/// ```
/// use stats::family::{Family, choose};
/// use stats::{Sorted, random::Random};
/// let truth = Family::ExponentiallyModifiedNormal { mean: 9.0, sd: 1.0, tau: 4.0 };
/// let mut random = Random::new(7);
/// let values = (0..800).map(|_| truth.sample(&mut random)).collect();
/// let choice = choose(&Sorted::new(values)?)?;
/// assert_eq!(choice.fits[0].family.name(), "exponentially_modified_normal");
/// assert!(choice.fits_data);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn choose(data: &Sorted) -> Result<Choice, StatsError> {
    let prepared = Prepared::new(data)?;
    let mut fits: Vec<Fit> = FamilyKind::ALL
        .into_iter()
        .filter_map(|kind| fit_prepared(kind, &prepared).ok())
        .collect();
    fits.sort_by(|a, b| a.aicc.total_cmp(&b.aicc));
    let best = fits
        .first()
        .ok_or(StatsError::Degenerate("no family could be fitted"))?;
    let goodness = goodness(&best.family, &prepared);
    Ok(Choice {
        fits_data: goodness.is_none_or(|g| g.p_value_high >= MISFIT),
        goodness,
        fits,
    })
}

/// Tests a family that was fitted to the same `data`, by chi-squared on about 2 n^(2/5) cells
/// of equal probability under the family (Moore 1986, in D'Agostino & Stephens, chapter 3), with
/// at least 5 expected values in each.
///
/// Since the parameters come from the values and not from the counts, the statistic's
/// distribution lies between chi-squared with cells - 1 - parameters and with cells - 1 degrees
/// of freedom (Chernoff & Lehmann 1954): both p-values are given. Where all values are
/// multiples of a step, the cells' borders are moved to the nearest border of a rounding interval.
///
/// `None` where there are not enough cells for a degree of freedom.
///
/// # Errors
/// As [`fit`](super::fit).
pub fn goodness_of_fit(
    family: &Family,
    data: &Sorted,
) -> Result<Option<GoodnessOfFit>, StatsError> {
    Ok(goodness(family, &Prepared::new(data)?))
}

fn goodness(family: &Family, data: &Prepared<'_>) -> Option<GoodnessOfFit> {
    let x = data.sorted.as_slice();
    let n = x.len() as f64;
    let parameters = family.parameter_count();
    let wanted = libm::floor((2.0 * libm::pow(n, 0.4)).min(n / LEAST_EXPECTED)) as usize;
    let mut borders: Vec<f64> = (1..wanted)
        .map(|i| family.quantile(i as f64 / wanted as f64))
        .collect();
    // Of many values even a step far below the spread shows, where a border cuts through it.
    let step = match &data.lattice {
        Some(lattice) => Some(lattice.step),
        None => crate::tick::resolution(x),
    };
    if let Some(step) = step {
        for border in &mut borders {
            *border = ((*border / step - 0.5).round() + 0.5) * step;
        }
    }
    borders.dedup();
    let mut statistic = 0.0;
    let mut cells = 0;
    // A cell that rounding left too small is joined with the next, the last with the one before.
    let mut from = (f64::NEG_INFINITY, 0usize);
    let mut last = (0.0, 0.0);
    borders.push(f64::INFINITY);
    for (i, &border) in borders.iter().enumerate() {
        let below = x.partition_point(|&v| v <= border);
        let mut expected = n * probability(family, from.0, border);
        let mut seen = (below - from.1) as f64;
        let is_last = i + 1 == borders.len();
        if expected < LEAST_EXPECTED - 1e-6 {
            if !is_last {
                continue;
            }
            if cells > 0 {
                statistic -= pearson(last);
                cells -= 1;
                expected += last.0;
                seen += last.1;
            }
        }
        last = (expected, seen);
        statistic += pearson(last);
        cells += 1;
        from = (border, below);
    }
    if cells < parameters + 2 || !f64::is_finite(statistic) {
        return None;
    }
    let most = (cells - 1) as f64;
    Some(GoodnessOfFit {
        statistic,
        cells,
        p_value_low: chi2_sf(statistic, most - parameters as f64),
        p_value_high: chi2_sf(statistic, most),
    })
}

/// The share of one cell, (expected, seen), in chi-squared.
fn pearson((expected, seen): (f64, f64)) -> f64 {
    (seen - expected) * (seen - expected) / expected
}
