//! An axis with its range, laid along the plot.

use super::nice::{self, Tick};
use super::{Along, Axis, Mark, Scale, Series};

/// Beyond this, numbers say nothing in any of our units, and sums of them would overflow.
const LARGEST: f64 = 1e200;

/// How far beyond the plot anything is placed, in user units: what lies farther is clipped anyway.
const BEYOND: f64 = 5000.0;

/// An axis that knows where its values lie.
#[derive(Debug, Clone)]
pub struct Placed<'a> {
    /// The axis.
    pub axis: &'a Axis,
    /// Its ends: values, or exponents of ten on a logarithmic axis.
    pub ends: [f64; 2],
    /// Where the ends lie, in user units.
    pub at: [f64; 2],
}

impl<'a> Placed<'a> {
    /// The axis `along` of a panel, with a range that holds all of `series`; not laid yet.
    pub fn new(axis: &'a Axis, along: Along, series: &[Series]) -> Placed<'a> {
        let ends = match (&axis.scale, axis.range) {
            (Scale::Names(names), None) => [-0.5, names.len().max(1) as f64 - 0.5],
            (Scale::Log, Some([low, high])) => {
                given(low.log10(), high.log10()).unwrap_or_else(|| found(axis, along, series))
            }
            (_, Some([low, high])) => {
                given(low, high).unwrap_or_else(|| found(axis, along, series))
            }
            (_, None) => found(axis, along, series),
        };
        // Names are read from the top.
        let turned = matches!(axis.scale, Scale::Names(_)) && along == Along::Y;
        Placed {
            axis,
            ends: if turned { [ends[1], ends[0]] } else { ends },
            at: [0.0, 1.0],
        }
    }

    /// The same, from `from` to `to` in user units.
    pub fn laid(self, from: f64, to: f64) -> Placed<'a> {
        Placed {
            at: [from, to],
            ..self
        }
    }

    /// Where `value` lies; `None` where it is no number, or not above 0 on a logarithmic axis.
    pub fn place(&self, value: f64) -> Option<f64> {
        let value = match self.axis.scale {
            Scale::Log if value > 0.0 => value.log10(),
            Scale::Log => return None,
            Scale::Linear | Scale::Names(_) => value,
        };
        if !value.is_finite() {
            return None;
        }
        let share = (value.clamp(-LARGEST, LARGEST) - self.ends[0]) / (self.ends[1] - self.ends[0]);
        let at = self.at[0] + share * (self.at[1] - self.at[0]);
        let (low, high) = (self.at[0].min(self.at[1]), self.at[0].max(self.at[1]));
        Some(at.clamp(low - BEYOND, high + BEYOND))
    }

    /// As [`Placed::place`], but what is not above 0 lies at the lower end of a logarithmic axis: for
    /// the foot of a bar, or an interval that reaches 0.
    pub fn place_or_foot(&self, value: f64) -> Option<f64> {
        match self.axis.scale {
            Scale::Log if value <= 0.0 => Some(self.at[0]),
            _ => self.place(value),
        }
    }

    /// About `most` ticks at round values; none on an axis of names.
    pub fn ticks(&self, most: usize) -> Vec<Tick> {
        match self.axis.scale {
            Scale::Linear => nice::even(self.ends[0], self.ends[1], most),
            Scale::Log => nice::logarithmic(self.ends[0], self.ends[1], most),
            Scale::Names(_) => Vec::new(),
        }
    }

    /// What it counts, with its unit in brackets.
    pub fn label(&self) -> String {
        match self.axis.unit {
            "" => self.axis.label.clone(),
            unit => format!("{} ({unit})", self.axis.label),
        }
    }

    /// The length of one unit of the axis, in user units; for even axes.
    pub fn unit_length(&self) -> f64 {
        ((self.at[1] - self.at[0]) / (self.ends[1] - self.ends[0])).abs()
    }
}

/// A range that was asked for, if it is one.
fn given(low: f64, high: f64) -> Option<[f64; 2]> {
    let (low, high) = (low.clamp(-LARGEST, LARGEST), high.clamp(-LARGEST, LARGEST));
    (high - low > 1e-12 * low.abs().max(high.abs())).then_some([low, high])
}

/// What the series need, with a little room.
fn found(axis: &Axis, along: Along, series: &[Series]) -> [f64; 2] {
    let logarithmic = axis.scale == Scale::Log;
    let mut low = f64::INFINITY;
    let mut high = f64::NEG_INFINITY;
    for s in series {
        s.mark.each(along, &mut |value: f64| {
            let value = if logarithmic { value.log10() } else { value };
            if value.is_finite() {
                low = low.min(value);
                high = high.max(value);
            }
        });
    }
    if low > high {
        return [0.0, 1.0];
    }
    let (low, high) = (low.clamp(-LARGEST, LARGEST), high.clamp(-LARGEST, LARGEST));
    if given(low, high).is_none() {
        let half = if logarithmic {
            0.3
        } else {
            (0.1 * low.abs()).max(0.5)
        };
        return [low - half, high + half];
    }
    let full = series.iter().any(|s| matches!(s.mark, Mark::Cells { .. }));
    let room = if full { 0.0 } else { 0.04 * (high - low) };
    // Bars stand on their axis.
    let footed = series
        .iter()
        .any(|s| matches!(s.mark, Mark::Bars { along: a, .. } if a == along));
    [
        if footed && low == 0.0 {
            0.0
        } else {
            low - room
        },
        if footed && high == 0.0 {
            0.0
        } else {
            high + room
        },
    ]
}

impl Mark {
    /// Hands each value that the mark has along an axis to `see`.
    pub fn each(&self, along: Along, see: &mut dyn FnMut(f64)) {
        let axis = usize::from(along == Along::Y);
        match self {
            Mark::Line { points, .. }
            | Mark::Steps(points)
            | Mark::Points(points)
            | Mark::Area(points) => points.iter().for_each(|p| see(p[axis])),
            Mark::Band(places) if along == Along::X => places.iter().for_each(|p| see(p[0])),
            Mark::Band(places) => places.iter().flat_map(|p| [p[1], p[2]]).for_each(see),
            Mark::Intervals { items, along: a } if *a == along => {
                items
                    .iter()
                    .flat_map(|i| [i.low, i.value, i.high])
                    .for_each(see);
            }
            Mark::Intervals { items, .. } => items.iter().for_each(|i| see(i.at)),
            Mark::Bars {
                items, along: a, ..
            } if *a == along => {
                items.iter().flat_map(|b| [b.from, b.to]).for_each(see);
            }
            Mark::Bars {
                items, thickness, ..
            } => items
                .iter()
                .flat_map(|b| [b.at - 0.5 * thickness, b.at + 0.5 * thickness])
                .for_each(see),
            Mark::Rule { at, along: a } if *a == along => see(*at),
            Mark::Span {
                low,
                high,
                along: a,
            } if *a == along => {
                see(*low);
                see(*high);
            }
            Mark::Rule { .. } | Mark::Span { .. } => {}
            Mark::Cells {
                x_edges, y_edges, ..
            } => {
                let edges = if along == Along::X { x_edges } else { y_edges };
                edges.iter().copied().for_each(see);
            }
            Mark::Star { at, fwhm_x, fwhm_y } => {
                // As much sky around it as it takes to see its wings.
                let reach = 1.3 * if along == Along::X { fwhm_x } else { fwhm_y };
                see(at[axis] - reach);
                see(at[axis] + reach);
            }
        }
    }
}
