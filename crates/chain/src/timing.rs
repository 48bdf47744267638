//! What changes over a run: trend and autocorrelation of the width error, and the start delay.

use serde::{Deserialize, Serialize};
use stats::{Sorted, StatsError, bootstrap, moments, order, robust, trend};
use wire::Observation;

use crate::group::CONFIDENCE;
use crate::relation::{error_ms, to_picosecond};
use crate::uncertainty::{Budget, BudgetRow};

/// What a slope is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Per {
    /// An hour of the run.
    Hour,
    /// A hundred pulses, where the times are not known.
    HundredPulses,
}

impl Per {
    /// `an hour`, `a hundred pulses`.
    pub fn words(self) -> &'static str {
        match self {
            Per::Hour => "an hour",
            Per::HundredPulses => "a hundred pulses",
        }
    }
}

/// Change of the width error over the run, after the median of each requested width is taken off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trend {
    /// Pulses.
    pub n: u64,
    /// p-value of the Mann-Kendall test for a trend.
    pub p_value: f64,
    /// Kendall's tau with the order in time.
    pub tau: f64,
    /// Slope by Theil-Sen, ms per unit; above 20,000 pulses of the medians of consecutive blocks.
    pub slope_ms: f64,
    /// Sen's 95 % interval of the slope.
    pub slope_ci95: [f64; 2],
    /// The unit.
    pub per: Per,
    /// Change over the whole run by that slope, ms.
    pub over_run_ms: f64,
    /// Lag-1 autocorrelation of the errors in time.
    pub lag1_autocorrelation: Option<f64>,
}

/// Above this many pulses the slope is that of the medians of consecutive blocks, of which there are
/// then about so many. All pairs of a million pulses say no more of a slope, and take seconds.
const MOST_FOR_SLOPE: usize = 20_000;

/// The medians of times and errors in consecutive blocks of equal length, or all of them where they are
/// few enough.
fn in_blocks(times: &[f64], errors: &[f64]) -> Result<(Vec<f64>, Vec<f64>), StatsError> {
    let length = times.len().div_ceil(MOST_FOR_SLOPE);
    let medians = |values: &[f64]| -> Result<Vec<f64>, StatsError> {
        values
            .chunks_exact(length)
            .map(|block| Ok(order::median(&Sorted::new(block.to_vec())?)))
            .collect()
    };
    Ok((medians(times)?, medians(errors)?))
}

/// Trend of `observations`, which are in the order of time; `medians` gives the median error of the
/// group of each. `None` with too few pulses or equal errors.
pub(crate) fn trend(
    observations: &[Observation],
    medians: &[f64],
) -> Result<Option<Trend>, StatsError> {
    let errors: Vec<f64> = observations
        .iter()
        .zip(medians)
        .map(|(o, median)| to_picosecond(error_ms(o) - median))
        .collect();
    let hours: Option<Vec<f64>> = observations
        .iter()
        .map(|o| o.start_s.or(o.issued_s).map(|s| s / 3600.0))
        .collect();
    let (times, per) = match hours {
        Some(hours) if hours.windows(2).all(|pair| pair[0] <= pair[1]) => (hours, Per::Hour),
        _ => (
            (0..observations.len()).map(|i| i as f64 / 100.0).collect(),
            Per::HundredPulses,
        ),
    };
    let result = (|| {
        let test = trend::mann_kendall(&errors)?;
        let (times, errors) = in_blocks(&times, &errors)?;
        let line = trend::theil_sen(&times, &errors, CONFIDENCE)?;
        Ok((test, line))
    })();
    let (test, line) = match result {
        Ok(both) => both,
        Err(StatsError::TooFew { .. } | StatsError::Degenerate(_)) => return Ok(None),
        Err(error) => return Err(error),
    };
    let span = times[times.len() - 1] - times[0];
    Ok(Some(Trend {
        n: errors.len() as u64,
        p_value: test.p_value,
        tau: test.tau,
        slope_ms: line.slope,
        slope_ci95: [line.slope_interval.low, line.slope_interval.high],
        per,
        over_run_ms: line.slope * span,
        lag1_autocorrelation: moments::lag1_autocorrelation(&errors).ok(),
    }))
}

/// The start delay: leading edge minus time of issue.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DelaySummary {
    /// Pulses with a time of issue.
    pub n: u64,
    /// Whether both clocks are one, so that the delay itself is known and not its spread alone.
    pub absolute: bool,
    /// Median, ms; `None` where the clocks share nothing.
    pub median_ms: Option<f64>,
    /// Its distribution-free 95 % interval.
    pub median_ci95: Option<[f64; 2]>,
    /// Median absolute deviation scaled to the SD of a normal distribution, ms.
    pub mad_sd_ms: f64,
    /// From the first to the third quartile, ms.
    pub quartile_range_ms: f64,
    /// From the 5 % to the 95 % quantile, ms.
    pub p05_to_p95_ms: f64,
    /// The uncertainty budget of the median, where the instrument states one: of a live run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub budget: Option<Budget>,
}

/// The budget of the median start delay from the instrument's `rows`, as a live run states them, and
/// the scatter of the delays; `None` where fewer than two are known.
pub fn delay_budget(observations: &[Observation], rows: &[BudgetRow]) -> Option<Budget> {
    let delays: Vec<f64> = observations
        .iter()
        .filter_map(|o| o.start_delay_ms)
        .collect();
    let n = delays.len() as u64;
    let sorted = Sorted::new(delays).ok().filter(|s| s.len() > 1)?;
    let standard_error = bootstrap::exact_median(&sorted).standard_error;
    Some(Budget::of_rows(
        "median start delay".to_owned(),
        rows.to_vec(),
        Some(standard_error),
        n,
    ))
}

/// Start delay of the observations that have a time of issue; `None` where none has. Where the
/// clocks share nothing only the spread is given; a clock that drifts against the other adds to it.
pub(crate) fn delay(observations: &[Observation]) -> Result<Option<DelaySummary>, StatsError> {
    let absolute: Vec<f64> = observations
        .iter()
        .filter_map(|o| o.start_delay_ms)
        .collect();
    let is_absolute = !absolute.is_empty();
    let delays = if is_absolute {
        absolute
    } else {
        observations
            .iter()
            .filter_map(|o| Some((o.start_s? - o.issued_s?) * 1000.0))
            .collect()
    };
    if delays.len() < 2 {
        return Ok(None);
    }
    let sorted = Sorted::new(delays)?;
    let q = |p| order::quantile(&sorted, p);
    let interval = order::median_interval(&sorted, CONFIDENCE)
        .map(|found| [found.interval.low, found.interval.high]);
    Ok(Some(DelaySummary {
        n: sorted.len() as u64,
        absolute: is_absolute,
        median_ms: is_absolute.then(|| order::median(&sorted)),
        median_ci95: interval.filter(|_| is_absolute),
        mad_sd_ms: robust::mad_sd(&sorted),
        quartile_range_ms: q(0.75) - q(0.25),
        p05_to_p95_ms: q(0.95) - q(0.05),
        budget: None,
    }))
}
