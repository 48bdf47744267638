//! Width error over the run.

use chain::{Per, Rounded, Trend, count, error_ms, plural};
use stats::{Sorted, order};
use wire::Observation;

use super::View;
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::section::pulses;

/// Most pulses that are drawn.
const MOST_POINTS: usize = 2000;
/// Blocks that the pulses of a longer run are gathered into.
const BLOCKS: usize = 120;

/// The figure; `None` with a single pulse.
pub fn figure(view: &View<'_>) -> Option<Figure> {
    let pulses = view.observations;
    let errors = over_group(view);
    let (times, label, unit, to_trend) = times(pulses, view.summary.trend.as_ref());
    let (first, last) = (*times.first()?, *times.last()?);
    if first == last {
        return None;
    }
    let step = pulses.len().div_ceil(MOST_POINTS);
    let points: Vec<[f64; 2]> = times
        .iter()
        .zip(&errors)
        .step_by(step)
        .map(|(t, e)| [*t, *e])
        .collect();
    let mut caption = format!(
        "{}, each against the median of its direction and requested width.",
        plural(pulses.len() as u64, "pulse")
    );
    let mut series = vec![
        Series::new(
            "the group's median",
            Hue::Requested,
            Mark::Rule {
                at: 0.0,
                along: Along::Y,
            },
        ),
        Series::new("pulses", Hue::Measured, Mark::Points(points)),
    ];
    if step > 1 {
        series.extend(blocks(&times, &errors));
        caption += &format!(
            " One in {} is drawn; the stripe holds the middle 90 % of each {} in a row.",
            count(step as u64),
            plural(pulses.len().div_ceil(BLOCKS) as u64, "pulse")
        );
    }
    if let Some(trend) = &view.summary.trend {
        let round = Rounded::of_interval(trend.slope_ci95);
        let per = trend.per.words();
        series.extend(line(trend, &times, &errors, to_trend));
        caption += &format!(
            " The line is Theil-Sen's: {} ms {per} (95 % {}).",
            round.ms(trend.slope_ms),
            round.interval(trend.slope_ci95)
        );
    }
    let all = Sorted::new(errors).ok()?;
    let [low, high] = pulses::range_of(&all);
    let outside = pulses::outside(&all, [low, high]);
    if outside > 0 {
        caption += &format!(" Beyond the axis: {}.", plural(outside, "pulse"));
    }
    Some(Figure {
        id: "course".into(),
        title: "Over the run".into(),
        caption,
        panels: vec![Panel {
            x: Axis::linear(label, unit),
            y: Axis::linear("width error over its median", "ms").within(low, high),
            series,
            aspect: 0.42,
        }],
    })
}

/// The error of each pulse over the median of its group.
fn over_group(view: &View<'_>) -> Vec<f64> {
    let groups = &view.summary.groups;
    let median = |pulse: &Observation| {
        let group = view.summary.group_of(pulse).and_then(|g| groups.get(g));
        group.unwrap_or(&view.summary.pooled).width_error_ms.median
    };
    let pulses = view.observations.iter();
    pulses.map(|p| error_ms(p) - median(p)).collect()
}

/// Where each pulse stands on the axis, what the axis is called and counted in, and how many units of the
/// trend make one of the axis.
fn times(
    pulses: &[Observation],
    trend: Option<&Trend>,
) -> (Vec<f64>, &'static str, &'static str, f64) {
    let seconds: Option<Vec<f64>> = pulses.iter().map(|p| p.start_s.or(p.issued_s)).collect();
    let by_time = trend.is_none_or(|t| t.per == Per::Hour);
    let seconds = seconds.filter(|s| by_time && s.windows(2).all(|pair| pair[0] <= pair[1]));
    let Some(seconds) = seconds else {
        let order = (0..pulses.len()).map(|i| i as f64);
        return (order.collect(), "pulses before", "", 0.01);
    };
    let start = seconds.first().copied().unwrap_or(0.0);
    let span = seconds.last().copied().unwrap_or(0.0) - start;
    let (unit, length) = match span {
        ..600.0 => ("s", 1.0),
        ..7200.0 => ("min", 60.0),
        _ => ("h", 3600.0),
    };
    let times = seconds.iter().map(|s| (s - start) / length).collect();
    (times, "time in the run", unit, length / 3600.0)
}

/// The trend's line and what its interval leaves open, through the median of what the slope leaves.
fn line(trend: &Trend, times: &[f64], errors: &[f64], to_trend: f64) -> Vec<Series> {
    let ends = [times[0], times[times.len() - 1]];
    let middle = 0.5 * (ends[0] + ends[1]);
    let slope = trend.slope_ms * to_trend;
    let rest = times
        .iter()
        .zip(errors)
        .map(|(t, e)| e - slope * (t - middle))
        .collect();
    let Ok(rest) = Sorted::new(rest) else {
        return Vec::new();
    };
    let level = order::median(&rest);
    let at = |slope: f64, t: f64| level + slope * (t - middle);
    let [low, high] = trend.slope_ci95.map(|s| s * to_trend);
    let fan = [ends[0], middle, ends[1]].map(|t| {
        let (a, b) = (at(low, t), at(high, t));
        [t, a.min(b), a.max(b)]
    });
    vec![
        Series::silent("trend, 95 %", Hue::Warning, Mark::Band(fan.to_vec())),
        Series::new(
            "trend",
            Hue::Warning,
            Mark::Line {
                points: ends.map(|t| [t, at(slope, t)]).to_vec(),
                broken: false,
            },
        ),
    ]
}

/// The middle 90 % of consecutive blocks.
fn blocks(times: &[f64], errors: &[f64]) -> Option<Series> {
    let length = times.len().div_ceil(BLOCKS);
    let band: Vec<[f64; 3]> = times
        .chunks(length)
        .zip(errors.chunks(length))
        .filter_map(|(t, e)| {
            let sorted = Sorted::new(e.to_vec()).ok()?;
            let middle = 0.5 * (t[0] + t[t.len() - 1]);
            let q = |p| order::quantile(&sorted, p);
            Some([middle, q(0.05), q(0.95)])
        })
        .collect();
    (!band.is_empty()).then(|| Series::new("middle 90 %", Hue::Neutral, Mark::Band(band)))
}
