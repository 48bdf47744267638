//! Order statistics: sorted values, quantiles, and intervals for quantiles that hold whatever
//! the distribution.

use crate::special::{binomial_cdf, binomial_quantile};
use crate::{Interval, StatsError, check};

/// Finite values in ascending order; at least one.
#[derive(Debug, Clone, PartialEq)]
pub struct Sorted(Vec<f64>);

impl Sorted {
    /// Sorts `values`. A negative zero becomes a positive one, so that equal values have equal
    /// bits.
    ///
    /// # Errors
    /// [`StatsError::TooFew`] of no value, [`StatsError::NotFinite`] of a NaN or an infinity.
    ///
    /// ```
    /// let sorted = stats::Sorted::new(vec![3.0, 1.0, 2.0])?;
    /// assert_eq!(sorted.as_slice(), [1.0, 2.0, 3.0]);
    /// # Ok::<(), stats::StatsError>(())
    /// ```
    pub fn new(values: Vec<f64>) -> Result<Self, StatsError> {
        check(&values, 1)?;
        Ok(Self(sort(values)))
    }

    /// The values in ascending order.
    pub fn as_slice(&self) -> &[f64] {
        &self.0
    }

    /// How many values there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there is no value: never, it is here for the custom of having it beside `len`.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The least value.
    pub fn min(&self) -> f64 {
        self.0[0]
    }

    /// The greatest value.
    pub fn max(&self) -> f64 {
        self.0[self.0.len() - 1]
    }
}

/// Sorts finite values as integers of the same order, which is about twice as fast as
/// comparing floating-point numbers.
pub(crate) fn sort(values: Vec<f64>) -> Vec<f64> {
    const SIGN: u64 = 1 << 63;
    let mut keys: Vec<u64> = values
        .into_iter()
        .map(|v| {
            let bits = (v + 0.0).to_bits();
            if bits & SIGN == 0 { bits | SIGN } else { !bits }
        })
        .collect();
    keys.sort_unstable();
    keys.into_iter()
        .map(|key| f64::from_bits(if key & SIGN == 0 { !key } else { key & !SIGN }))
        .collect()
}

/// An interval whose ends are two of the values, and what it promises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderInterval {
    /// The interval, in the unit of the data.
    pub interval: Interval,
    /// Probability that it covers the quantile of a continuous distribution: at least the
    /// confidence that was asked for.
    pub coverage: f64,
}

/// Quantile of order `p` (clamped to 0..=1), of type 8 of Hyndman & Fan (1996, The American
/// Statistician 50:361-365): about median-unbiased whatever the distribution. NaN for a NaN.
///
/// ```
/// let sorted = stats::Sorted::new(vec![1.0, 2.0, 3.0, 4.0])?;
/// let q = stats::order::quantile(&sorted, 0.25);
/// assert!((q - (1.0 + 5.0 / 12.0)).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn quantile(sorted: &Sorted, p: f64) -> f64 {
    if p.is_nan() {
        return p;
    }
    let values = sorted.as_slice();
    let n = values.len();
    let p = p.clamp(0.0, 1.0);
    let position = n as f64 * p + (p + 1.0) / 3.0;
    let whole = position.floor();
    if whole < 1.0 {
        return values[0];
    }
    if whole >= n as f64 {
        return values[n - 1];
    }
    let below = whole as usize - 1;
    let part = position - whole;
    values[below] * (1.0 - part) + values[below + 1] * part
}

/// The median: the middle value, or the mean of the middle two.
///
/// ```
/// let sorted = stats::Sorted::new(vec![4.0, 1.0, 2.0, 3.0])?;
/// assert_eq!(stats::order::median(&sorted), 2.5);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn median(sorted: &Sorted) -> f64 {
    median_of_ascending(sorted.as_slice())
}

/// The median of an ascending slice of at least one value.
pub(crate) fn median_of_ascending(values: &[f64]) -> f64 {
    let n = values.len();
    midpoint(values[(n - 1) / 2], values[n / 2])
}

/// The mean of two values, without overflow.
pub(crate) fn midpoint(a: f64, b: f64) -> f64 {
    let sum = a + b;
    if sum.is_finite() {
        0.5 * sum
    } else {
        0.5 * a + 0.5 * b
    }
}

/// Interval for the median that holds whatever the distribution: its ends are the order
/// statistics l and n + 1 - l, with the largest l that leaves at most (1 - confidence)/2 of the
/// binomial distribution (n, 1/2) on each side (David & Nagaraja 2003, Order Statistics,
/// section 7.1).
///
/// None when there are too few values to reach `confidence`, or it isn't within 0..1.
///
/// ```
/// let sorted = stats::Sorted::new((1..=10).map(f64::from).collect())?;
/// let found = stats::order::median_interval(&sorted, 0.95).unwrap();
/// assert_eq!((found.interval.low, found.interval.high), (2.0, 9.0));
/// assert!((found.coverage - 1002.0 / 1024.0).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn median_interval(sorted: &Sorted, confidence: f64) -> Option<OrderInterval> {
    quantile_interval(sorted, 0.5, confidence)
}

/// Interval for the quantile of order `p` that holds whatever the distribution, from two order
/// statistics with at most (1 - confidence)/2 of the binomial distribution (n, p) outside on
/// each side; see [`median_interval`].
///
/// None when there are too few values to reach `confidence`, or either argument isn't within
/// 0..1.
///
/// ```
/// let sorted = stats::Sorted::new((1..=100).map(f64::from).collect())?;
/// let found = stats::order::quantile_interval(&sorted, 0.9, 0.95).unwrap();
/// assert_eq!((found.interval.low, found.interval.high), (84.0, 96.0));
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn quantile_interval(sorted: &Sorted, p: f64, confidence: f64) -> Option<OrderInterval> {
    let inside = |x: f64| x > 0.0 && x < 1.0;
    if !inside(p) || !inside(confidence) {
        return None;
    }
    let values = sorted.as_slice();
    let n = values.len() as u64;
    let side = 0.5 * (1.0 - confidence);
    // The count below the quantile is binomial(n, p). Order statistic l (from 1) lies above it
    // when the count is at most l - 1.
    let least = binomial_quantile(side, n, p)?;
    // binomial_quantile gives the least k with cdf(k) >= side; where the two are equal, cdf(k)
    // may still be left out on this side.
    let low = if binomial_cdf(least, n, p) <= side {
        least + 1
    } else {
        least
    };
    // Upper order statistic u: P(count >= u) <= side, that is, P(n - count <= n - u) <= side.
    let least = binomial_quantile(side, n, 1.0 - p)?;
    let rest = if binomial_cdf(least, n, 1.0 - p) <= side {
        least + 1
    } else {
        least
    };
    if low == 0 || rest == 0 {
        return None;
    }
    let high = n + 1 - rest;
    if low >= high {
        return None;
    }
    let coverage = 1.0 - binomial_cdf(low - 1, n, p) - binomial_cdf(rest - 1, n, 1.0 - p);
    Some(OrderInterval {
        interval: Interval {
            low: values[low as usize - 1],
            high: values[high as usize - 1],
        },
        coverage,
    })
}
