//! Moments of a sample: mean, variance, skewness, kurtosis and lag-1 autocorrelation.
//!
//! Two passes: the first finds the mean, the second sums the powers of the deviations from it
//! together with their first power, which corrects for the rounding of the mean (Chan, Golub &
//! LeVeque 1983, The American Statistician 37:242-247). Sums run in blocks, and the blocks' sums are
//! added with their rounding errors kept, so that the error doesn't grow with the number of values.

use crate::{StatsError, check};

/// Moments of a sample, in powers of the unit of the data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// How many values there are.
    pub n: usize,
    /// The mean.
    pub mean: f64,
    /// The variance, with divisor n - 1.
    pub variance: f64,
    /// The standard deviation, root of `variance`.
    pub sd: f64,
    /// Bias-corrected skewness G1: None below 3 values or where all are equal.
    pub skewness: Option<f64>,
    /// Bias-corrected excess kurtosis G2: None below 4 values or where all are equal.
    pub kurtosis: Option<f64>,
}

/// Mean, variance, skewness G1 and excess kurtosis G2 of `values`.
///
/// G1 and G2 are those of Joanes & Gill (1998, The Statistician 47:183-189): unbiased for a
/// normal distribution.
///
/// Accuracy on the NIST reference data: all 15 digits of the certified mean; of the standard
/// deviation at least 13, but for NumAcc3 (9) and NumAcc4 (8), whose decimals lose the rest
/// when they are stored as doubles, before any arithmetic.
///
/// # Errors
/// [`StatsError::TooFew`] below 2 values, [`StatsError::NotFinite`].
///
/// ```
/// let m = stats::moments::moments(&[1.0, 2.0, 3.0, 6.0])?;
/// assert_eq!(m.mean, 3.0);
/// assert!((m.variance - 14.0 / 3.0).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn moments(values: &[f64]) -> Result<Moments, StatsError> {
    check(values, 2)?;
    let n = values.len();
    let nf = n as f64;
    let (low, high) = range(values);
    if low == high {
        return Ok(Moments {
            n,
            mean: low,
            variance: 0.0,
            sd: 0.0,
            skewness: None,
            kurtosis: None,
        });
    }
    let scale = scale_of(low, high);
    let down = 1.0 / scale;
    let [rough, ..] = block_sums(values, |v| [v * down, 0.0, 0.0, 0.0]);
    let rough = rough / nf;
    let sums = block_sums(values, |v| {
        let d = v * down - rough;
        let square = d * d;
        [d, square, square * d, square * square]
    });
    let [m1, m2, m3, m4] = sums.map(|sum| sum / nf);
    // Moments about the mean from those about `rough`, which is m1 too low.
    let square = m1 * m1;
    let c2 = m2 - square;
    let c3 = m3 - m1 * (3.0 * m2 - 2.0 * square);
    let c4 = m4 - m1 * (4.0 * m3 - m1 * (6.0 * m2 - 3.0 * square));
    let variance = c2 * (nf / (nf - 1.0));
    let sd = variance.sqrt();
    let skewness =
        (n >= 3 && c2 > 0.0).then(|| (nf * (nf - 1.0)).sqrt() / (nf - 2.0) * (c3 / c2) / c2.sqrt());
    let kurtosis = (n >= 4 && c2 > 0.0).then(|| {
        let excess = c4 / c2 / c2 - 3.0;
        (nf - 1.0) / ((nf - 2.0) * (nf - 3.0)) * ((nf + 1.0) * excess + 6.0)
    });
    Ok(Moments {
        n,
        mean: (rough + m1) * scale,
        variance: variance * scale * scale,
        sd: sd * scale,
        skewness,
        kurtosis,
    })
}

/// Lag-1 autocorrelation as NIST defines it: the sum of (y_i - mean)(y_(i+1) - mean) over the
/// sum of squared deviations.
///
/// # Errors
/// [`StatsError::TooFew`] below 2 values, [`StatsError::NotFinite`],
/// [`StatsError::Degenerate`] where all values are equal.
///
/// ```
/// let r = stats::moments::lag1_autocorrelation(&[1.0, -1.0, 1.0, -1.0])?;
/// assert_eq!(r, -0.75);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn lag1_autocorrelation(values: &[f64]) -> Result<f64, StatsError> {
    check(values, 2)?;
    let n = values.len();
    let nf = n as f64;
    let (low, high) = range(values);
    if low == high {
        return Err(StatsError::Degenerate(
            "the autocorrelation of equal values is undefined",
        ));
    }
    let down = 1.0 / scale_of(low, high);
    let [rough, ..] = block_sums(values, |v| [v * down, 0.0, 0.0, 0.0]);
    let rough = rough / nf;
    let deviation = |i: usize| values[i] * down - rough;
    let [sum, squares, ..] = block_sums(values, |v| {
        let d = v * down - rough;
        [d, d * d, 0.0, 0.0]
    });
    let mut products = Sum::default();
    let mut before = deviation(0);
    for i in 1..n {
        let now = deviation(i);
        products.add(before * now);
        before = now;
    }
    // With e = sum/n what `rough` is too low by:
    // sum (d_i - e)(d_(i+1) - e) = products - e (2 sum - d_1 - d_n) + (n-1) e^2.
    let e = sum / nf;
    let upper = products.value() - e * (2.0 * sum - deviation(0) - before) + (nf - 1.0) * e * e;
    let lower = squares - sum * e;
    Ok(upper / lower)
}

/// Least and greatest value.
fn range(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &v| {
            (
                if v < low { v } else { low },
                if v > high { v } else { high },
            )
        })
}

/// The power of two at the larger of the two sizes, so that fourth powers neither overflow nor
/// vanish; kept to where its inverse is a normal number.
fn scale_of(low: f64, high: f64) -> f64 {
    let largest = low.abs().max(high.abs());
    let exponent = (largest.to_bits() >> 52).clamp(1, 2045);
    f64::from_bits(exponent << 52)
}

/// A sum that keeps its rounding errors (Neumaier 1974).
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    high: f64,
    rest: f64,
}

impl Sum {
    fn add(&mut self, value: f64) {
        let sum = self.high + value;
        self.rest += if self.high.abs() >= value.abs() {
            (self.high - sum) + value
        } else {
            (value - sum) + self.high
        };
        self.high = sum;
    }

    fn value(self) -> f64 {
        self.high + self.rest
    }
}

/// Sums of four terms of each value: plainly within blocks of 64 values in four lanes, with
/// rounding errors kept between blocks.
fn block_sums(values: &[f64], terms: impl Fn(f64) -> [f64; 4]) -> [f64; 4] {
    const LANES: usize = 4;
    let mut totals = [Sum::default(); 4];
    for block in values.chunks(64) {
        let mut lanes = [[0.0; 4]; LANES];
        let mut quads = block.chunks_exact(LANES);
        for quad in &mut quads {
            for (lane, &v) in lanes.iter_mut().zip(quad) {
                let t = terms(v);
                for k in 0..4 {
                    lane[k] += t[k];
                }
            }
        }
        for &v in quads.remainder() {
            let t = terms(v);
            for k in 0..4 {
                lanes[0][k] += t[k];
            }
        }
        for (k, total) in totals.iter_mut().enumerate() {
            total.add((lanes[0][k] + lanes[1][k]) + (lanes[2][k] + lanes[3][k]));
        }
    }
    totals.map(Sum::value)
}
