//! Width error by what was asked: every pulse, its density, and the median with its interval.

use chain::{GroupSummary, plural};

use super::{Drawn, View, hue_of};
use crate::figure::{Axis, Figure, Panel};
use crate::section::pulses::{self, Pulses};
use crate::text;

/// Up to this many groups stand in one panel; more are shared out by direction.
const MOST_IN_PANEL: usize = 12;

/// The figure.
pub fn figure(view: &View<'_>, drawn: &Drawn) -> Figure {
    let groups = &view.summary.groups;
    let indices: Vec<usize> = (0..groups.len()).collect();
    let shared: Vec<&[usize]> = if groups.len() <= MOST_IN_PANEL {
        vec![&indices]
    } else {
        let same = |a: &usize, b: &usize| groups[*a].direction == groups[*b].direction;
        indices.chunk_by(same).collect()
    };
    let most = pulses::most_in_column(groups.len());
    let range = drawn.all.as_ref().map(pulses::range_of);
    let outside = drawn.all.as_ref().zip(range);
    let outside = outside.map_or(0, |(all, range)| pulses::outside(all, range));
    let largest = groups.iter().map(|g| g.n as usize).max().unwrap_or(0);
    let panels = shared.iter().map(|indices| {
        let mut panel = panel(groups, indices, drawn, most);
        panel.y.range = range;
        panel.aspect = if shared.len() == 1 { 0.55 } else { 0.34 };
        panel
    });
    Figure {
        id: "width-error".into(),
        title: "Width error by requested width".into(),
        caption: format!(
            "Measured minus requested width of {}. {}",
            plural(view.summary.pooled.n, "pulse"),
            pulses::drawn(largest, most, outside)
        ),
        panels: panels.collect(),
    }
}

fn panel(groups: &[GroupSummary], indices: &[usize], drawn: &Drawn, most: usize) -> Panel {
    let direction = |i: usize| groups[i].direction;
    let several = indices
        .windows(2)
        .any(|pair| direction(pair[0]) != direction(pair[1]));
    let names = indices.iter().map(|&i| {
        let width = text::run::requested(&groups[i]);
        match direction(i).filter(|_| several) {
            Some(direction) => format!("{direction} {width}"),
            None => width,
        }
    });
    let asked = match indices.first().and_then(|&i| direction(i)) {
        Some(direction) if !several => format!("requested width, {direction}"),
        _ => "requested width".to_owned(),
    };
    let columns: Vec<Pulses<'_>> = indices
        .iter()
        .map(|&i| Pulses {
            name: name_of(&groups[i]),
            hue: hue_of(direction(i)),
            errors: drawn.groups[i].as_ref(),
            median: groups[i].width_error_ms.median,
            median_ci95: groups[i].width_error_ms.median_ci95,
        })
        .collect();
    Panel {
        x: Axis {
            unit: "ms",
            ..Axis::names(asked, names.collect())
        },
        y: Axis::linear("width error", "ms"),
        series: pulses::columns(&columns, most),
        aspect: 0.55,
    }
}

/// `ra+, 250 ms`.
fn name_of(group: &GroupSummary) -> String {
    let width = text::run::requested(group);
    match group.direction {
        Some(direction) => format!("{direction}, {width} ms"),
        None => format!("{width} ms"),
    }
}
