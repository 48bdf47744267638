//! Errors of single pulses by width, of a few runs beside each other, with their medians.

use chain::significant;
use stats::{Sorted, order};

use super::pulses;
use crate::figure::{Along, Axis, Hue, Interval, Mark, Panel, Series};

/// So many widths have a place of their own; more are put together.
const MOST_PLACES: usize = 10;
/// So many points are drawn at a place; of more, every so many-th.
const MOST_POINTS: usize = 400;
/// How far points are spread about their place.
const SPREAD: f64 = 0.1;

/// Errors by width.
pub struct Errors<'a> {
    /// What they are.
    pub name: &'a str,
    /// Their colour.
    pub hue: Hue,
    /// Width and error of each pulse, ms.
    pub pulses: Vec<[f64; 2]>,
}

/// A panel with a strip for each run at each width, and the median with its interval of the given
/// confidence beside it; `behind` is drawn first.
pub fn panel(widths: &str, runs: &[Errors<'_>], confidence: f64, behind: Vec<Series>) -> Panel {
    let all = runs.iter().flat_map(|run| &run.pulses).map(|p| p[0]);
    let places = places(all.collect());
    let mut series = behind;
    for (nth, run) in runs.iter().enumerate() {
        let shift = 0.44 * (nth as f64 + 0.5 - 0.5 * runs.len() as f64);
        let (mut points, mut medians) = (Vec::new(), Vec::new());
        for (i, [low, high]) in places.iter().enumerate() {
            let at = i as f64 + shift;
            let errors: Vec<f64> = run
                .pulses
                .iter()
                .filter(|p| (*low..=*high).contains(&p[0]))
                .map(|p| p[1])
                .collect();
            let step = errors.len().div_ceil(MOST_POINTS).max(1);
            points.extend(
                errors
                    .iter()
                    .step_by(step)
                    .enumerate()
                    .map(|(k, error)| [at + SPREAD * pulses::spread(k), *error]),
            );
            let Ok(sorted) = Sorted::new(errors) else {
                continue;
            };
            let value = order::median(&sorted);
            let [low, high] = order::median_interval(&sorted, confidence)
                .map_or([value, value], |found| {
                    [found.interval.low, found.interval.high]
                });
            medians.push(Interval {
                at,
                low,
                value,
                high,
            });
        }
        series.push(Series::new(run.name, run.hue, Mark::Points(points)));
        series.push(Series::silent(
            format!("{}, median", run.name),
            run.hue,
            Mark::Intervals {
                items: medians,
                along: Along::Y,
            },
        ));
    }
    let rule = Mark::Rule {
        at: 0.0,
        along: Along::Y,
    };
    series.insert(0, Series::silent("none", Hue::Neutral, rule));
    let names = places.iter().map(name).collect();
    Panel {
        x: Axis::names(widths, names),
        y: Axis::linear("width error", "ms"),
        series,
        aspect: 0.5,
    }
}

/// `50 ms`, or `40 to 60 ms`.
fn name([low, high]: &[f64; 2]) -> String {
    if low == high {
        format!("{} ms", significant(*low))
    } else {
        format!("{} to {} ms", significant(*low), significant(*high))
    }
}

/// The widths, or groups of them with about as many pulses each: least and greatest width.
fn places(mut widths: Vec<f64>) -> Vec<[f64; 2]> {
    widths.sort_by(f64::total_cmp);
    let mut distinct = widths.clone();
    distinct.dedup();
    if distinct.len() <= MOST_PLACES {
        return distinct.into_iter().map(|w| [w, w]).collect();
    }
    let each = widths.len().div_ceil(MOST_PLACES);
    let mut places: Vec<[f64; 2]> = Vec::new();
    let mut rest = widths.as_slice();
    while let Some(&low) = rest.first() {
        let high = rest[(each - 1).min(rest.len() - 1)];
        places.push([low, high]);
        // Pulses of one width stay together.
        rest = &rest[rest.partition_point(|w| *w <= high)..];
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pulse_has_one_place() {
        assert_eq!(places(vec![]), Vec::<[f64; 2]>::new());
        assert_eq!(
            places(vec![50.0, 20.0, 50.0]),
            vec![[20.0, 20.0], [50.0, 50.0]]
        );
        let many: Vec<f64> = (0..997).map(|i| f64::from(i % 331)).collect();
        let found = places(many.clone());
        assert!(found.len() <= MOST_PLACES);
        for width in many {
            let of = found
                .iter()
                .filter(|[low, high]| (*low..=*high).contains(&width))
                .count();
            assert_eq!(of, 1);
        }
    }

    #[test]
    fn the_median_is_that_of_the_pulses() {
        let pulses: Vec<[f64; 2]> = (0..41)
            .map(|i| [100.0, f64::from(i)])
            .chain((0..41).map(|i| [200.0, 100.0 + f64::from(i)]))
            .collect();
        let run = Errors {
            name: "before",
            hue: Hue::Measured,
            pulses,
        };
        let panel = panel("requested width", &[run], 0.95, Vec::new());
        let medians: Vec<Interval> = panel
            .series
            .iter()
            .filter_map(|s| match &s.mark {
                Mark::Intervals { items, .. } => Some(items.clone()),
                _ => None,
            })
            .flatten()
            .collect();
        assert_eq!(medians.len(), 2);
        assert_eq!([medians[0].value, medians[1].value], [20.0, 120.0]);
        assert!(medians[0].low < 20.0 && medians[0].high > 20.0);
    }
}
