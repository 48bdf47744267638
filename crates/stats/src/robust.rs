//! Robust scale and location.

pub(crate) mod pairs;

use crate::order::{median, midpoint};
use crate::{Sorted, StatsError};
use pairs::Pairs;

/// 1 / (quantile of the standard normal distribution at 3/4): makes the median absolute
/// deviation of a normal distribution its standard deviation.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_601_8;

/// 1 / (sqrt(2) x quantile of the standard normal distribution at 5/8), Rousseeuw & Croux 1993.
pub const QN_TO_SD: f64 = 2.219_144_465_985_076;

/// Standard deviation by the median absolute deviation from the median, times [`MAD_TO_SD`].
/// In the unit of the data; 0 where more than half of the values are equal.
///
/// ```
/// let sorted = stats::Sorted::new(vec![1.0, 2.0, 3.0, 4.0, 100.0])?;
/// assert!((stats::robust::mad_sd(&sorted) - 1.4826022185056018).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn mad_sd(sorted: &Sorted) -> f64 {
    let values = sorted.as_slice();
    let centre = median(sorted);
    // The deviations ascend outwards on both sides of the median: walk them merged.
    let n = values.len();
    let mut right = values.partition_point(|&v| v < centre);
    let mut left = right;
    let mut next = || {
        let below = if left > 0 {
            centre - values[left - 1]
        } else {
            f64::INFINITY
        };
        let above = if right < n {
            values[right] - centre
        } else {
            f64::INFINITY
        };
        if below <= above && left > 0 {
            left -= 1;
            below
        } else {
            right += 1;
            above
        }
    };
    let mut lower = 0.0;
    for _ in 0..n.div_ceil(2) {
        lower = next();
    }
    let middle = if n.is_multiple_of(2) {
        midpoint(lower, next())
    } else {
        lower
    };
    MAD_TO_SD * middle
}

/// Standard deviation by Qn of Rousseeuw & Croux (1993, JASA 88:1273-1283): the order statistic
/// h(h-1)/2 of all pairwise differences, h = n/2 + 1 rounded down, times [`QN_TO_SD`]; without a
/// factor for small samples. Exact, in O(n log n). In the unit of the data.
///
/// # Errors
/// [`StatsError::TooFew`] below 2 values.
///
/// ```
/// let sorted = stats::Sorted::new(vec![1.0, 2.0, 3.0, 4.0, 100.0])?;
/// assert!((stats::robust::qn(&sorted)? - 2.2191444659850757).abs() < 1e-14);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn qn(sorted: &Sorted) -> Result<f64, StatsError> {
    let values = sorted.as_slice();
    if values.len() < 2 {
        return Err(StatsError::TooFew {
            found: values.len(),
            needed: 2,
        });
    }
    let h = values.len() as u64 / 2 + 1;
    let order = h * (h - 1) / 2;
    Ok(QN_TO_SD * Pairs::within(values).select(&[order])[0])
}

/// Mean of what is left when `share_each_side` of the values, rounded down to a whole number of
/// them, is cut off at either end. In the unit of the data.
///
/// # Errors
/// [`StatsError::BadArgument`] unless 0 <= share < 0.5.
///
/// ```
/// let sorted = stats::Sorted::new(vec![1.0, 2.0, 3.0, 4.0, 100.0])?;
/// assert_eq!(stats::robust::trimmed_mean(&sorted, 0.2)?, 3.0);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn trimmed_mean(sorted: &Sorted, share_each_side: f64) -> Result<f64, StatsError> {
    let cut = cut_each_side(sorted.len(), share_each_side)?;
    let kept = &sorted.as_slice()[cut..sorted.len() - cut];
    Ok(mean_of_ascending(kept))
}

/// How many of `n` values are cut off at each end for a share of 0 <= share < 0.5.
pub(crate) fn cut_each_side(n: usize, share_each_side: f64) -> Result<usize, StatsError> {
    if !(0.0..0.5).contains(&share_each_side) {
        return Err(StatsError::BadArgument(
            "the share trimmed at each side must be at least 0 and below 0.5",
        ));
    }
    // Rounding can lift share x n to n/2 for shares a hair below a half.
    Ok(((share_each_side * n as f64) as usize).min((n - 1) / 2))
}

/// The mean of an ascending slice, as its middle plus the mean deviation from it: exact where
/// all are equal, and without overflow where the deviations have none.
pub(crate) fn mean_of_ascending(values: &[f64]) -> f64 {
    let centre = values[values.len() / 2];
    let sum: f64 = values
        .chunks(128)
        .map(|chunk| chunk.iter().map(|v| v - centre).sum::<f64>())
        .sum();
    centre + sum / values.len() as f64
}
