//! Chains beside each other.

use chain::{Comparison, plural};
use maud::{Markup, html};
use stats::Sorted;

use super::pulses::{self, Pulses};
use super::{Column, Place, cell, shown, table};
use crate::cmd::compare::Compared;
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::text;

/// The whole section: answer, warnings, figures, runs, pairs, tests.
pub fn section(compared: &Compared, at: &Place<'_>) -> Markup {
    let comparison = &compared.comparison;
    html! {
        (super::answer(&comparison.answer))
        (super::warnings(&comparison.warnings))
        @for figure in figures(compared) { (at.figure(&figure)) }
        (at.heading("The runs"))
        (shown(
            &format!("Width error at {}, in ms", text::comparison::widths(comparison)),
            &text::comparison::run_table(comparison),
        ))
        p.hint { (text::comparison::RUNS_NOTE) }
        (at.heading("Pair by pair"))
        ul { @for pair in &comparison.pairs { li { (pair.answer) "." } } }
        (pairs(comparison))
        (overall(comparison))
        (at.fold("How this was computed", &method(comparison)))
    }
}

/// The pulses of each chain side by side, and their cumulative distributions.
fn figures(compared: &Compared) -> [Figure; 2] {
    let comparison = &compared.comparison;
    let errors: Vec<Option<Sorted>> = compared
        .errors_ms
        .iter()
        .map(|errors| Sorted::new(errors.clone()).ok())
        .collect();
    let all = Sorted::new(compared.errors_ms.concat()).ok();
    [
        side_by_side(comparison, &errors, all.as_ref()),
        cumulative(comparison, &errors, all.as_ref()),
    ]
}

fn side_by_side(
    comparison: &Comparison,
    errors: &[Option<Sorted>],
    all: Option<&Sorted>,
) -> Figure {
    let runs = &comparison.runs;
    let columns: Vec<Pulses<'_>> = runs
        .iter()
        .zip(errors)
        .enumerate()
        .map(|(nth, (run, errors))| Pulses {
            name: run.name.clone(),
            hue: Hue::Nth(nth),
            errors: errors.as_ref(),
            median: run.median_ms,
            median_ci95: run.median_ci95,
        })
        .collect();
    let most = pulses::most_in_column(runs.len());
    let largest = runs.iter().map(|r| r.n as usize).max().unwrap_or(0);
    let range = all.map(pulses::range_of);
    let outside = all.zip(range);
    let outside = outside.map_or(0, |(all, range)| pulses::outside(all, range));
    Figure {
        id: "chains".into(),
        title: "Width error by chain".into(),
        caption: format!(
            "Measured minus requested width at {}: {}. {}",
            text::comparison::widths(comparison),
            pulses_of(comparison),
            pulses::drawn(largest, most, outside)
        ),
        panels: vec![Panel {
            x: Axis::names("chain", runs.iter().map(|r| r.name.clone()).collect()),
            y: Axis {
                range,
                ..Axis::linear("width error", "ms")
            },
            series: pulses::columns(&columns, most),
            aspect: 0.55,
        }],
    }
}

/// `attic-laptop 120 pulses, pier-board 118 pulses`.
fn pulses_of(comparison: &Comparison) -> String {
    let each = comparison.runs.iter();
    let each: Vec<String> = each
        .map(|run| format!("{} {}", run.name, plural(run.n, "pulse")))
        .collect();
    each.join(", ")
}

fn cumulative(comparison: &Comparison, errors: &[Option<Sorted>], all: Option<&Sorted>) -> Figure {
    let mut series = vec![Series::new(
        "as requested",
        Hue::Neutral,
        Mark::Rule {
            at: 0.0,
            along: Along::X,
        },
    )];
    let runs = comparison.runs.iter().zip(errors).enumerate();
    series.extend(runs.filter_map(|(nth, (run, errors))| {
        let steps = pulses::cumulative(errors.as_ref()?);
        Some(Series::new(
            run.name.clone(),
            Hue::Nth(nth),
            Mark::Steps(steps),
        ))
    }));
    Figure {
        id: "chains-distribution".into(),
        title: "How many pulses are how far off".into(),
        caption: format!(
            "The share of the pulses that came out at most so much too long: {}. The steeper a line and the nearer to 0, the better the chain.",
            pulses_of(comparison)
        ),
        panels: vec![Panel {
            x: Axis {
                range: all.map(pulses::range_of),
                ..Axis::linear("width error", "ms")
            },
            y: Axis::linear("share of the pulses", "").within(0.0, 1.0),
            series,
            aspect: 0.5,
        }],
    }
}

fn pairs(comparison: &Comparison) -> Markup {
    let columns = [
        Column::Words("pair"),
        Column::Numbers("shift, ms"),
        Column::Numbers("95 % interval"),
        Column::Numbers("Mann-Whitney"),
        Column::Numbers("Cliff's delta"),
        Column::Numbers("ratio of scatter"),
        Column::Numbers("Brown-Forsythe"),
    ];
    let rows: Vec<Vec<Markup>> = comparison
        .pairs
        .iter()
        .map(|pair| {
            let round = chain::Rounded::of_interval(pair.shift_ci95);
            vec![
                cell(format!("{} minus {}", pair.second, pair.first)),
                cell(round.ms(pair.shift_ms)),
                cell(round.interval(pair.shift_ci95)),
                cell(text::p_value(pair.mann_whitney_p_holm)),
                cell(format!("{:.2}", pair.cliffs_delta)),
                cell(
                    pair.spread_ratio
                        .map_or_else(|| "-".to_owned(), chain::significant),
                ),
                cell(text::p_value(pair.brown_forsythe_p_holm)),
            ]
        })
        .collect();
    html! {
        (table("Every pair", &columns, &rows))
        p.hint { (text::comparison::pairs_note(comparison)) }
    }
}

fn overall(comparison: &Comparison) -> Markup {
    html! {
        @if let Some(overall) = &comparison.overall {
            p {
                "All together: the level differs with " (text::p_value(overall.kruskal_wallis.p_value))
                " (Kruskal-Wallis), the spread with " (text::p_value(overall.brown_forsythe.p_value))
                " (Brown-Forsythe)."
            }
        }
    }
}

fn method(comparison: &Comparison) -> Markup {
    html! {
        p {
            "Only pulses of the requested widths that all runs have in common are compared: "
            (text::comparison::widths(comparison)) "."
        }
        dl {
            dt { "Shift" }
            dd { "The median of all differences between a pulse of the one and a pulse of the other, with its interval (Hodges & Lehmann 1963)." }
            dt { "Difference in level" }
            dd { "Mann-Whitney with ties; Kruskal-Wallis for three runs and more." }
            dt { "Cliff's delta" }
            dd { "The chance that a pulse of the second is longer, minus that it is shorter (Cliff 1993)." }
            dt { "Difference in spread" }
            dd { "Brown-Forsythe on the distances from the median (Brown & Forsythe 1974); the ratio is that of the mean distances." }
            dt { "Many pairs" }
            dd { "p-values are corrected for the number of pairs after Holm 1979." }
        }
    }
}

#[cfg(test)]
mod tests {
    use chain::RunToCompare;
    use wire::{Direction, Observation};

    use super::*;

    fn run(errors: impl IntoIterator<Item = f64>) -> Vec<Observation> {
        let pulse = |(order, error): (usize, f64)| Observation {
            direction: Some(Direction::RaPlus),
            requested_ms: 250.0,
            width_ms: 250.0 + error,
            start_s: Some(order as f64),
            issued_s: None,
            start_delay_ms: None,
            order,
            bridged: 0,
            request: None,
        };
        errors.into_iter().enumerate().map(pulse).collect()
    }

    #[test]
    fn the_figures_hold_the_numbers_of_the_comparison() {
        let runs = [
            run((0..60).map(|i| 12.0 + 0.1 * f64::from(i % 13))),
            run((0..80).map(|i| 3.0 + 0.2 * f64::from(i % 7))),
            run((0..70).map(|i| 5.0 + 0.5 * f64::from(i % 11))),
        ];
        let names = ["attic", "pier <b>", "serial"];
        let inputs: Vec<RunToCompare<'_>> = runs
            .iter()
            .zip(names)
            .map(|(observations, name)| RunToCompare {
                name: name.to_owned(),
                observations,
                missing: None,
            })
            .collect();
        let comparison = chain::compare(&inputs).unwrap();
        let errors_ms = runs
            .iter()
            .map(|run| chain::errors_at(run, &comparison.widths_ms))
            .collect();
        let compared = Compared {
            comparison,
            errors_ms,
        };
        let [strip, distribution] = figures(&compared);
        let medians = strip.panels[0].series.iter().find_map(|s| match &s.mark {
            Mark::Intervals { items, .. } => Some(items.clone()),
            _ => None,
        });
        for (drawn, run) in medians.unwrap().iter().zip(&compared.comparison.runs) {
            assert_eq!(drawn.value, run.median_ms);
            assert_eq!(Some([drawn.low, drawn.high]), run.median_ci95);
        }
        // A rule, and a line for each chain.
        assert_eq!(distribution.panels[0].series.len(), 4);
        let at = Place {
            prefix: "compare",
            level: 2,
            unfolded: false,
        };
        let page = section(&compared, &at).into_string();
        let answer = html! { (compared.comparison.pairs[0].answer) }.into_string();
        assert!(page.contains(&answer));
        assert!(page.contains("Kruskal-Wallis") && !page.contains("<b>"));
    }
}
