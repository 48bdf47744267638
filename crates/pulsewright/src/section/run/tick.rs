//! The hidden-tick periodogram.

use chain::{Rounded, plural};

use super::View;
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::text;

/// Periods along the curve: each the greatest near it, so that no narrow line is missed.
const POINTS: usize = 500;

/// The figure; `None` where no tick was looked for.
pub fn figure(view: &View<'_>) -> Option<Figure> {
    let tick = view.summary.tick.as_ref()?;
    let points = tick.periodogram(view.observations, POINTS)?;
    let hue = if tick.found {
        Hue::Warning
    } else {
        Hue::Neutral
    };
    let period = Rounded::to_uncertainty(0.01 * tick.period_ms).ms(tick.period_ms);
    let name = if tick.found { "tick" } else { "strongest" };
    Some(Figure {
        id: "tick".into(),
        title: "Is there a hidden tick?".into(),
        caption: format!(
            "How closely {} keep to each period: 1 is perfectly. Narrow distributions rise to the right by themselves; only a line that stands out counts. {}",
            plural(view.observations.len() as u64, "pulse"),
            text::run::tick_sentence(tick)
        ),
        panels: vec![Panel {
            x: Axis::log("period", "ms").within(tick.searched_ms[0], tick.searched_ms[1]),
            y: Axis::linear("strength", "").within(0.0, 1.0),
            series: vec![
                Series::new(
                    format!("{name}, {period} ms"),
                    hue,
                    Mark::Rule {
                        at: tick.period_ms,
                        along: Along::X,
                    },
                ),
                Series::new(
                    "strength",
                    Hue::Measured,
                    Mark::Line {
                        points,
                        broken: false,
                    },
                ),
            ],
            aspect: 0.42,
        }],
    })
}
