//! The start delay.

use chain::plural;
use stats::{Sorted, order};

use super::View;
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::section::pulses;
use crate::text;

/// The figure; `None` without times of issue.
pub fn figure(view: &View<'_>) -> Option<Figure> {
    let delay = view.summary.start_delay.as_ref()?;
    let delays = view.observations.iter().filter_map(|p| {
        if delay.absolute {
            p.start_delay_ms
        } else {
            Some((p.start_s? - p.issued_s?) * 1000.0)
        }
    });
    let sorted = Sorted::new(delays.collect()).ok()?;
    let median = order::median(&sorted);
    let n = plural(sorted.len() as u64, "pulse");
    let mut series = Vec::new();
    let (label, shift, caption) = match delay.median_ms {
        Some(known) => {
            if let Some([low, high]) = delay.median_ci95 {
                series.push(Series::silent(
                    "median, 95 %",
                    Hue::Neutral,
                    Mark::Span {
                        low,
                        high,
                        along: Along::X,
                    },
                ));
            }
            series.push(Series::new(
                "median",
                Hue::Neutral,
                Mark::Rule {
                    at: known,
                    along: Along::X,
                },
            ));
            (
                "start delay",
                0.0,
                format!("The share of {n} that began at most so long after they were asked for."),
            )
        }
        None => (
            "start delay over its median",
            median,
            format!("The share of {n} that began at most so much later than the median pulse did."),
        ),
    };
    let steps = pulses::cumulative(&sorted);
    let steps = steps.into_iter().map(|[x, share]| [x - shift, share]);
    series.push(Series::new(
        "measured",
        Hue::Measured,
        Mark::Steps(steps.collect()),
    ));
    Some(Figure {
        id: "start-delay".into(),
        title: "Start delay".into(),
        caption: format!("{caption} {}", text::run::delay(view.summary)?),
        panels: vec![Panel {
            x: Axis::linear(label, "ms"),
            y: Axis::linear("share of the pulses", "").within(0.0, 1.0),
            series,
            aspect: 0.42,
        }],
    })
}
