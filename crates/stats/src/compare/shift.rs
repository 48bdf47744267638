//! Two samples: by how much and how often one lies above the other.

use crate::order::midpoint;
use crate::robust::pairs::Pairs;
use crate::special::{normal_quantile, normal_sf};
use crate::{Interval, Sorted, StatsError};

/// The Mann-Whitney p-value is exact up to this size of the smaller sample, without ties.
const EXACT_UP_TO: usize = 8;
/// And up to this product of the two sizes: counts then fit in 128 bits.
const EXACT_PRODUCT: usize = 20_000;

/// The Hodges-Lehmann shift of y relative to x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Median of all differences y - x, in the unit of the data.
    pub shift: f64,
    /// Interval for it.
    pub interval: Interval,
}

/// The Mann-Whitney test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannWhitney {
    /// Pairs with x above y, ties counting half.
    pub u: f64,
    /// Two-sided p-value.
    pub p_value: f64,
}

/// Cliff's delta of y relative to x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CliffsDelta {
    /// Share of pairs with y above x less share of pairs with y below x: from -1 to 1.
    pub delta: f64,
    /// Interval for it.
    pub interval: Interval,
}

/// Shift of `y` relative to `x` (Hodges & Lehmann 1963), with an interval of `confidence`
/// (0..1) that inverts the Mann-Whitney test in its normal approximation with ties (Hollander,
/// Wolfe & Chicken 2014, Nonparametric Statistical Methods, section 4.3): the differences of orders C
/// and mn + 1 - C, with C = mn/2 - z sigma rounded down, at least 1. With very few values the
/// interval is the whole range of the differences, whatever the confidence.
///
/// # Errors
/// [`StatsError::TooFew`] of an empty sample, [`StatsError::NotFinite`],
/// [`StatsError::BadArgument`] of a confidence outside 0..1.
///
/// ```
/// let x = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
/// let y = [11.0, 12.0, 13.0, 14.0, 15.0, 16.0];
/// let shift = stats::compare::hodges_lehmann(&x, &y, 0.95)?;
/// assert_eq!(shift.shift, 10.0);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn hodges_lehmann(x: &[f64], y: &[f64], confidence: f64) -> Result<Shift, StatsError> {
    let z = z_of(confidence)?;
    let x = Sorted::new(x.to_vec())?;
    let y = Sorted::new(y.to_vec())?;
    let pairs = Pairs::between(x.as_slice(), y.as_slice());
    let n = pairs.count();
    let variance = Ranking::new(&x, &y).variance();
    let low = (0.5 * n as f64 - z * variance.sqrt()).floor().max(1.0) as u64;
    let low = low.min(n.div_ceil(2));
    let orders = [low, n.div_ceil(2), n / 2 + 1, n + 1 - low];
    let found = pairs.select(&orders);
    Ok(Shift {
        shift: midpoint(found[1], found[2]),
        interval: Interval {
            low: found[0],
            high: found[3],
        },
    })
}

/// Two-sided Mann-Whitney test (Mann & Whitney 1947): exact where the smaller sample has at most
/// 8 values, the product of the sizes is at most 20,000 and no two values are equal; else by the
/// normal approximation with ties and a continuity correction of 1/2.
///
/// # Errors
/// [`StatsError::TooFew`] of an empty sample, [`StatsError::NotFinite`],
/// [`StatsError::Degenerate`] where all values are equal.
///
/// ```
/// let test = stats::compare::mann_whitney(&[1.0, 2.0, 3.0], &[4.0, 5.0, 6.0])?;
/// assert_eq!(test.u, 0.0);
/// assert!((test.p_value - 0.1).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn mann_whitney(x: &[f64], y: &[f64]) -> Result<MannWhitney, StatsError> {
    let x = Sorted::new(x.to_vec())?;
    let y = Sorted::new(y.to_vec())?;
    let (m, n) = (x.len(), y.len());
    let ranking = Ranking::new(&x, &y);
    let twice_u = 2 * ranking.x_above + ranking.equal;
    let u = 0.5 * twice_u as f64;
    let pairs = m as f64 * n as f64;
    let larger = u.max(pairs - u);
    if !ranking.has_ties && m.min(n) <= EXACT_UP_TO && m.saturating_mul(n) <= EXACT_PRODUCT {
        let tail = exact_tail(m, n, (pairs - larger) as usize);
        return Ok(MannWhitney {
            u,
            p_value: (2.0 * tail).min(1.0),
        });
    }
    let variance = ranking.variance();
    if variance == 0.0 {
        return Err(StatsError::Degenerate(
            "equal values can't be compared by ranks",
        ));
    }
    let z = (larger - 0.5 * pairs - 0.5) / variance.sqrt();
    Ok(MannWhitney {
        u,
        p_value: (2.0 * normal_sf(z)).min(1.0),
    })
}

/// Probability that U is at most `u` when both samples come from one continuous distribution:
/// the number of ways to each U is a coefficient of the Gaussian binomial
/// prod (1 - q^(n+i)) / (1 - q^i), i = 1..m (Andrews 1976, The Theory of Partitions, section 3.2).
fn exact_tail(m: usize, n: usize, u: usize) -> f64 {
    let (m, n) = (m.min(n), m.max(n));
    let mut ways = vec![0i128; m * n + 1];
    ways[0] = 1;
    for i in 1..=m {
        for power in (n + i..ways.len()).rev() {
            ways[power] -= ways[power - n - i];
        }
        for power in i..ways.len() {
            ways[power] += ways[power - i];
        }
    }
    let upto: i128 = ways.iter().take(u + 1).sum();
    let all: i128 = ways.iter().sum();
    upto as f64 / all as f64
}

/// Cliff's delta of `y` relative to `x`, with the asymmetric interval of `confidence` (0..1)
/// of Cliff (1993, Psychological Bulletin 114:494-509) from the consistent variance, which is
/// kept from falling below (1 - delta^2)/(mn - 1). Where one sample lies wholly above the other,
/// that variance is 0 and the inner end is that of the Wilson interval for the smaller sample,
/// (n - z^2)/(n + z^2).
///
/// # Errors
/// [`StatsError::TooFew`] below 2 values, [`StatsError::NotFinite`],
/// [`StatsError::BadArgument`] of a confidence outside 0..1.
///
/// ```
/// let x = [1.0, 2.0, 3.0, 4.0];
/// let y = [2.5, 3.5, 4.5, 5.5];
/// let found = stats::compare::cliffs_delta(&x, &y, 0.95)?;
/// assert_eq!(found.delta, 10.0 / 16.0);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn cliffs_delta(x: &[f64], y: &[f64], confidence: f64) -> Result<CliffsDelta, StatsError> {
    let z = z_of(confidence)?;
    crate::check(x, 2)?;
    crate::check(y, 2)?;
    let x = Sorted::new(x.to_vec())?;
    let y = Sorted::new(y.to_vec())?;
    let (m, n) = (x.len() as f64, y.len() as f64);
    let ranking = Ranking::new(&x, &y);
    let pairs = m * n;
    let y_above = pairs - (ranking.x_above + ranking.equal) as f64;
    let delta = (y_above - ranking.x_above as f64) / pairs;
    let smaller = m.min(n);
    if delta.abs() == 1.0 {
        let inner = (smaller - z * z) / (smaller + z * z);
        let interval = if delta > 0.0 {
            Interval {
                low: inner,
                high: 1.0,
            }
        } else {
            Interval {
                low: -1.0,
                high: -inner,
            }
        };
        return Ok(CliffsDelta { delta, interval });
    }
    // Squares of the deviations of each value's own dominance from delta.
    let of_x = dominance_squares(y.as_slice(), x.as_slice(), -delta);
    let of_y = dominance_squares(x.as_slice(), y.as_slice(), delta);
    let of_pairs = (pairs - ranking.equal as f64) - pairs * delta * delta;
    let variance = (n * n * of_x + m * m * of_y - of_pairs) / (pairs * (m - 1.0) * (n - 1.0));
    let variance = variance.max((1.0 - delta * delta) / (pairs - 1.0));
    let free = 1.0 - delta * delta;
    let reach = z * variance.sqrt() * (free * free + z * z * variance).sqrt();
    let denominator = free + z * z * variance;
    Ok(CliffsDelta {
        delta,
        interval: Interval {
            low: ((delta * free - reach) / denominator).max(-1.0),
            high: ((delta * free + reach) / denominator).min(1.0),
        },
    })
}

/// Sum over `values` of (share of `others` below it - share above it - centre)^2.
fn dominance_squares(others: &[f64], values: &[f64], centre: f64) -> f64 {
    let (mut below, mut up_to) = (0, 0);
    let n = others.len() as f64;
    let mut sum = 0.0;
    for &v in values {
        while below < others.len() && others[below] < v {
            below += 1;
        }
        while up_to < others.len() && others[up_to] <= v {
            up_to += 1;
        }
        let above = others.len() - up_to;
        let deviation = (below as f64 - above as f64) / n - centre;
        sum += deviation * deviation;
    }
    sum
}

/// How two samples rank against each other.
struct Ranking {
    sizes: (f64, f64),
    x_above: u64,
    equal: u64,
    /// Whether any two values of both samples together are equal.
    has_ties: bool,
    /// Sum of t^3 - t over the ties of both samples together.
    tie_term: f64,
}

impl Ranking {
    fn new(x: &Sorted, y: &Sorted) -> Self {
        let (x, y) = (x.as_slice(), y.as_slice());
        let mut ranking = Self {
            sizes: (x.len() as f64, y.len() as f64),
            x_above: 0,
            equal: 0,
            has_ties: false,
            tie_term: 0.0,
        };
        let (mut i, mut j) = (0, 0);
        while i < x.len() || j < y.len() {
            let value = match (x.get(i), y.get(j)) {
                (Some(&a), Some(&b)) => a.min(b),
                (Some(&a), None) => a,
                (None, Some(&b)) => b,
                (None, None) => break,
            };
            let (i_before, j_before) = (i, j);
            while i < x.len() && x[i] == value {
                i += 1;
            }
            while j < y.len() && y[j] == value {
                j += 1;
            }
            let (of_x, of_y) = ((i - i_before) as u64, (j - j_before) as u64);
            ranking.x_above += of_x * j_before as u64;
            ranking.equal += of_x * of_y;
            let t = (of_x + of_y) as f64;
            if t > 1.0 {
                ranking.has_ties = true;
                ranking.tie_term += t * (t * t - 1.0);
            }
        }
        ranking
    }

    /// Variance of U without a difference, with ties.
    fn variance(&self) -> f64 {
        let (m, n) = self.sizes;
        let all = m + n;
        let ties = self.tie_term / (all * (all - 1.0));
        (m * n / 12.0 * (all + 1.0 - ties)).max(0.0)
    }
}

/// The two-sided normal quantile of a confidence.
fn z_of(confidence: f64) -> Result<f64, StatsError> {
    if confidence > 0.0 && confidence < 1.0 {
        Ok(-normal_quantile(0.5 * (1.0 - confidence)))
    } else {
        Err(StatsError::BadArgument(
            "the confidence must lie between 0 and 1",
        ))
    }
}
