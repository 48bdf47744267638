//! The uncertainty budget as bars.

use chain::Budget;

use crate::figure::{Along, Axis, Bar, Figure, Hue, Mark, Panel, Series};

/// Thickness of a bar, in rows.
const THICKNESS: f64 = 0.6;

/// The figure.
pub fn figure(budget: &Budget) -> Figure {
    let components = budget.rows.iter();
    let mut names: Vec<String> = components.clone().map(|r| r.component.clone()).collect();
    let bars = |values: &mut dyn Iterator<Item = (usize, f64)>| {
        let items = values.map(|(row, to)| Bar {
            at: row as f64,
            from: 0.0,
            to,
        });
        Mark::Bars {
            items: items.collect(),
            thickness: THICKNESS,
            along: Along::X,
        }
    };
    let of_components = bars(&mut components.map(|r| r.standard_ms).enumerate());
    let sums = [budget.combined_ms, budget.expanded_ms];
    let of_sums = bars(
        &mut sums
            .into_iter()
            .enumerate()
            .map(|(i, v)| (names.len() + i, v)),
    );
    names.push("combined".into());
    names.push(format!("expanded, k = {}", budget.coverage_factor));
    let aspect = 0.06 * names.len() as f64 + 0.05;
    Figure {
        id: "uncertainty".into(),
        title: "What the uncertainty is made of".into(),
        caption: format!(
            "Standard uncertainty of the {} from each cause; combined by the root of the sum of squares, expanded with k = {} (JCGM 100:2008): {:.3} ms.",
            budget.quantity, budget.coverage_factor, budget.expanded_ms
        ),
        panels: vec![Panel {
            x: Axis::linear("standard uncertainty", "ms"),
            y: Axis::names("", names),
            series: vec![
                Series::new("component", Hue::Measured, of_components),
                Series::new("together", Hue::Neutral, of_sums),
            ],
            aspect,
        }],
    }
}
