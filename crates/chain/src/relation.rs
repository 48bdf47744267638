//! How the width error depends on the requested width, and the hidden timer tick.

use serde::{Deserialize, Serialize};
use stats::{Sorted, StatsError, order, regression, tick, trend};
use wire::Observation;

use crate::group::CONFIDENCE;

/// A straight line by Huber regression, as a check on the other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HuberLine {
    /// Width error at a requested width of 0, ms.
    pub offset_ms: f64,
    /// Its standard error, ms.
    pub offset_se: f64,
    /// Change of the error with the requested width, ms/ms.
    pub scale: f64,
    /// Its standard error.
    pub scale_se: f64,
}

/// `width = offset + (1 + scale) x requested`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OffsetScale {
    /// The offset, ms: median of `error - scale x requested`.
    pub offset_ms: f64,
    /// Its 95 % interval: that of the median about the mean requested width, and that of the slope,
    /// brought together by the method of variance estimates recovery (Zou & Donner 2008).
    pub offset_ci95: [f64; 2],
    /// The scale, ms/ms, by Theil-Sen.
    pub scale: f64,
    /// Sen's 95 % interval (Sen 1968).
    pub scale_ci95: [f64; 2],
    /// The same line by Huber regression; `None` where it doesn't exist (half of the residuals
    /// equal, say).
    pub huber: Option<HuberLine>,
}

/// Fits the line. `None` where only one width was requested, for then offset and scale can't be
/// told apart, or there are too few pulses.
pub(crate) fn offset_scale(
    observations: &[Observation],
) -> Result<Option<OffsetScale>, StatsError> {
    let requested: Vec<f64> = observations.iter().map(|o| o.requested_ms).collect();
    let errors: Vec<f64> = observations.iter().map(error_ms).collect();
    let one_width = requested.windows(2).all(|pair| pair[0] == pair[1]);
    if one_width {
        return Ok(None);
    }
    let line = match trend::theil_sen(&requested, &errors, CONFIDENCE) {
        Ok(line) => line,
        Err(StatsError::TooFew { .. } | StatsError::Degenerate(_)) => return Ok(None),
        Err(error) => return Err(error),
    };
    let scale = line.slope;
    let center = requested.iter().sum::<f64>() / requested.len() as f64;
    let at_center = errors
        .iter()
        .zip(&requested)
        .map(|(e, r)| e - scale * (r - center))
        .collect();
    let at_center = Sorted::new(at_center)?;
    let middle = order::median(&at_center);
    let Some(middle_interval) = order::median_interval(&at_center, CONFIDENCE) else {
        return Ok(None);
    };
    let slope = line.slope_interval;
    let below = (middle - middle_interval.interval.low).hypot(center * (slope.high - scale));
    let above = (middle_interval.interval.high - middle).hypot(center * (scale - slope.low));
    let offset = middle - scale * center;
    let huber = regression::huber(&requested, &errors)
        .ok()
        .map(|fit| HuberLine {
            offset_ms: fit.intercept,
            offset_se: fit.intercept_se,
            scale: fit.slope,
            scale_se: fit.slope_se,
        });
    Ok(Some(OffsetScale {
        offset_ms: offset,
        offset_ci95: [offset - below, offset + above],
        scale,
        scale_ci95: [slope.low, slope.high],
        huber,
    }))
}

/// Measured minus requested width, ms; to the picosecond, so that equal errors at unequal widths are
/// equal numbers.
pub fn error_ms(observation: &Observation) -> f64 {
    to_picosecond(observation.width_ms - observation.requested_ms)
}

/// Takes off what rounding left below a picosecond. No capture knows a width so well.
pub(crate) fn to_picosecond(ms: f64) -> f64 {
    const PER_MS: f64 = 1e9;
    // Beyond a day a double doesn't hold picoseconds anyway.
    if ms.abs() < 1e7 {
        (ms * PER_MS).round() / PER_MS
    } else {
        ms
    }
}

/// The most striking period in the widths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TickSummary {
    /// The period, ms.
    pub period_ms: f64,
    /// Chance that widths without a tick show one as strong anywhere in the search.
    pub p_value: f64,
    /// How closely the widths keep to it: 0 not at all, 1 perfectly.
    pub strength: f64,
    /// What keeps to it: `width`, `error` or `either`.
    pub of: String,
    /// Whether the p-value is below 0.01.
    pub found: bool,
    /// Shortest and longest period searched, ms: from 0.1, or from above the step of the capture's own
    /// time stamps, to 20.
    pub searched_ms: [f64; 2],
}

/// Shortest and longest period searched, ms.
const PERIODS_MS: [f64; 2] = [0.1, 20.0];
/// Chance of a false alarm at which a tick is reported.
const TICK_SIGNIFICANT: f64 = 0.01;

/// Periods are searched from this many steps of the time stamps: at one step every width keeps to the
/// capture's own.
const STEPS: f64 = 1.5;

/// Widths farther than this from the median of their group take no part in the search for a tick, ms: a
/// single pulse of a minute would ask for millions of frequencies.
const FARTHEST_MS: f64 = 1000.0;

/// The widths that take part in the search.
struct Kept(Vec<(f64, Vec<f64>)>);

impl Kept {
    fn new(groups: &[(f64, Vec<f64>)]) -> Kept {
        let kept = groups
            .iter()
            .map(|(requested, widths)| (*requested, without_stragglers(widths)));
        Kept(kept.collect())
    }

    fn groups(&self) -> Vec<tick::Group<'_>> {
        let groups = self.0.iter().map(|(requested, widths)| tick::Group {
            requested: *requested,
            widths,
        });
        groups.collect()
    }
}

fn without_stragglers(widths: &[f64]) -> Vec<f64> {
    let Ok(sorted) = Sorted::new(widths.to_vec()) else {
        return Vec::new();
    };
    let median = order::median(&sorted);
    let near = |w: &&f64| (**w - median).abs() <= FARTHEST_MS;
    widths.iter().filter(near).copied().collect()
}

/// Looks for a hidden tick in the widths of all directions, by requested width. `groups` holds each
/// requested width with the widths measured; `step_ms` is the step of the capture's time stamps, 0
/// where it has none. `None` with too few pulses, or a step too coarse to see a tick.
pub(crate) fn hidden_tick(
    groups: &[(f64, Vec<f64>)],
    step_ms: f64,
) -> Result<Option<TickSummary>, StatsError> {
    let [shortest, longest] = PERIODS_MS;
    let searched_ms = [shortest.max(STEPS * step_ms), longest];
    if searched_ms[0] >= longest {
        return Ok(None);
    }
    let kept = Kept::new(groups);
    let groups = kept.groups();
    let found = match tick::hidden_tick(&groups, searched_ms[0], longest) {
        Ok(found) => found,
        // A bad argument is a range of widths too long for the periods, stragglers left out or not.
        Err(StatsError::TooFew { .. } | StatsError::Degenerate(_) | StatsError::BadArgument(_)) => {
            return Ok(None);
        }
        Err(error) => return Err(error),
    };
    let of = match found.of {
        tick::Quantity::Width => "width",
        tick::Quantity::Error => "error",
        tick::Quantity::Either => "either",
    };
    Ok(Some(TickSummary {
        period_ms: found.period,
        p_value: found.p_value,
        strength: found.power,
        of: of.to_owned(),
        found: found.p_value < TICK_SIGNIFICANT,
        searched_ms,
    }))
}

impl TickSummary {
    /// The periodogram that the search went over, for a figure: `points` pairs of period in ms, in
    /// equal ratios over the range searched, and strength, 0 to 1; each the greatest near its period.
    /// `observations` are those that the summary was made of. `None` where there is no periodogram of
    /// them.
    pub fn periodogram(
        &self,
        observations: &[Observation],
        points: usize,
    ) -> Option<Vec<[f64; 2]>> {
        let of = match self.of.as_str() {
            "width" => tick::Quantity::Width,
            "error" => tick::Quantity::Error,
            _ => tick::Quantity::Either,
        };
        let kept = Kept::new(&widths_by_request(observations));
        let [shortest, longest] = self.searched_ms;
        let line = tick::periodogram(&kept.groups(), of, shortest, longest, points).ok()?;
        Some(line.into_iter().map(|(period, c)| [period, c]).collect())
    }
}

/// The widths of all directions under each requested width, ascending.
pub(crate) fn widths_by_request(observations: &[Observation]) -> Vec<(f64, Vec<f64>)> {
    let mut lists: std::collections::BTreeMap<u64, Vec<f64>> = Default::default();
    for o in observations {
        // Widths are positive, and positive floats are ordered as their bits.
        let list = lists.entry(o.requested_ms.to_bits()).or_default();
        list.push(o.width_ms);
    }
    lists
        .into_iter()
        .map(|(bits, widths)| (f64::from_bits(bits), widths))
        .collect()
}
