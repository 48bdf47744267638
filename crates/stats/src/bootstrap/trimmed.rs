//! Exact bootstrap of the trimmed mean, an L-estimator (Hutson & Ernst 2000, Journal of the Royal
//! Statistical Society B 62:89-94).
//!
//! With N_i the number of resampled values that are at most the i-th smallest of the data, x_i,
//! and g values cut at each side, the trimmed mean of a resample is
//! x_n - sum over i < n of (x_(i+1) - x_i) h(N_i), h(N) = clamp(N - g, 0, n - 2g) / (n - 2g).
//! The N_i are a Markov chain: N_(i+1) adds a binomial (n - N_i, 1/(n - i)). So P(N_i = N) and
//! the mean, within N_i = N, of the sum up to i - 1 are carried from i to i + 1; mean and second
//! moment of the whole sum add up on the way. At each i only the N within ten standard
//! deviations of i matter.

use super::ExactBootstrap;
use crate::robust::{cut_each_side, mean_of_ascending};
use crate::{Sorted, StatsError};

/// The largest sample of which the trimmed mean is bootstrapped exactly: the time grows as its
/// power 3/2, to less than 10 ms here. Above it the standard error is that of leading order.
pub const LARGEST_EXACT_TRIMMED: usize = 500;
/// Standard deviations of N_i within which it is followed: outside is less than 1e-20.
const REACH: f64 = 10.0;
/// A step of the chain is followed until its probability falls below this.
const LEAST_STEP: f64 = 1e-20;

/// Exact bootstrap mean and standard error of the trimmed mean with `share_each_side` (0 to
/// below 0.5, rounded down to whole values) cut off at each end.
///
/// Above [`LARGEST_EXACT_TRIMMED`] values the mean is the trimmed mean itself and the standard
/// error that of leading order, from the winsorised variance (Tukey & McLaughlin 1963, Sankhya A
/// 25:331-352) with divisor n: they differ from the exact ones by some 5/n.
/// With nothing cut, the result is exact for every size.
///
/// # Errors
/// [`StatsError::BadArgument`] unless 0 <= share < 0.5.
///
/// ```
/// let sorted = stats::Sorted::new(vec![1.0, 2.0, 3.0, 4.0, 100.0])?;
/// let exact = stats::bootstrap::exact_trimmed_mean(&sorted, 0.2)?;
/// assert!(exact.mean > 3.0 && exact.mean < 22.0);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn exact_trimmed_mean(
    sorted: &Sorted,
    share_each_side: f64,
) -> Result<ExactBootstrap, StatsError> {
    let values = sorted.as_slice();
    let cut = cut_each_side(values.len(), share_each_side)?;
    if cut == 0 || values.len() > LARGEST_EXACT_TRIMMED {
        return Ok(leading_order(values, cut));
    }
    Ok(by_chain(values, cut))
}

/// Trimmed mean and winsorised standard error; exact for a plain mean.
fn leading_order(values: &[f64], cut: usize) -> ExactBootstrap {
    let n = values.len();
    let kept = &values[cut..n - cut];
    let centre = mean_of_ascending(kept);
    let ends = [kept[0], kept[kept.len() - 1]].map(|v| v - centre);
    let cut_f = cut as f64;
    let inner: f64 = kept
        .chunks(128)
        .map(|chunk| {
            chunk
                .iter()
                .map(|v| (v - centre) * (v - centre))
                .sum::<f64>()
        })
        .sum();
    let square = inner + cut_f * (ends[0] * ends[0] + ends[1] * ends[1]);
    let nf = n as f64;
    let shift = cut_f * (ends[0] + ends[1]) / nf;
    let variance = (square / nf - shift * shift).max(0.0);
    ExactBootstrap {
        mean: centre,
        standard_error: (variance * nf).sqrt() / kept.len() as f64,
    }
}

fn by_chain(values: &[f64], cut: usize) -> ExactBootstrap {
    let n = values.len();
    let nf = n as f64;
    let kept = (n - 2 * cut) as f64;
    let h = |count: usize| (count.saturating_sub(cut) as f64 / kept).min(1.0);
    let inverse: Vec<f64> = (0..=n + 1).map(|k| 1.0 / (k as f64).max(1.0)).collect();
    // The counts followed at step i; all that are possible where the spread is small.
    let window = |i: usize| {
        let share = i as f64 / nf;
        let reach = REACH * (nf * share * (1.0 - share)).sqrt() + REACH;
        let low = (i as f64 - reach).floor().max(0.0) as usize;
        let high = ((i as f64 + reach).ceil() as usize).min(n);
        (low, high)
    };
    // Sums are taken about a centre so that they don't cancel: the sum of (x_(i+1) - x_i)
    // (h(N_i) - step(i)) is x_trimmed's distance from the centre with opposite sign.
    let centre = values[n / 2];
    let step = |i: usize| if i <= n / 2 { 0.0 } else { 1.0 };
    // P(N_i = N) and E[sum so far; N_i = N], N from `low` on. Before the first datum N is 0.
    let mut low = 0;
    let mut chance = vec![1.0];
    let mut so_far = vec![0.0];
    let (mut next_chance, mut next_so_far) = (Vec::new(), Vec::new());
    let (mut mean, mut square) = (0.0, 0.0);
    for i in 1..n {
        let (next_low, next_high) = window(i);
        next_chance.clear();
        next_chance.resize(next_high + 1 - next_low, 0.0);
        next_so_far.clear();
        next_so_far.resize(next_high + 1 - next_low, 0.0);
        // Each value not yet counted is the i-th with this chance.
        let p = 1.0 / (n - (i - 1)) as f64;
        let odds = p / (1.0 - p);
        for (k, (&c, &s)) in chance.iter().zip(&so_far).enumerate() {
            if c < LEAST_STEP {
                continue;
            }
            let count = low + k;
            let left = n - count;
            let mut step_chance = libm::exp(left as f64 * libm::log1p(-p));
            let mode = left as f64 * p;
            for add in 0..=left {
                let to = count + add;
                if to > next_high {
                    break;
                }
                if to >= next_low {
                    next_chance[to - next_low] += c * step_chance;
                    next_so_far[to - next_low] += s * step_chance;
                }
                if step_chance < LEAST_STEP && add as f64 > mode {
                    break;
                }
                step_chance *= odds * (left - add) as f64 * inverse[add + 1];
            }
        }
        std::mem::swap(&mut chance, &mut next_chance);
        std::mem::swap(&mut so_far, &mut next_so_far);
        low = next_low;
        let gap = values[i] - values[i - 1];
        let offset = step(i);
        for (k, (c, s)) in chance.iter().zip(&mut so_far).enumerate() {
            let term = gap * (h(low + k) - offset);
            mean += c * term;
            square += term * (2.0 * *s + c * term);
            *s += c * term;
        }
    }
    ExactBootstrap {
        mean: centre - mean,
        standard_error: (square - mean * mean).max(0.0).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;
    use crate::robust::trimmed_mean;

    #[test]
    fn it_equals_the_enumeration_of_all_resamples() {
        let values = [-3.0, 0.5, 0.5, 2.0, 7.5, 100.0];
        for n in 1..=6 {
            for share in [0.0, 0.1, 0.2, 0.34, 0.4, 0.49] {
                let sample = Sorted::new(values[6 - n..].to_vec()).unwrap();
                let exact = exact_trimmed_mean(&sample, share).unwrap();
                let (mean, sd) = super::super::enumerate(sample.as_slice(), |resample| {
                    trimmed_mean(&Sorted::new(resample.to_vec()).unwrap(), share).unwrap()
                });
                assert!((exact.mean - mean).abs() < 1e-11, "n = {n}, {share}");
                assert!(
                    (exact.standard_error - sd).abs() <= 1e-11 * sd,
                    "n = {n}, {share}"
                );
            }
        }
    }

    /// For an odd size the median is the trimmed mean with all but the middle cut off, and its
    /// exact bootstrap comes by another way.
    #[test]
    fn the_most_trimmed_mean_is_the_median() {
        let mut random = Random::new(3);
        let values: Vec<f64> = (0..301).map(|_| random.exponential()).collect();
        let sorted = Sorted::new(values).unwrap();
        let trimmed = exact_trimmed_mean(&sorted, 0.4999).unwrap();
        let median = crate::bootstrap::exact_median(&sorted);
        assert!((trimmed.mean - median.mean).abs() < 1e-12);
        assert!((trimmed.standard_error / median.standard_error - 1.0).abs() < 1e-10);
    }

    /// The leading order is off by a few parts in n: 12/n is allowed for, 2.4 % at the bound. The
    /// bootstrap's bias is of order 1/n, so against the standard error of order 1/sqrt(n).
    #[test]
    fn leading_order_joins_the_exact_at_the_bound() {
        let mut random = Random::new(4);
        let n = LARGEST_EXACT_TRIMMED;
        let values: Vec<f64> = (0..n).map(|_| random.exponential()).collect();
        let sorted = Sorted::new(values).unwrap();
        for cut in [n / 20, n / 10, n / 4] {
            let exact = by_chain(sorted.as_slice(), cut);
            let leading = leading_order(sorted.as_slice(), cut);
            let ratio = leading.standard_error / exact.standard_error;
            assert!((ratio - 1.0).abs() < 12.0 / n as f64, "{cut}: {ratio}");
            assert!(
                (leading.mean - exact.mean).abs() < 0.7 / (n as f64).sqrt() * exact.standard_error
            );
        }
    }
}
