//! Trend over time: the Mann-Kendall test and the Theil-Sen line.

mod inversions;
mod slopes;

use crate::order::{median, midpoint};
use crate::robust::pairs::{Pairs, select_ascending};
use crate::special::{normal_quantile, normal_sf};
use crate::{Interval, Sorted, StatsError, check};

/// Up to this many points all slopes are listed: faster than the ways round it.
const MOST_LISTED: usize = 1500;
/// Up to this many distinct abscissas slopes are counted group by group.
const MOST_GROUPS: usize = 16;

/// The Mann-Kendall test for a monotone trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise in time less pairs that fall.
    pub s: i64,
    /// Kendall's tau-b of the values with their order: from -1 (falling) to 1 (rising).
    pub tau: f64,
    /// S, one closer to 0 for continuity, over its standard deviation without a trend.
    pub z: f64,
    /// Two-sided p-value of `z` under the normal distribution.
    pub p_value: f64,
}

/// The Theil-Sen line y = intercept + slope x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs of points with different x; unit of y over unit of x.
    pub slope: f64,
    /// Sen's interval for the slope.
    pub slope_interval: Interval,
    /// Median of y less slope times median of x, in the unit of y.
    pub intercept: f64,
}

/// Mann-Kendall test of values in order of time, with the variance corrected for ties (Mann
/// 1945; Kendall 1975, Rank Correlation Methods, 4th ed., section 4.9); by merge counting, in
/// O(n log n).
///
/// # Errors
/// [`StatsError::TooFew`] below 3 values, [`StatsError::NotFinite`],
/// [`StatsError::Degenerate`] where all values are equal.
///
/// ```
/// let t = stats::trend::mann_kendall(&[1.0, 2.0, 3.0, 5.0, 4.0, 6.0])?;
/// assert_eq!(t.s, 13);
/// assert!(t.p_value < 0.03);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, StatsError> {
    check(values, 3)?;
    let n = values.len() as u64;
    let mut keys: Vec<u64> = values.iter().map(|&v| ordered_bits(v)).collect();
    let falling = inversions::count(&mut keys);
    let ties = Ties::of_ascending(&keys);
    let pairs = n * (n - 1) / 2;
    if ties.pairs == pairs {
        return Err(StatsError::Degenerate("equal values have no trend"));
    }
    let s = (pairs - ties.pairs) as i64 - 2 * falling as i64;
    let nf = n as f64;
    let variance = (nf * (nf - 1.0) * (2.0 * nf + 5.0) - ties.variance_term) / 18.0;
    let z = (s - s.signum()) as f64 / variance.sqrt();
    Ok(MannKendall {
        s,
        tau: s as f64 / ((pairs as f64).sqrt() * ((pairs - ties.pairs) as f64).sqrt()),
        z,
        p_value: (2.0 * normal_sf(z.abs())).min(1.0),
    })
}

/// Theil-Sen line with Sen's (1968, JASA 63:1379-1389) interval for the slope at `confidence`
/// (0..1), exact for every number of points: all pairs with different x count.
///
/// The interval's ends are the slopes of orders (N -+ z sigma)/2, rounded half to even and kept
/// within the list, where N is the number of slopes and sigma^2 is Kendall's variance with the
/// ties of x and of y taken off (equation 2.6 of Sen): with very few points it is the whole
/// range of the slopes, whatever the confidence.
///
/// # Errors
/// [`StatsError::TooFew`] below 2 points, [`StatsError::NotFinite`],
/// [`StatsError::BadArgument`] of lists of different lengths or a confidence outside 0..1,
/// [`StatsError::Degenerate`] where all x are equal.
///
/// ```
/// let x = [0.0, 1.0, 2.0, 3.0, 4.0];
/// let y = [1.0, 3.0, 5.0, 7.0, 90.0];
/// let line = stats::trend::theil_sen(&x, &y, 0.95)?;
/// assert_eq!((line.slope, line.intercept), (2.0, 1.0));
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Result<TheilSen, StatsError> {
    check(x, 2)?;
    check(y, 2)?;
    if x.len() != y.len() {
        return Err(StatsError::BadArgument(
            "there must be as many values of x as of y",
        ));
    }
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(StatsError::BadArgument(
            "the confidence must lie between 0 and 1",
        ));
    }
    let points = points_by_x(x, y);
    let sorted_y = Sorted::new(y.to_vec())?;
    let sorted_x: Vec<f64> = points.iter().map(|p| p.0).collect();
    let ties_x = Ties::of_ascending(&sorted_x);
    let ties_y = Ties::of_ascending(sorted_y.as_slice());
    let n = x.len() as u64;
    let slopes = n * (n - 1) / 2 - ties_x.pairs;
    if slopes == 0 {
        return Err(StatsError::Degenerate("points of one x only have no slope"));
    }
    let nf = n as f64;
    let variance =
        (nf * (nf - 1.0) * (2.0 * nf + 5.0) - ties_x.variance_term - ties_y.variance_term) / 18.0;
    let reach = -normal_quantile(0.5 * (1.0 - confidence)) * variance.max(0.0).sqrt();
    let place = |twice: f64| (0.5 * twice).round_ties_even();
    let last = (slopes - 1) as f64;
    // Places are counted from 0.
    let low = (place(slopes as f64 - reach) - 1.0).clamp(0.0, last) as u64;
    let high = place(slopes as f64 + reach).clamp(0.0, last) as u64;
    let places = [low, (slopes - 1) / 2, slopes / 2, high];
    let mut ascending = places;
    ascending.sort_unstable();
    let values = slopes_of_places(&points, &ascending);
    let value = |place: u64| {
        let at = ascending.iter().position(|&p| p == place);
        values[at.unwrap_or(0)]
    };
    let slope = midpoint(value(places[1]), value(places[2]));
    let median_x = crate::order::median_of_ascending(&sorted_x);
    Ok(TheilSen {
        slope,
        slope_interval: Interval {
            low: value(low),
            high: value(high),
        },
        intercept: median(&sorted_y) - slope * median_x,
    })
}

/// Slopes of the given ascending places (from 0) among all pairs of the points, which ascend in
/// x and, where x is equal, in y.
fn slopes_of_places(points: &[(f64, f64)], places: &[u64]) -> Vec<f64> {
    if points.len() <= MOST_LISTED {
        let mut slopes = Vec::with_capacity(points.len() * (points.len() - 1) / 2);
        for (i, a) in points.iter().enumerate() {
            let later = points[i + 1..].iter().filter(|b| b.0 > a.0);
            slopes.extend(later.map(|b| slopes::slope(a, b)));
        }
        let mut found = Vec::with_capacity(places.len());
        let places = places.iter().map(|&p| p as usize);
        select_ascending(&mut slopes, places, &mut found);
        return found;
    }
    match groups_by_x(points) {
        Some(groups) => {
            let orders: Vec<u64> = places.iter().map(|p| p + 1).collect();
            Pairs::slopes(&groups).select(&orders)
        }
        None => slopes::select(points, places),
    }
}

/// The points by ascending x, then y.
fn points_by_x(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    let mut keys: Vec<u128> = x
        .iter()
        .zip(y)
        .map(|(&x, &y)| u128::from(ordered_bits(x)) << 64 | u128::from(ordered_bits(y)))
        .collect();
    if !keys.is_sorted() {
        keys.sort_unstable();
    }
    keys.into_iter()
        .map(|key| {
            (
                from_ordered_bits((key >> 64) as u64),
                from_ordered_bits(key as u64),
            )
        })
        .collect()
}

/// The ordinates of each x, where there are few enough x.
fn groups_by_x(points: &[(f64, f64)]) -> Option<Vec<(f64, Vec<f64>)>> {
    let mut groups: Vec<(f64, Vec<f64>)> = Vec::new();
    for &(x, y) in points {
        if let Some((same, ys)) = groups.last_mut()
            && *same == x
        {
            ys.push(y);
        } else if groups.len() == MOST_GROUPS {
            return None;
        } else {
            groups.push((x, vec![y]));
        }
    }
    Some(groups)
}

const SIGN: u64 = 1 << 63;

/// An integer that orders as the number does; both zeros are one.
fn ordered_bits(value: f64) -> u64 {
    let bits = (value + 0.0).to_bits();
    if bits & SIGN == 0 { bits | SIGN } else { !bits }
}

/// The inverse of [`ordered_bits`].
fn from_ordered_bits(key: u64) -> f64 {
    f64::from_bits(if key & SIGN == 0 { !key } else { key & !SIGN })
}

/// What ties take off.
struct Ties {
    /// Pairs of equal values.
    pairs: u64,
    /// Sum over the ties of t (t-1) (2t+5).
    variance_term: f64,
}

impl Ties {
    fn of_ascending<T: PartialEq>(values: &[T]) -> Self {
        let mut ties = Self {
            pairs: 0,
            variance_term: 0.0,
        };
        for tie in values.chunk_by(|a, b| a == b) {
            let t = tie.len() as u64;
            if t > 1 {
                ties.pairs += t * (t - 1) / 2;
                let t = t as f64;
                ties.variance_term += t * (t - 1.0) * (2.0 * t + 5.0);
            }
        }
        ties
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::order::sort;
    use crate::random::Random;

    /// The oracle: all slopes, sorted.
    fn all_slopes(points: &[(f64, f64)]) -> Vec<f64> {
        let mut all = Vec::new();
        for (i, a) in points.iter().enumerate() {
            all.extend(
                points[i + 1..]
                    .iter()
                    .filter(|b| b.0 > a.0)
                    .map(|b| slopes::slope(a, b)),
            );
        }
        sort(all)
    }

    fn agrees(x: &[f64], y: &[f64]) {
        let points = points_by_x(x, y);
        let oracle = all_slopes(&points);
        let n = oracle.len() as u64;
        for shares in [
            [0.0, 0.3, 0.9, 1.0],
            [0.48, 0.5, 0.5, 0.52],
            [0.1, 0.1, 0.1, 0.7],
        ] {
            let places = shares.map(|s| (s * (n - 1) as f64) as u64);
            let wanted = places.map(|p| oracle[p as usize]);
            assert_eq!(slopes::select(&points, &places), wanted);
            assert_eq!(slopes_of_places(&points, &places), wanted);
        }
    }

    /// Enough points for all ways of the search (whose samples are small in tests), few enough to
    /// list all slopes.
    #[test]
    fn slopes_equal_those_of_the_full_list() {
        let n = 400;
        let mut random = Random::new(1);
        let index: Vec<f64> = (0..n).map(f64::from).collect();
        let scattered: Vec<f64> = (0..n).map(|_| random.uniform() * 1e3 + 1e6).collect();
        let heavy: Vec<f64> = (0..n).map(|_| (6.0 * random.normal()).exp()).collect();
        let grouped: Vec<f64> = (0..n).map(|_| random.below(40) as f64).collect();
        let few: Vec<f64> = (0..n).map(|_| 50.0 * random.below(9) as f64).collect();
        let noise: Vec<f64> = (0..n).map(|_| random.normal()).collect();
        let coarse: Vec<f64> = noise.iter().map(|v| (2.0 * v).round()).collect();
        let binary: Vec<f64> = noise.iter().map(|v| f64::from(*v > 1.0)).collect();
        let tail: Vec<f64> = noise.iter().map(|v| 1e4 + v.powi(9)).collect();
        for x in [&index, &scattered, &heavy, &grouped, &few] {
            for y in [&noise, &coarse, &binary, &tail] {
                agrees(x, y);
            }
        }
    }

    /// Every pair has the same slope, more pairs than are ever listed.
    #[test]
    fn an_exact_line_has_one_slope() {
        let x: Vec<f64> = (0..3000).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| 2.5 * x + 1.0).collect();
        let line = theil_sen(&x, &y, 0.95).unwrap();
        assert_eq!((line.slope, line.intercept), (2.5, 1.0));
        assert_eq!(
            (line.slope_interval.low, line.slope_interval.high),
            (2.5, 2.5)
        );
    }
}
