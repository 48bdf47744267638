//! The distribution of all width errors: cumulative with the fitted family, and against the normal.

use chain::plural;
use stats::{Sorted, order, special::normal_quantile};

use super::{Drawn, View};
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::section::pulses;
use crate::text;

/// Points along a fitted curve.
const CURVE_POINTS: usize = 160;
/// Points of a quantile plot.
const QUANTILE_POINTS: usize = 300;
/// Chance that the band misses the distribution anywhere.
const BAND_MISSES: f64 = 0.05;

/// The cumulative distribution with its band and the family that fits best.
pub fn cumulative(view: &View<'_>, drawn: &Drawn) -> Option<Figure> {
    let all = drawn.all.as_ref()?;
    let n = all.len();
    let steps = pulses::cumulative(all);
    let mut caption = format!(
        "The share of {} that came out at most so much too long.",
        plural(n as u64, "pulse")
    );
    let mut series = Vec::new();
    if n > 1 {
        // Dvoretzky, Kiefer & Wolfowitz 1956 with the constant of Massart 1990.
        let half = (libm::log(2.0 / BAND_MISSES) / (2.0 * n as f64)).sqrt();
        let band = steps
            .iter()
            .map(|[x, share]| [*x, (share - half).max(0.0), (share + half).min(1.0)]);
        series.push(Series::new(
            "95 % band",
            Hue::Neutral,
            Mark::Band(band.collect()),
        ));
        caption += " The band holds the whole true distribution with a chance of 95 %, whatever its shape (Massart 1990).";
    }
    series.push(Series::new("measured", Hue::Measured, Mark::Steps(steps)));
    let range = pulses::range_of(all);
    let best = view.summary.pooled.family.as_ref();
    if let Some((summary, family)) = best.and_then(|f| Some((f, f.family()?))) {
        let name = text::run::family_name(summary);
        let [low, high] = range;
        let points = (0..=CURVE_POINTS).map(|i| {
            let x = low + (high - low) * i as f64 / CURVE_POINTS as f64;
            [x, family.cdf(x)]
        });
        let curve = Mark::Line {
            points: points.collect(),
            broken: true,
        };
        series.push(Series::new(name.clone(), Hue::Requested, curve));
        caption += &match summary.fits {
            Some(true) => format!(" Of six families {name} fits best."),
            Some(false) => format!(
                " Of six families {name} comes closest, and a test refuses even that: trust the pulses, not the curve."
            ),
            None => format!(
                " Of six families {name} comes closest; there are too few pulses to test it."
            ),
        };
    }
    let outside = pulses::outside(all, range);
    if outside > 0 {
        caption += &format!(" Beyond the axis: {}.", plural(outside, "pulse"));
    }
    let [low, high] = range;
    Some(Figure {
        id: "distribution".into(),
        title: "How many pulses are how far off".into(),
        caption,
        panels: vec![Panel {
            x: Axis::linear("width error", "ms").within(low, high),
            y: Axis::linear("share of the pulses", "").within(0.0, 1.0),
            series,
            aspect: 0.5,
        }],
    })
}

/// Quantiles of the errors against those of a standard normal distribution.
pub fn against_normal(drawn: &Drawn) -> Option<Figure> {
    let all = drawn.all.as_ref().filter(|all| all.len() > 2)?;
    let quartile = |p: f64| (normal_quantile(p), order::quantile(all, p));
    let ((z1, e1), (z3, e3)) = (quartile(0.25), quartile(0.75));
    let slope = (e3 - e1) / (z3 - z1);
    let points = quantiles(all);
    let ends = [points.first()?[0], points.last()?[0]];
    let line = ends.map(|z| [z, e1 + slope * (z - z1)]);
    Some(Figure {
        id: "quantiles".into(),
        title: "Against the normal distribution".into(),
        caption: format!(
            "Quantiles of {} against those of a normal distribution, with the line through the quartiles. Normal errors would lie on the line; points above it on the right are stragglers.",
            plural(all.len() as u64, "pulse")
        ),
        panels: vec![Panel {
            x: Axis::linear("quantile of the standard normal distribution", ""),
            y: Axis::linear("width error", "ms"),
            series: vec![
                Series::new(
                    "0 ms",
                    Hue::Requested,
                    Mark::Rule {
                        at: 0.0,
                        along: Along::Y,
                    },
                ),
                Series::new(
                    "normal",
                    Hue::Neutral,
                    Mark::Line {
                        points: line.to_vec(),
                        broken: true,
                    },
                ),
                Series::new("measured", Hue::Measured, Mark::Points(points)),
            ],
            aspect: 0.5,
        }],
    })
}

/// Pairs of normal quantile and error, at positions (i - 1/3) / (n + 1/3) as those of type 8 (Hyndman &
/// Fan 1996); of many pulses evenly along the normal quantile, so that the tails keep each pulse.
fn quantiles(all: &Sorted) -> Vec<[f64; 2]> {
    let values = all.as_slice();
    let n = values.len();
    let z_of = |i: usize| normal_quantile((i as f64 + 2.0 / 3.0) / (n as f64 + 1.0 / 3.0));
    let most = z_of(n - 1);
    let mut ranks: Vec<usize> = if n <= QUANTILE_POINTS {
        (0..n).collect()
    } else {
        let steps = QUANTILE_POINTS - 1;
        let at = (0..=steps).map(|k| most * (2.0 * k as f64 / steps as f64 - 1.0));
        let share = at.map(stats::special::normal_cdf);
        share
            .map(|p| (p * (n as f64 + 1.0 / 3.0) - 2.0 / 3.0).round().max(0.0) as usize)
            .map(|rank| rank.min(n - 1))
            .collect()
    };
    ranks.dedup();
    ranks.into_iter().map(|i| [z_of(i), values[i]]).collect()
}
