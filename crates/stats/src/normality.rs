//! Tests of normality with unknown mean and standard deviation: Anderson-Darling and
//! Shapiro-Wilk.
//!
//! Sources: D'Agostino & Stephens (eds.) 1986, Goodness-of-Fit Techniques, table 4.9 (the
//! small-sample factor and the p-value of A²); Royston 1995, Applied Statistics 44:547-551,
//! algorithm AS R94 (the coefficients and the p-value of W).

use crate::family::erfcx::erfcx;
use crate::family::sums::chunked_sum;
use crate::special::{normal_quantile, normal_sf};
use crate::{Sorted, StatsError, TestResult, check};

/// Royston's approximation holds up to this many values.
const SHAPIRO_WILK_MOST: usize = 5_000;

/// The Anderson-Darling test of normality, mean and standard deviation estimated from the data.
///
/// `statistic` is A² itself; the p-value is that of A² (1 + 0.75/n + 2.25/n²), by the
/// piecewise formula of D'Agostino & Stephens 1986, table 4.9. Above 13, where the formula
/// is below 5e-31, the p-value is given as 0.
///
/// # Errors
/// [`StatsError::TooFew`] below 8 values (the formula's lower end), [`StatsError::Degenerate`]
/// when all are equal.
///
/// ```
/// let values = (1..=40).map(|i| (i as f64 / 41.0).powi(4)).collect();
/// let test = stats::normality::anderson_darling(&stats::Sorted::new(values)?)?;
/// assert!(test.p_value < 0.001);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn anderson_darling(data: &Sorted) -> Result<TestResult, StatsError> {
    let x = data.as_slice();
    check(x, 8)?;
    let n = x.len() as f64;
    let (mean, squares) = mean_and_squares(x);
    let sd = (squares / (n - 1.0)).sqrt();
    if sd == 0.0 || !sd.is_finite() {
        return Err(StatsError::Degenerate("all values are equal"));
    }
    let sum = chunked_sum(x, |start, chunk| {
        let mut sum = 0.0;
        for (i, &value) in chunk.iter().enumerate() {
            let z = (value - mean) / sd;
            // The smaller tail by the scaled complementary error function: its logarithm is
            // finite however far out the value lies.
            let scaled = 0.5 * erfcx(z.abs() * std::f64::consts::FRAC_1_SQRT_2);
            let ln_far = scaled.ln() - 0.5 * z * z;
            // Its error of 1e-16 at most is nothing beside the sum (and `ln_1p` is slow).
            let ln_near = (1.0 - (-0.5 * z * z).exp() * scaled).ln();
            let (ln_cdf, ln_sf) = if z < 0.0 {
                (ln_far, ln_near)
            } else {
                (ln_near, ln_far)
            };
            let below = 2.0 * (start + i) as f64 + 1.0;
            sum += (below * ln_cdf + (2.0 * n - below) * ln_sf) / n + 1.0;
        }
        sum
    });
    let statistic = -sum;
    let a = statistic * (1.0 + 0.75 / n + 2.25 / (n * n));
    let p_value = if a < 0.2 {
        1.0 - libm::exp(-13.436 + 101.14 * a - 223.73 * a * a)
    } else if a < 0.34 {
        1.0 - libm::exp(-8.318 + 42.796 * a - 59.938 * a * a)
    } else if a < 0.6 {
        libm::exp(0.9177 - 4.279 * a - 1.38 * a * a)
    } else if a <= 13.0 {
        libm::exp(1.2937 - 5.709 * a + 0.0186 * a * a)
    } else {
        0.0
    };
    Ok(TestResult { statistic, p_value })
}

/// The Shapiro-Wilk test of normality, by Royston's 1995 approximation of the weights and of
/// the p-value.
///
/// # Errors
/// [`StatsError::TooFew`] below 3 values, [`StatsError::BadArgument`] above 5,000 (where the
/// approximation was not made), [`StatsError::Degenerate`] when all are equal.
///
/// ```
/// let values = vec![148.0, 154.0, 158.0, 160.0, 161.0, 162.0, 166.0, 170.0, 182.0, 195.0, 236.0];
/// let test = stats::normality::shapiro_wilk(&stats::Sorted::new(values)?)?;
/// assert!((test.statistic - 0.7888).abs() < 1e-4 && (test.p_value - 0.0067).abs() < 1e-4);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn shapiro_wilk(data: &Sorted) -> Result<TestResult, StatsError> {
    let x = data.as_slice();
    check(x, 3)?;
    if x.len() > SHAPIRO_WILK_MOST {
        return Err(StatsError::BadArgument(
            "the Shapiro-Wilk test is defined for at most 5,000 values",
        ));
    }
    let (mean, squares) = mean_and_squares(x);
    if x[0] == x[x.len() - 1] || squares == 0.0 {
        return Err(StatsError::Degenerate("all values are equal"));
    }
    let n = x.len();
    let weights = shapiro_wilk_weights(n);
    // Weights are antisymmetric: `weights[i]` belongs to the i-th value from the top, and with
    // its sign changed to the i-th from the bottom. Scaling by the root of the sum of squares
    // keeps 1 - W accurate where W is close to 1.
    let norm = squares.sqrt();
    let mut product = 0.0;
    let mut weight_squares = 0.0;
    for (i, &weight) in weights.iter().enumerate() {
        product += weight * ((x[n - 1 - i] - mean) - (x[i] - mean)) / norm;
        weight_squares += 2.0 * weight * weight;
    }
    let length = weight_squares.sqrt();
    let one_minus = ((length - product) * (length + product) / weight_squares).max(0.0);
    let statistic = 1.0 - one_minus;
    Ok(TestResult {
        statistic,
        p_value: shapiro_wilk_p(n as f64, statistic, one_minus.max(f64::MIN_POSITIVE)),
    })
}

/// Weights of the upper half of the order statistics, the greatest value's first.
fn shapiro_wilk_weights(n: usize) -> Vec<f64> {
    if n == 3 {
        return vec![std::f64::consts::FRAC_1_SQRT_2];
    }
    let size = n as f64;
    let scores: Vec<f64> = (1..=n / 2)
        .map(|i| -normal_quantile((i as f64 - 0.375) / (size + 0.25)))
        .collect();
    let squares: f64 = 2.0 * scores.iter().map(|m| m * m).sum::<f64>();
    let u = 1.0 / size.sqrt();
    let first = scores[0] / squares.sqrt()
        + polynomial(
            &[0.0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056],
            u,
        );
    let mut weights = vec![first];
    let mut rest = squares - 2.0 * scores[0] * scores[0];
    let mut share = 1.0 - 2.0 * first * first;
    if n > 5 {
        let second = scores[1] / squares.sqrt()
            + polynomial(
                &[0.0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633],
                u,
            );
        weights.push(second);
        rest -= 2.0 * scores[1] * scores[1];
        share -= 2.0 * second * second;
    }
    let scale = (share / rest).sqrt();
    let done = weights.len();
    weights.extend(scores[done..].iter().map(|m| m * scale));
    weights
}

/// Royston's p-value of W.
fn shapiro_wilk_p(n: f64, w: f64, one_minus: f64) -> f64 {
    if n == 3.0 {
        // Exact (Shapiro & Wilk 1965): W is at least 3/4.
        let p =
            6.0 / std::f64::consts::PI * (libm::asin(libm::sqrt(w)) - libm::asin(libm::sqrt(0.75)));
        return p.clamp(0.0, 1.0);
    }
    let y = libm::log(one_minus);
    if n <= 11.0 {
        let gamma = polynomial(&[-2.273, 0.459], n);
        if y >= gamma {
            return 0.0;
        }
        let mean = polynomial(&[0.544, -0.39978, 0.025054, -6.714e-4], n);
        let sd = libm::exp(polynomial(&[1.3822, -0.77857, 0.062767, -0.0020322], n));
        normal_sf((-libm::log(gamma - y) - mean) / sd)
    } else {
        let ln_n = libm::log(n);
        let mean = polynomial(&[-1.5861, -0.31082, -0.083751, 0.0038915], ln_n);
        let sd = libm::exp(polynomial(&[-0.4803, -0.082676, 0.0030302], ln_n));
        normal_sf((y - mean) / sd)
    }
}

/// The polynomial with these coefficients, the constant first.
fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Mean, and sum of squares about it. Values are taken from the middle one first, so that a
/// common offset costs no digits.
pub(crate) fn mean_and_squares(sorted: &[f64]) -> (f64, f64) {
    let n = sorted.len() as f64;
    let origin = sorted[sorted.len() / 2];
    let shift = chunked_sum(sorted, |_, chunk| {
        chunk.iter().map(|x| x - origin).sum::<f64>()
    }) / n;
    let squares = chunked_sum(sorted, |_, chunk| {
        chunk
            .iter()
            .map(|x| {
                let d = (x - origin) - shift;
                d * d
            })
            .sum::<f64>()
    });
    (origin + shift, squares)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sorted(values: &[f64]) -> Sorted {
        Sorted::new(values.to_vec()).unwrap()
    }

    #[test]
    fn a_straggler_a_thousand_deviations_out_gives_a_finite_statistic() {
        let mut values: Vec<f64> = (0..100_000).map(|i| f64::from(i % 7)).collect();
        values.push(1e6);
        let test = anderson_darling(&Sorted::new(values).unwrap()).unwrap();
        assert!(test.statistic.is_finite() && test.statistic > 13.0);
        assert_eq!(test.p_value, 0.0);
    }

    #[test]
    fn a_common_offset_changes_nothing() {
        let values: Vec<f64> = (0..50).map(|i| f64::from(i * i % 47)).collect();
        let moved: Vec<f64> = values.iter().map(|v| v + 1e9).collect();
        let (a, b) = (sorted(&values), sorted(&moved));
        let difference =
            anderson_darling(&a).unwrap().statistic - anderson_darling(&b).unwrap().statistic;
        // Whole numbers survive the offset; the mean is rounded to 1e-7.
        assert!(difference.abs() < 1e-6);
        let difference = shapiro_wilk(&a).unwrap().statistic - shapiro_wilk(&b).unwrap().statistic;
        assert!(difference.abs() < 1e-9);
    }

    #[test]
    fn sizes_outside_the_range_and_equal_values_are_errors() {
        assert_eq!(
            shapiro_wilk(&sorted(&[1.0, 2.0])),
            Err(StatsError::TooFew {
                found: 2,
                needed: 3
            })
        );
        let many = Sorted::new((0..5_001).map(f64::from).collect()).unwrap();
        assert!(matches!(
            shapiro_wilk(&many),
            Err(StatsError::BadArgument(_))
        ));
        for test in [anderson_darling, shapiro_wilk] {
            assert!(matches!(
                test(&sorted(&[4.2; 20])),
                Err(StatsError::Degenerate(_))
            ));
        }
        assert!(anderson_darling(&sorted(&[1.0; 7])).is_err());
    }
}
