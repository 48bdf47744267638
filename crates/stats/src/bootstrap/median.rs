//! Exact bootstrap of the median (Hutson & Ernst 2000, Journal of the Royal Statistical Society
//! B 62:89-94).
//!
//! Of a resample, N_i values are at most the i-th smallest, and N_i is binomial (n, i/n). For an
//! odd n = 2m - 1 the median is the m-th smallest of the resample; it is the i-th of the data
//! with probability P(N_i >= m) - P(N_(i-1) >= m), a difference of incomplete beta functions.
//! For an even n = 2m the median averages the m-th and the next. They are different data i < j
//! just when exactly m values are at most the i-th, one of them is the i-th, and the least of
//! the other m, all drawn from above i, is the j-th: so the mean product needs, for each i, the
//! mean of the least of m draws from the data above i, which follows by a recursion downwards.

use super::ExactBootstrap;
use crate::Sorted;
use crate::special::{beta_regularized, binomial_pmf};

/// Data farther than this many roots of n from the middle never become the median: their
/// probability is below exp(-2 x 6^2) = 5e-32.
const REACH: f64 = 6.0;
/// From this size on the beta density is smooth enough within one datum's share of it for
/// Gauss's quadrature with five points to have full accuracy.
const SMOOTH_FROM: usize = 400;

/// Exact bootstrap mean and standard error of the median. Its time grows as the root of n.
///
/// ```
/// let sorted = stats::Sorted::new(vec![0.0, 0.0, 3.0])?;
/// let exact = stats::bootstrap::exact_median(&sorted);
/// // 7 of the 27 resamples have at least two threes.
/// assert!((exact.mean - 3.0 * 7.0 / 27.0).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn exact_median(sorted: &Sorted) -> ExactBootstrap {
    let values = sorted.as_slice();
    let n = values.len();
    let reach = (REACH * (n as f64).sqrt()).ceil() as usize;
    let first = (n / 2).saturating_sub(reach);
    let last = (n / 2 + reach).min(n - 1);
    let window = &values[first..=last];
    let centre = crate::order::median(sorted);
    let d = |i: usize| values[i] - centre;
    let lower_rank = n.div_ceil(2);
    let weights = weights(n, lower_rank, first, window.len());
    let (mut mean, mut square) = (0.0, 0.0);
    for (k, w) in weights.iter().enumerate() {
        let v = d(first + k);
        mean += w * v;
        square += w * v * v;
    }
    if n.is_multiple_of(2) {
        // The weights of the next order statistic mirror those of the lower.
        let (mut upper_mean, mut upper_square) = (0.0, 0.0);
        for (k, w) in weights.iter().enumerate() {
            let mirrored = n - 1 - (first + k);
            if mirrored >= first && mirrored <= last {
                let v = d(mirrored);
                upper_mean += w * v;
                upper_square += w * v * v;
            }
        }
        let product = mean_product(n, first, &weights, d);
        square = 0.25 * (square + upper_square + 2.0 * product);
        mean = 0.5 * (mean + upper_mean);
    }
    ExactBootstrap {
        mean: centre + mean,
        standard_error: (square - mean * mean).max(0.0).sqrt(),
    }
}

/// Probabilities that the resample's order statistic `rank` (from 1) is the datum `first`,
/// `first` + 1... (from 0).
fn weights(n: usize, rank: usize, first: usize, count: usize) -> Vec<f64> {
    let (a, b) = (rank as f64, (n + 1 - rank) as f64);
    let nf = n as f64;
    let mut weights = Vec::with_capacity(count);
    if n < SMOOTH_FROM {
        let mut before = beta_at(a, b, first as f64 / nf);
        for k in 1..=count {
            let now = beta_at(a, b, (first + k) as f64 / nf);
            weights.push(now - before);
            before = now;
        }
    } else {
        // Logarithm of the beta density up to a constant, from its value at 1/2.
        let density = |u: f64| {
            let v = 2.0 * u - 1.0;
            libm::exp((a - 1.0) * libm::log1p(v) + (b - 1.0) * libm::log1p(-v))
        };
        // Nodes and weights of Gauss-Legendre quadrature with five points (Abramowitz & Stegun,
        // table 25.4), of which the integrals are normalized below.
        const NODES: [(f64, f64); 5] = [
            (-0.906_179_845_938_664, 0.236_926_885_056_189_08),
            (-0.538_469_310_105_683, 0.478_628_670_499_366_47),
            (0.0, 0.568_888_888_888_888_9),
            (0.538_469_310_105_683, 0.478_628_670_499_366_47),
            (0.906_179_845_938_664, 0.236_926_885_056_189_08),
        ];
        for k in 0..count {
            let middle = (first + k) as f64 + 0.5;
            let at = |node: f64| ((middle + 0.5 * node) / nf).clamp(0.0, 1.0);
            weights.push(NODES.iter().map(|&(node, w)| w * density(at(node))).sum());
        }
    }
    let total: f64 = weights.iter().sum();
    for w in &mut weights {
        *w /= total;
    }
    weights
}

fn beta_at(a: f64, b: f64, x: f64) -> f64 {
    beta_regularized(a, b, x.clamp(0.0, 1.0))
}

/// Mean of the product of the two middle order statistics of a resample of even size.
fn mean_product(n: usize, first: usize, weights: &[f64], d: impl Fn(usize) -> f64) -> f64 {
    let m = (n / 2) as f64;
    let mut product = 0.0;
    // Mean of the least of m draws from the data above i, from the last i of the window down.
    let last = first + weights.len() - 1;
    let mut least_above = if last + 1 < n { d(last + 1) } else { 0.0 };
    for i in (first..=last).rev() {
        let above = (n - 1 - i) as f64;
        if i < last {
            // The least is the next datum unless all m draws are above that too.
            let all_beyond = if above > 1.0 {
                libm::exp(m * libm::log1p(-1.0 / above))
            } else {
                0.0
            };
            least_above = (1.0 - all_beyond) * d(i + 1) + all_beyond * least_above;
        }
        let apart = if above > 0.0 {
            let rank = (i + 1) as f64;
            let hit = if i == 0 {
                1.0
            } else {
                -libm::expm1(m * libm::log1p(-1.0 / rank))
            };
            binomial_pmf(m as u64, n as u64, rank / n as f64) * hit
        } else {
            0.0
        };
        let together = weights[i - first] - apart;
        product += together * d(i) * d(i) + apart * d(i) * least_above;
    }
    product
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::order::median_of_ascending;
    use crate::random::Random;

    #[test]
    fn it_equals_the_enumeration_of_all_resamples() {
        let values = [-3.0, 0.5, 0.5, 2.0, 7.5, 100.0];
        for n in 1..=6 {
            let exact = exact_median(&Sorted::new(values[6 - n..].to_vec()).unwrap());
            let (mean, sd) = super::super::enumerate(&values[6 - n..], median_of_ascending);
            assert!((exact.mean - mean).abs() <= 1e-12 * mean.abs(), "n = {n}");
            assert!((exact.standard_error - sd).abs() <= 1e-12 * sd, "n = {n}");
        }
    }

    /// The weights by quadrature against those by incomplete beta functions, whose rounding
    /// errors are about 1e-13 each.
    #[test]
    fn quadrature_gives_the_weights_of_the_incomplete_beta_function() {
        for n in [SMOOTH_FROM, SMOOTH_FROM + 1, 5001] {
            let rank = n.div_ceil(2);
            let found = weights(n, rank, 0, n);
            let (a, b) = (rank as f64, (n + 1 - rank) as f64);
            for (i, w) in found.iter().enumerate() {
                let at = |i: usize| beta_at(a, b, i as f64 / n as f64);
                assert!((w - (at(i + 1) - at(i))).abs() < 3e-13, "{n} {i}");
            }
        }
    }

    /// 5,000 resamples give a standard error good to 1 %; four of those are allowed.
    #[test]
    fn resampling_comes_to_the_same() {
        let mut random = Random::new(7);
        for n in [100, 401] {
            let values: Vec<f64> = (0..n).map(|_| random.exponential()).collect();
            let sorted = Sorted::new(values).unwrap();
            let exact = exact_median(&sorted);
            let count = 5000;
            let (mut sum, mut square) = (0.0, 0.0);
            for _ in 0..count {
                let mut places: Vec<u64> = (0..n).map(|_| random.below(n)).collect();
                places.sort_unstable();
                let at = |k: u64| sorted.as_slice()[places[k as usize] as usize];
                let v = 0.5 * (at((n - 1) / 2) + at(n / 2)) - exact.mean;
                sum += v;
                square += v * v;
            }
            let (mean, sd) = (sum / f64::from(count), (square / f64::from(count)).sqrt());
            assert!(mean.abs() < 4.0 * sd / f64::from(count).sqrt());
            assert!((sd / exact.standard_error - 1.0).abs() < 0.04);
        }
    }
}
