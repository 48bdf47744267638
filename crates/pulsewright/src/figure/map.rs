//! Maps: cells whose colour tells a value, with the scale of the colours beside them.

use maud::{Markup, html};

use super::mark::Ground;
use super::nice::Tick;
use super::path::{Path, round};
use super::placed::Placed;
use super::{Along, Axis, Mark, Series, words};

/// How many colours: as many as the eye tells apart beside each other. The style sheet has them as
/// `.level-0` to `.level-11`.
pub const LEVELS: usize = 12;

/// From this ratio of the largest to the least value on, colours follow the logarithm: otherwise a few
/// large values would leave one colour to all others.
const WIDE: f64 = 20.0;

/// What the scale beside a map takes, in user units.
pub const SCALE_WIDTH: f64 = 22.0;

/// The axis of the colours of a map.
pub fn colour_axis(values: &[Vec<Option<f64>>], label: &str, unit: &'static str) -> Axis {
    let finite = || {
        values
            .iter()
            .flatten()
            .flatten()
            .copied()
            .filter(|v| v.is_finite())
    };
    let low = finite().fold(f64::INFINITY, f64::min);
    let high = finite().fold(f64::NEG_INFINITY, f64::max);
    let axis = if low > 0.0 && high / low > WIDE {
        Axis::log(label, unit)
    } else {
        Axis::linear(label, unit)
    };
    if low < high {
        axis.within(low, high)
    } else {
        axis
    }
}

/// The colours of a map, laid from `from` to `to` in user units.
pub fn colours<'a>(axis: &'a Axis, values: &[Vec<Option<f64>>], from: f64, to: f64) -> Placed<'a> {
    let all = values
        .iter()
        .flatten()
        .flatten()
        .map(|v| [*v, *v])
        .collect();
    let series = Series::new("", super::Hue::Neutral, Mark::Points(all));
    Placed::new(axis, Along::Y, &[series]).laid(from, to)
}

/// The cells of a map, one path for each colour, and what the script reads: edges and values.
pub fn cells(
    edges: [&[f64]; 2],
    values: &[Vec<Option<f64>>],
    label: &str,
    unit: &'static str,
    ground: &Ground<'_>,
) -> (Markup, String) {
    let axis = colour_axis(values, label, unit);
    let colours = colours(&axis, values, 0.0, LEVELS as f64);
    let [xs, ys] = [(edges[0], &ground.x), (edges[1], &ground.y)].map(|(edges, axis)| {
        edges
            .iter()
            .map(|e| axis.place_or_foot(*e))
            .collect::<Vec<_>>()
    });
    let mut paths: Vec<Path> = (0..LEVELS).map(|_| Path::default()).collect();
    let mut read = format!("{label}|{unit}|");
    for (row, y) in values.iter().zip(ys.windows(2)) {
        for (value, x) in row.iter().zip(xs.windows(2)) {
            let (&[Some(left), Some(right)], &[Some(bottom), Some(top)]) = (x, y) else {
                continue;
            };
            let Some((value, level)) = value.and_then(|v| Some((v, colours.place(v)?))) else {
                continue;
            };
            let level = (level.max(0.0) as usize).min(LEVELS - 1);
            paths[level]
                .start(left, bottom)
                .across(right)
                .upright(top)
                .across(left)
                .close();
            read += &format!(
                "{} {} {};",
                round(0.5 * (left + right)),
                round(0.5 * (bottom + top)),
                chain::significant(value)
            );
        }
    }
    let markup = html! {
        @for (level, path) in paths.into_iter().enumerate() {
            @if let Some(d) = path.text() { path class={ "cell level-" (level) } d=(d) {} }
        }
    };
    (markup, read)
}

/// The scale of the colours, to the right of `left`, from `top` to `bottom`.
pub fn scale(colours: &Placed<'_>, left: f64, ticks: &[Tick]) -> Markup {
    let [bottom, top] = colours.at;
    let step = (bottom - top) / LEVELS as f64;
    html! {
        g class="colour-scale" {
            @for level in 0..LEVELS {
                rect class={ "cell level-" (level) } x=(round(left)) width=(SCALE_WIDTH)
                    y=(round(bottom - step * (level + 1) as f64)) height=(round(step + 0.2)) {}
            }
            @for tick in ticks {
                @if let Some(y) = colours.place(tick.value) {
                    path class="axis" d={ "M" (round(left + SCALE_WIDTH)) "," (round(y)) "h5" } {}
                    text x=(round(left + SCALE_WIDTH + 8.0)) y=(round(y + 5.0)) { (tick.label) }
                }
            }
        }
    }
}

/// How wide scale and numbers are together.
pub fn scale_width(ticks: &[Tick]) -> f64 {
    let labels = ticks.iter().map(|t| words::width(&t.label));
    SCALE_WIDTH + 10.0 + labels.fold(0.0, f64::max)
}
