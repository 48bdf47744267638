//! What figures of many pulses share: columns of pulses on their density with the median, cumulative
//! distributions, and thinning to what the eye can tell.

use chain::{count, plural};
use stats::{Sorted, density, order};

use crate::figure::{Along, Hue, Interval, Mark, Series};

/// Most pulses that are drawn in one column, and in all columns of a figure.
const MOST_IN_COLUMN: usize = 2000;
const MOST_IN_ALL: usize = 4000;
/// Steps of a cumulative distribution: a figure is not wider in pixels.
const MOST_STEPS: usize = 400;
/// Half of a column's width that a density may fill.
const HALF: f64 = 0.4;
/// Points along a density.
const DENSITY_POINTS: usize = 48;
/// So many values tell a density as well as a million: to a pixel.
const DENSITY_VALUES: usize = 1000;

/// At most `most` of the ascending values, evenly by rank, the least and the greatest among them.
pub fn thinned(values: &[f64], most: usize) -> Vec<f64> {
    let n = values.len();
    if n <= most || most < 2 {
        return values.to_vec();
    }
    (0..most)
        .map(|i| values[i * (n - 1) / (most - 1)])
        .collect()
}

/// The share of the values at or below each, as points of steps, from 0 to 1.
pub fn cumulative(sorted: &Sorted) -> Vec<[f64; 2]> {
    let values = sorted.as_slice();
    let n = values.len();
    let most = n.min(MOST_STEPS);
    let mut points = vec![[values[0], 0.0]];
    for i in 1..=most {
        let rank = i * n / most;
        points.push([values[rank - 1], rank as f64 / n as f64]);
    }
    // Of equal values the last step is the whole one.
    points.dedup_by(|next, before| {
        let same = next[0] == before[0] && before[1] > 0.0;
        if same {
            before[1] = next[1];
        }
        same
    });
    points
}

/// A column of pulses: the errors of one group or one chain.
#[derive(Debug)]
pub struct Pulses<'a> {
    /// Its name in the read-out.
    pub name: String,
    /// Its colour.
    pub hue: Hue,
    /// The errors; none where their run holds none.
    pub errors: Option<&'a Sorted>,
    /// Their median, ms.
    pub median: f64,
    /// Its interval.
    pub median_ci95: Option<[f64; 2]>,
}

/// How many pulses are drawn of each of so many columns.
pub fn most_in_column(columns: usize) -> usize {
    (MOST_IN_ALL / columns.max(1)).clamp(20, MOST_IN_COLUMN)
}

/// What a caption says of columns that are drawn with at most `most` pulses each within `range`.
pub fn drawn(largest: usize, most: usize, outside: u64) -> String {
    let mut text =
        "The outline is the density, the bar the median with its 95 % interval.".to_owned();
    if largest > most {
        text += &format!(
            " Where a column holds more, {} pulses are drawn, evenly by rank, the shortest and the longest among them.",
            count(most as u64)
        );
    }
    if outside > 0 {
        let verb = if outside == 1 { "lies" } else { "lie" };
        text += &format!(" {} {verb} beyond the axis.", plural(outside, "pulse"));
    }
    text
}

/// What an axis of errors shows: all of them and 0, but for stragglers farther out than the middle 99 %
/// are wide.
pub fn range_of(all: &Sorted) -> [f64; 2] {
    let (low, high) = (order::quantile(all, 0.005), order::quantile(all, 0.995));
    let room = (high - low).max(1e-3);
    let low = (low - room).max(all.min()).min(0.0);
    let high = (high + room).min(all.max()).max(0.0);
    // Room for the ends of a density, too.
    let margin = 0.07 * (high - low).max(1e-3);
    [low - margin, high + margin]
}

/// How many values lie outside of a range.
pub fn outside(all: &Sorted, [low, high]: [f64; 2]) -> u64 {
    let values = all.as_slice();
    let below = values.partition_point(|v| *v < low);
    let above = values.len() - values.partition_point(|v| *v <= high);
    (below + above) as u64
}

/// The columns side by side at 0, 1, 2, ...: what was requested, densities, at most `most` pulses each,
/// medians.
pub fn columns(columns: &[Pulses<'_>], most: usize) -> Vec<Series> {
    let requested = Mark::Rule {
        at: 0.0,
        along: Along::Y,
    };
    let mut series = vec![Series::new("as requested", Hue::Requested, requested)];
    let mut strips = Vec::new();
    let mut medians = Vec::new();
    for (place, column) in columns.iter().enumerate() {
        let place = place as f64;
        let [low, high] = column.median_ci95.unwrap_or([column.median; 2]);
        medians.push(Interval {
            at: place,
            low,
            value: column.median,
            high,
        });
        let Some(errors) = column.errors else {
            continue;
        };
        let density = Density::new(errors);
        let points = thinned(errors.as_slice(), most)
            .into_iter()
            .enumerate()
            .map(|(k, v)| [place + density.half_at(v) * spread(k), v])
            .collect();
        strips.push(Series::silent(
            column.name.clone(),
            column.hue,
            Mark::Points(points),
        ));
        if let Some(outline) = density.outline(place) {
            series.push(Series::silent(
                column.name.clone(),
                column.hue,
                Mark::Area(outline),
            ));
        }
    }
    series.append(&mut strips);
    let items = Mark::Intervals {
        items: medians,
        along: Along::Y,
    };
    series.push(Series::new("median", Hue::Neutral, items));
    series
}

/// Places between -1 and 1 that fill evenly, whatever the number: multiples of the golden ratio.
pub fn spread(k: usize) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_895;
    2.0 * (k as f64 * GOLDEN).fract() - 1.0
}

/// A density along the error, its greatest scaled to [`HALF`].
struct Density {
    from: f64,
    step: f64,
    half: Vec<f64>,
}

impl Density {
    /// Of equal values there is no density, and none is drawn.
    fn new(errors: &Sorted) -> Density {
        let none = Density {
            from: errors.min(),
            step: 1.0,
            half: Vec::new(),
        };
        let few = Sorted::new(thinned(errors.as_slice(), DENSITY_VALUES));
        let Some((few, bandwidth)) = few.ok().and_then(|few| {
            let bandwidth = density::bandwidth(&few).ok()?;
            Some((few, bandwidth))
        }) else {
            return none;
        };
        // Far stragglers are points of their own; the outline is of what lies together.
        let reach = 2.0 * bandwidth;
        let low = (order::quantile(&few, 0.005) - reach).max(few.min() - bandwidth);
        let high = (order::quantile(&few, 0.995) + reach).min(few.max() + bandwidth);
        let step = (high - low) / (DENSITY_POINTS - 1) as f64;
        let at: Vec<f64> = (0..DENSITY_POINTS).map(|i| low + step * i as f64).collect();
        let Ok(mut half) = density::kernel(&few, bandwidth, &at) else {
            return none;
        };
        let most = half.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        for value in &mut half {
            *value *= HALF / most;
        }
        Density {
            from: low,
            step,
            half,
        }
    }

    /// Half of the outline's width at an error.
    fn half_at(&self, error: f64) -> f64 {
        let place = (error - self.from) / self.step;
        let Some(last) = self.half.len().checked_sub(1) else {
            return HALF;
        };
        if !(0.0..last as f64).contains(&place) {
            return 0.0;
        }
        let below = place as usize;
        let part = place - below as f64;
        self.half[below] * (1.0 - part) + self.half[below + 1] * part
    }

    /// The outline about the column at `place`; `None` where there is none.
    fn outline(&self, place: f64) -> Option<Vec<[f64; 2]>> {
        if self.half.is_empty() {
            return None;
        }
        let side = |sign: f64| {
            let points = self.half.iter().enumerate();
            points.map(move |(i, half)| [place + sign * half, self.from + self.step * i as f64])
        };
        Some(side(1.0).chain(side(-1.0).rev()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sorted(values: impl IntoIterator<Item = f64>) -> Sorted {
        Sorted::new(values.into_iter().collect()).unwrap()
    }

    #[test]
    fn thinning_keeps_the_ends_and_the_order() {
        let values: Vec<f64> = (0..10_001).map(f64::from).collect();
        let few = thinned(&values, 100);
        assert_eq!(few.len(), 100);
        assert_eq!((few[0], few[99]), (0.0, 10_000.0));
        assert!(few.windows(2).all(|w| w[0] < w[1]));
        assert_eq!(thinned(&values[..7], 100), values[..7]);
    }

    #[test]
    fn a_cumulative_distribution_rises_from_none_to_all() {
        let values = sorted((0..5000).map(|i| f64::from(i % 1000)));
        let points = cumulative(&values);
        assert!(points.len() <= MOST_STEPS + 1);
        assert_eq!(points[0], [0.0, 0.0]);
        assert_eq!(points[points.len() - 1], [999.0, 1.0]);
        for [x, share] in &points[1..] {
            let at_or_below = values.as_slice().partition_point(|v| v <= x);
            assert!((share - at_or_below as f64 / 5000.0).abs() < 1e-3);
        }
        assert_eq!(cumulative(&sorted([2.0, 2.0])), [[2.0, 0.0], [2.0, 1.0]]);
    }

    #[test]
    fn stragglers_do_not_squeeze_the_axis_and_are_counted() {
        let values = sorted((0..1000).map(|i| f64::from(i) * 0.01).chain([5000.0]));
        let range = range_of(&values);
        assert!(range[0] < 0.0 && range[1] < 40.0, "{range:?}");
        assert_eq!(outside(&values, range), 1);
        assert!(drawn(10, 20, 1).ends_with("1 pulse lies beyond the axis."));
    }

    #[test]
    fn pulses_stay_within_their_column_and_equal_ones_have_no_outline() {
        let errors = sorted((0..200).map(|i| f64::from(i).sqrt()));
        let column = |errors| Pulses {
            name: "250 ms".into(),
            hue: Hue::Ra,
            errors: Some(errors),
            median: 10.0,
            median_ci95: None,
        };
        let series = columns(&[column(&errors)], 50);
        let points = series.iter().find_map(|s| match &s.mark {
            Mark::Points(points) => Some(points),
            _ => None,
        });
        let points = points.unwrap();
        assert_eq!(points.len(), 50);
        assert!(points.iter().all(|[x, _]| x.abs() <= HALF));
        let equal = sorted([3.0; 9]);
        let marks = columns(&[column(&equal)], 50);
        assert!(!marks.iter().any(|s| matches!(s.mark, Mark::Area(_))));
    }
}
