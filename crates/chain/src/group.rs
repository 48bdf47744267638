//! The numbers of one group: the width errors of one direction and one requested width, or of all
//! together.

use serde::{Deserialize, Serialize};
use stats::{Sorted, StatsError, bootstrap, family, moments, normality, order, robust};
use wire::Direction;

use crate::histogram::Histogram;

/// Confidence of every interval.
pub(crate) const CONFIDENCE: f64 = 0.95;
/// Bootstrap resamples of an interval: enough for the second digit of its ends (Efron & Tibshirani
/// 1993, section 12.5).
const RESAMPLES: usize = 2000;
/// Share of the values that the trimmed mean leaves out at each end.
const TRIM: f64 = 0.1;
/// Share below which a p-value says no.
const SIGNIFICANT: f64 = 0.01;
/// Shapiro-Wilk is defined up to this many values (Royston 1995).
const SHAPIRO_WILK_MOST: usize = 5000;

/// A trimmed mean and its standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrimmedMean {
    /// Share left out at each end.
    pub share_each_side: f64,
    /// The mean of the rest, ms.
    pub value: f64,
    /// Its standard error by the exact bootstrap (Hutson & Ernst 2000), ms.
    pub standard_error: f64,
}

/// The spread of width errors, in ms. A value is `None` where there are too few pulses for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WidthError {
    /// Median.
    pub median: f64,
    /// Its distribution-free 95 % interval, from order statistics.
    pub median_ci95: Option<[f64; 2]>,
    /// Standard error of the median by the exact bootstrap (Hutson & Ernst 2000).
    pub median_se: Option<f64>,
    /// Mean.
    pub mean: f64,
    /// Its 95 % interval by the BCa bootstrap (Efron 1987).
    pub mean_ci95: Option<[f64; 2]>,
    /// Mean of the middle 80 %.
    pub trimmed_mean: Option<TrimmedMean>,
    /// Standard deviation.
    pub sd: Option<f64>,
    /// Its 95 % interval by the BCa bootstrap.
    pub sd_ci95: Option<[f64; 2]>,
    /// Median absolute deviation from the median, scaled to the SD of a normal distribution.
    pub mad_sd: f64,
    /// Qn (Rousseeuw & Croux 1993), scaled to the SD of a normal distribution.
    pub qn_sd: Option<f64>,
    /// Bias-corrected skewness.
    pub skewness: Option<f64>,
    /// Bias-corrected excess kurtosis.
    pub kurtosis: Option<f64>,
    /// 2.5 % quantile; all are of type 8 (Hyndman & Fan 1996).
    pub p025: f64,
    /// 5 % quantile.
    pub p05: f64,
    /// First quartile.
    pub p25: f64,
    /// Third quartile.
    pub p75: f64,
    /// 95 % quantile.
    pub p95: f64,
    /// 97.5 % quantile.
    pub p975: f64,
    /// 99 % quantile.
    pub p99: f64,
    /// Least.
    pub min: f64,
    /// Greatest.
    pub max: f64,
}

/// A test's statistic and p-value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Test {
    /// The statistic.
    pub statistic: f64,
    /// The p-value.
    pub p_value: f64,
}

impl From<stats::TestResult> for Test {
    fn from(result: stats::TestResult) -> Test {
        Test {
            statistic: result.statistic,
            p_value: result.p_value,
        }
    }
}

/// Tests of whether the errors are normally distributed.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Normality {
    /// Anderson-Darling.
    pub anderson_darling: Option<Test>,
    /// Shapiro-Wilk (Royston 1995); `None` above 5,000 pulses, where it is not defined.
    pub shapiro_wilk: Option<Test>,
}

impl Normality {
    /// Whether one of the tests rules a normal distribution out.
    pub fn rejected(&self) -> bool {
        [self.anderson_darling, self.shapiro_wilk]
            .into_iter()
            .flatten()
            .any(|test| test.p_value < SIGNIFICANT)
    }
}

/// A number with a name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NamedValue {
    /// Its name.
    pub name: String,
    /// Its value; times in ms.
    pub value: f64,
}

/// The family of distributions that describes the errors best.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FamilySummary {
    /// `normal`, `shifted_lognormal`, `shifted_gamma`, `shifted_weibull`,
    /// `exponentially_modified_normal` or `two_normal_mixture`.
    pub name: String,
    /// Its parameters; times in ms.
    pub parameters: Vec<NamedValue>,
    /// Akaike's criterion with the correction for small samples (Hurvich & Tsai 1989).
    pub aicc: f64,
    /// Whether it describes the errors: `false` when even the kinder of the two p-values of the
    /// goodness-of-fit test is below 0.01; `None` with too few pulses to test.
    pub fits: Option<bool>,
    /// Ends of the p-value of the chi-squared test (Chernoff & Lehmann 1954).
    pub p_value: Option<[f64; 2]>,
    /// The other families, each with its AICc, best first.
    pub others: Vec<NamedValue>,
}

impl FamilySummary {
    /// The distribution itself; `None` where name and parameters are of none.
    pub fn family(&self) -> Option<family::Family> {
        let parameters: Vec<(&str, f64)> = self
            .parameters
            .iter()
            .map(|p| (p.name.as_str(), p.value))
            .collect();
        family::Family::from_parameters(&self.name, &parameters)
    }
}

/// One group of pulses.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupSummary {
    /// Its direction; `None` for all, or where the capture doesn't say.
    pub direction: Option<Direction>,
    /// Requested width, ms: the median one where the group spans several; `None` for all.
    pub requested_ms: Option<f64>,
    /// Least and greatest requested width, ms.
    pub requested_range_ms: [f64; 2],
    /// Pulses.
    pub n: u64,
    /// Measured minus requested width.
    pub width_error_ms: WidthError,
    /// Tests of normality.
    pub normality: Normality,
    /// Best family of distributions; `None` with too few pulses or all errors equal.
    pub family: Option<FamilySummary>,
    /// Counts for a figure.
    pub histogram: Histogram,
}

/// Where a group stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct GroupKey {
    pub direction: Option<Direction>,
    pub requested_ms: Option<f64>,
    pub requested_range_ms: [f64; 2],
}

/// Turns "too few" and "all equal" into `None`; a real failure stays.
fn optional<T>(result: Result<T, StatsError>) -> Result<Option<T>, StatsError> {
    match result {
        Ok(value) => Ok(Some(value)),
        Err(StatsError::TooFew { .. } | StatsError::Degenerate(_)) => Ok(None),
        Err(error) => Err(error),
    }
}

fn pair(interval: stats::Interval) -> [f64; 2] {
    [interval.low, interval.high]
}

/// Every number of the spread of `errors_ms`, which `sorted` holds in ascending order.
pub(crate) fn width_error(
    errors_ms: &[f64],
    sorted: &Sorted,
    seed: u64,
) -> Result<WidthError, StatsError> {
    let n = sorted.len();
    let q = |p| order::quantile(sorted, p);
    let (mean, sd, skewness, kurtosis) = match optional(moments::moments(errors_ms))? {
        Some(m) => (m.mean, Some(m.sd), m.skewness, m.kurtosis),
        None => (errors_ms[0], None, None, None),
    };
    let intervals = optional(bootstrap::bca_moments(
        errors_ms, CONFIDENCE, RESAMPLES, seed,
    ))?;
    let trimmed = optional(bootstrap::exact_trimmed_mean(sorted, TRIM))?;
    let trimmed_value = optional(robust::trimmed_mean(sorted, TRIM))?;
    Ok(WidthError {
        median: order::median(sorted),
        median_ci95: order::median_interval(sorted, CONFIDENCE).map(|i| pair(i.interval)),
        median_se: (n > 1).then(|| bootstrap::exact_median(sorted).standard_error),
        mean,
        mean_ci95: intervals.as_ref().map(|i| pair(i.mean)),
        trimmed_mean: trimmed
            .zip(trimmed_value)
            .map(|(exact, value)| TrimmedMean {
                share_each_side: TRIM,
                value,
                standard_error: exact.standard_error,
            }),
        sd,
        sd_ci95: intervals.as_ref().map(|i| pair(i.sd)),
        mad_sd: robust::mad_sd(sorted),
        qn_sd: optional(robust::qn(sorted))?,
        skewness,
        kurtosis,
        p025: q(0.025),
        p05: q(0.05),
        p25: q(0.25),
        p75: q(0.75),
        p95: q(0.95),
        p975: q(0.975),
        p99: q(0.99),
        min: sorted.min(),
        max: sorted.max(),
    })
}

/// Normality and family of the errors.
pub(crate) fn shape(sorted: &Sorted) -> Result<(Normality, Option<FamilySummary>), StatsError> {
    let shapiro_wilk = if sorted.len() > SHAPIRO_WILK_MOST {
        None
    } else {
        optional(normality::shapiro_wilk(sorted))?.map(Test::from)
    };
    let normality = Normality {
        anderson_darling: optional(normality::anderson_darling(sorted))?.map(Test::from),
        shapiro_wilk,
    };
    let family = optional(family::choose(sorted))?.map(|choice| {
        let best = &choice.fits[0];
        FamilySummary {
            name: best.family.name().to_owned(),
            parameters: best
                .family
                .parameters()
                .into_iter()
                .map(|(name, value)| NamedValue {
                    name: name.to_owned(),
                    value,
                })
                .collect(),
            aicc: best.aicc,
            fits: choice.goodness.map(|_| choice.fits_data),
            p_value: choice.goodness.map(|g| [g.p_value_low, g.p_value_high]),
            others: choice.fits[1..]
                .iter()
                .map(|fit| NamedValue {
                    name: fit.family.name().to_owned(),
                    value: fit.aicc,
                })
                .collect(),
        }
    });
    Ok((normality, family))
}
