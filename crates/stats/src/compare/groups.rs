//! Several samples at once, and several tests at once.

use crate::special::{chi2_sf, f_sf};
use crate::{Sorted, StatsError, TestResult, check};

/// Brown-Forsythe test for equal spread: the one-way analysis of variance of the distances from
/// each group's median (Brown & Forsythe 1974, JASA 69:364-367). Gives F and its p-value.
///
/// # Errors
/// [`StatsError::BadArgument`] below 2 groups; [`StatsError::TooFew`] of an empty group, or when
/// there are no more values than groups; [`StatsError::NotFinite`] (its index is that within the
/// group); [`StatsError::Degenerate`] where no group's distances vary.
///
/// ```
/// let narrow = [4.0, 5.0, 6.0, 5.0, 4.5, 5.5];
/// let wide = [0.0, 10.0, 5.0, 1.0, 9.0, 4.0];
/// let test = stats::compare::brown_forsythe(&[&narrow, &wide])?;
/// assert!(test.p_value < 0.02);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn brown_forsythe(groups: &[&[f64]]) -> Result<TestResult, StatsError> {
    let total = check_groups(groups)?;
    let k = groups.len();
    if total <= k {
        return Err(StatsError::TooFew {
            found: total,
            needed: k + 1,
        });
    }
    let mut means = Vec::with_capacity(k);
    let mut within = 0.0;
    let mut sum = 0.0;
    for group in groups {
        let sorted = Sorted::new(group.to_vec())?;
        let centre = crate::order::median(&sorted);
        let n = group.len() as f64;
        let distances = sorted.as_slice().iter().map(|v| (v - centre).abs());
        let of_group: f64 = distances.clone().sum();
        let mean = of_group / n;
        within += distances.map(|d| (d - mean) * (d - mean)).sum::<f64>();
        sum += of_group;
        means.push((n, mean));
    }
    if within == 0.0 {
        return Err(StatsError::Degenerate(
            "the distances from the median don't vary within any group",
        ));
    }
    let mean = sum / total as f64;
    let between: f64 = means.iter().map(|(n, m)| n * (m - mean) * (m - mean)).sum();
    let (df1, df2) = ((k - 1) as f64, (total - k) as f64);
    let statistic = between / df1 / (within / df2);
    Ok(TestResult {
        statistic,
        p_value: f_sf(statistic, df1, df2),
    })
}

/// Kruskal-Wallis test for equal location, corrected for ties (Kruskal & Wallis 1952, JASA
/// 47:583-621). Gives H and its p-value by the chi-squared distribution with one degree of
/// freedom less than there are groups.
///
/// # Errors
/// [`StatsError::BadArgument`] below 2 groups; [`StatsError::TooFew`] of an empty group;
/// [`StatsError::NotFinite`] (its index is that within the group); [`StatsError::Degenerate`]
/// where all values are equal.
///
/// ```
/// let groups: [&[f64]; 3] = [&[1.0, 2.0, 3.0], &[4.0, 5.0, 6.0], &[7.0, 8.0, 9.0]];
/// let test = stats::compare::kruskal_wallis(&groups)?;
/// assert!((test.statistic - 7.2).abs() < 1e-14);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn kruskal_wallis(groups: &[&[f64]]) -> Result<TestResult, StatsError> {
    let total = check_groups(groups)?;
    let mut all = Vec::with_capacity(total);
    for (g, group) in groups.iter().enumerate() {
        all.extend(group.iter().map(|&v| (v, g)));
    }
    all.sort_unstable_by(|a, b| (a.0 + 0.0).total_cmp(&(b.0 + 0.0)));
    // Sums of doubled ranks, which are whole numbers.
    let mut rank_sums = vec![0u128; groups.len()];
    let mut tie_term = 0.0;
    let mut before = 0u64;
    for tie in all.chunk_by(|a, b| a.0 == b.0) {
        let t = tie.len() as u64;
        for (_, g) in tie {
            rank_sums[*g] += u128::from(2 * before + t + 1);
        }
        before += t;
        let t = t as f64;
        tie_term += t * (t * t - 1.0);
    }
    let n = total as f64;
    let correction = 1.0 - tie_term / (n * (n * n - 1.0));
    if correction <= 0.0 {
        return Err(StatsError::Degenerate(
            "equal values can't be compared by ranks",
        ));
    }
    let middle = 0.5 * (n + 1.0);
    let between: f64 = rank_sums
        .iter()
        .zip(groups)
        .map(|(&sum, group)| {
            let size = group.len() as f64;
            let deviation = 0.5 * sum as f64 / size - middle;
            size * deviation * deviation
        })
        .sum();
    let statistic = 12.0 / (n * (n + 1.0)) * between / correction;
    Ok(TestResult {
        statistic,
        p_value: chi2_sf(statistic, (groups.len() - 1) as f64),
    })
}

/// p-values adjusted for their number by Holm's step-down method (Holm 1979, Scandinavian
/// Journal of Statistics 6:65-70), in the order they came in.
///
/// ```
/// let adjusted = stats::compare::holm(&[0.01, 0.04, 0.03]);
/// assert_eq!(adjusted, [0.03, 0.06, 0.06]);
/// ```
pub fn holm(p_values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|&a, &b| p_values[a].total_cmp(&p_values[b]));
    let mut adjusted = vec![0.0; p_values.len()];
    let mut greatest = 0f64;
    for (rank, &at) in order.iter().enumerate() {
        let factor = (p_values.len() - rank) as f64;
        greatest = greatest.max((factor * p_values[at]).min(1.0));
        adjusted[at] = greatest;
    }
    adjusted
}

/// Checks that there are at least two groups, none empty, all finite; gives the number of
/// values.
fn check_groups(groups: &[&[f64]]) -> Result<usize, StatsError> {
    if groups.len() < 2 {
        return Err(StatsError::BadArgument("there must be at least two groups"));
    }
    for group in groups {
        check(group, 1)?;
    }
    Ok(groups.iter().map(|g| g.len()).sum())
}
