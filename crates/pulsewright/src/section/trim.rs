//! The trim: what to type into the controller, what it takes off, and what it leaves.

use chain::{Below, Knot, Rounded, Trim, count, significant};
use maud::{Markup, html};
use wire::Observation;

use super::strip::{self, Errors};
use super::{Place, answer, shown, star, warnings};
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::json::TrimOnSky;
use crate::text;

/// Confidence of the intervals of medians.
const CONFIDENCE: f64 = 0.95;
/// So many measured pulses are drawn behind the curve; of more, every so many-th.
const MOST_POINTS: usize = 2000;
/// Points of the curve.
const CURVE_POINTS: usize = 120;

/// A change over the widths tried that nobody types a factor for, ms.
const SAME_MS: f64 = 0.5;

/// What a trim is shown from.
pub struct View<'a> {
    /// The trim.
    pub trim: &'a Trim,
    /// The chain of the run that it was fitted on.
    pub chain: &'a str,
    /// The run.
    pub run: i64,
    /// Its pulses.
    pub observations: &'a [Observation],
    /// What it does for the star, where a setup is known.
    pub on_sky: Option<&'a TrimOnSky>,
}

/// The trim with all that is told of it.
pub fn section(view: &View<'_>, at: &Place<'_>) -> Markup {
    let trim = view.trim;
    html! {
        (at.heading("What to type into the controller"))
        (answer(&trim.answer))
        (typed(trim))
        @if let Some(on_sky) = view.on_sky { p { (on_sky.answer) } }
        (warnings(&trim.warnings))
        (shown("To get, request", &text::trim::requests(trim)))
        p { (text::trim::tried(trim)) }
        @for figure in figures(view) { (at.figure(&figure)) }
        @if let Some(on_sky) = view.on_sky {
            (at.heading("What it does for the star"))
            (at.figure(&star_figure(on_sky)))
            (shown(
                &format!("The star in a long exposure, with {}", on_sky.setup),
                &text::star::table(&text::trim::stars(on_sky)),
            ))
            (shown(
                "What each trim leaves of the width error, on pulses that it was not fitted on",
                &text::trim::residuals(on_sky),
            ))
        }
        (at.fold("How this was computed", &html! {
            p { (text::trim::shape(trim)) }
            p { (text::trim::leaves(trim)) }
            p {
                "A straight line of the error over the requested width, by the Theil-Sen slope (Sen 1968) and the \
                 loss that was chosen; where a width lies off the line by more than its interval allows, each width \
                 has its own place, made to ascend by pooling neighbors (Barlow, Bartholomew, Bremner & Brunk 1972). \
                 The curve is kept in whole microseconds, so that a controller without floating point asks for \
                 exactly the same. The formulas stand in docs/method.md."
            }
        }))
    }
}

/// The trim as steps for a person at a controller's keyboard.
fn typed(trim: &Trim) -> Markup {
    if !trim.helps() {
        return html! { p { "There is nothing to type." } };
    }
    let shortest = significant(f64::from(trim.shortest_us) / 1000.0);
    html! {
        ol.steps {
            @if trim.refined {
                li { "Take the header, the Rust module or the table below into the controller: a single number is not enough for this chain." }
            } @else {
                li { (line(trim)) }
            }
            @if trim.shortest_us > 0 {
                li {
                    @match trim.below {
                        Below::Skip => { "Where the wanted width is under " (shortest) " ms, send nothing." }
                        Below::Floor => { "Where the wanted width is under " (shortest) " ms, send a pulse as for " (shortest) " ms." }
                        Below::Carry => { "Where the wanted width is under " (shortest) " ms, send nothing, and add it to the next of the same axis." }
                    }
                }
            }
            li { "Record a run with the trim in place, and prove it." }
        }
        p { "A controller that sends wrong widths moves a mount the wrong way: try it with a hand on the power." }
    }
}

/// The straight line as arithmetic: request = (wanted - offset) / (1 + scale).
fn line(trim: &Trim) -> String {
    let [low, high] = trim.tried_ms;
    let middle = trim.offset_ms + trim.scale * 0.5 * (low + high);
    let same = (trim.scale * (high - low)).abs() <= SAME_MS;
    let off = if same { middle } else { trim.offset_ms };
    let round = Rounded::decimals(if same { 1 } else { 2 });
    let amount = round.ms(off.abs());
    let way = if off < 0.0 {
        format!("Add {amount} ms to the wanted width")
    } else {
        format!("Take {amount} ms off the wanted width")
    };
    if same {
        return format!("{way}.");
    }
    let factor = Rounded::decimals(4).ms(1.0 / (1.0 + trim.scale));
    format!("{way}, then multiply by {factor}.")
}

/// What is taken off over the wanted width, and the errors before and after.
pub fn figures(view: &View<'_>) -> [Figure; 2] {
    [taken_off(view), before_and_after(view)]
}

fn taken_off(view: &View<'_>) -> Figure {
    let trim = view.trim;
    let n = view.observations.len();
    let step = n.div_ceil(MOST_POINTS).max(1);
    // A pulse that came out as w, asked for as r, says what to ask for to get w: w - r less.
    let measured: Vec<[f64; 2]> = view
        .observations
        .iter()
        .step_by(step)
        .map(|o| [o.width_ms, o.width_ms - o.requested_ms])
        .collect();
    let longest = measured
        .iter()
        .map(|p| p[0])
        .fold(trim.tried_ms[1], f64::max);
    let shortest = f64::from(trim.shortest_us) / 1000.0;
    let curve: Vec<[f64; 2]> = (0..=CURVE_POINTS)
        .map(|i| {
            let wanted = shortest + (longest - shortest).max(0.0) * i as f64 / CURVE_POINTS as f64;
            let us = (1000.0 * wanted).round() as u32;
            let request = f64::from(trim.curve.request_us(us)) / 1000.0;
            [wanted, f64::from(us) / 1000.0 - request]
        })
        .collect();
    let all = if step == 1 {
        String::new()
    } else {
        format!(", of which every {step}th is drawn")
    };
    Figure {
        id: "taken-off".to_owned(),
        title: "What the trim takes off a pulse, by wanted width".to_owned(),
        caption: format!(
            "The wanted minus the requested width, over the {} measured of {} in run {}{all}. {}",
            chain::plural(n as u64, "pulse"),
            view.chain,
            view.run,
            text::trim::tried(trim)
        ),
        panels: vec![Panel {
            x: Axis::linear("wanted width", "ms"),
            y: Axis::linear("taken off", "ms"),
            series: vec![
                Series::new("measured pulses", Hue::Measured, Mark::Points(measured)),
                Series::new(
                    "taken off by the trim",
                    Hue::Requested,
                    Mark::Line {
                        points: curve,
                        broken: false,
                    },
                ),
                Series::silent(
                    "shortest wanted width that is sent",
                    Hue::Neutral,
                    Mark::Rule {
                        at: shortest,
                        along: Along::X,
                    },
                ),
            ],
            aspect: 0.5,
        }],
    }
}

fn before_and_after(view: &View<'_>) -> Figure {
    let errors = |wanted: &dyn Fn(f64) -> f64| -> Vec<[f64; 2]> {
        view.observations
            .iter()
            .map(|o| [o.requested_ms, o.width_ms - wanted(o.requested_ms)])
            .collect()
    };
    let knots = view.trim.curve.knots();
    let r = &view.trim.residual;
    let round = Rounded::decimals(1);
    Figure {
        id: "residual".to_owned(),
        title: "Width error before the trim, and what it leaves".to_owned(),
        caption: format!(
            "{} by requested width; at most 400 points are drawn at a width, and the marks are medians with 95 % intervals. What is left is drawn for the pulses of the fit itself; on pulses that took no part in it (5-fold cross-validation, n {}) they miss by {} ms on average, in place of {} ms.",
            text::sentence(&chain::plural(view.observations.len() as u64, "pulse")),
            count(r.n),
            round.ms(r.mean_distance_after_ms),
            round.ms(r.mean_distance_before_ms)
        ),
        panels: vec![strip::panel(
            "requested width",
            &[
                Errors {
                    name: "before",
                    hue: Hue::Nth(0),
                    pulses: errors(&|requested| requested),
                },
                Errors {
                    name: "with the trim",
                    hue: Hue::Nth(1),
                    pulses: errors(&|requested| wanted_ms(knots, requested)),
                },
            ],
            CONFIDENCE,
            Vec::new(),
        )],
    }
}

/// The wanted width for which the curve requests this one: the curve the other way round, ms.
fn wanted_ms(knots: &[Knot], requested_ms: f64) -> f64 {
    let requested_us = 1000.0 * requested_ms;
    let last = knots.len().saturating_sub(2);
    let piece = (0..last)
        .find(|&i| requested_us < f64::from(knots[i + 1].request_us))
        .unwrap_or(last);
    let Some([a, b]) = knots.get(piece..piece + 2) else {
        return requested_ms;
    };
    let slope = f64::from(b.wanted_us - a.wanted_us) / f64::from(b.request_us - a.request_us);
    (f64::from(a.wanted_us) + slope * (requested_us - f64::from(a.request_us))) / 1000.0
}

fn star_figure(on_sky: &TrimOnSky) -> Figure {
    star::widths(
        "star-widths-trimmed",
        &text::trim::stars(on_sky),
        "The chain as it is, behind each kind of trim, and a perfect one.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use chain::{Loss, fit_trim};

    fn observations() -> Vec<Observation> {
        (0..400)
            .map(|i| {
                let requested_ms = [50.0, 120.0, 250.0, 500.0][i % 4];
                let scatter = ((i * 37) % 101) as f64 / 101.0 - 0.5;
                Observation {
                    direction: None,
                    requested_ms,
                    width_ms: requested_ms + 12.0 + 0.01 * requested_ms + scatter,
                    start_s: None,
                    issued_s: None,
                    start_delay_ms: None,
                    order: i,
                    bridged: 0,
                    request: None,
                }
            })
            .collect()
    }

    #[test]
    fn the_curve_the_other_way_round_comes_back() {
        let trim = fit_trim(&observations(), Loss::Median, Below::Carry, None, 1).unwrap();
        for wanted_us in (70_000..900_000).step_by(12_345) {
            let request_ms = f64::from(trim.curve.request_us(wanted_us)) / 1000.0;
            let back = wanted_ms(trim.curve.knots(), request_ms);
            assert!((1000.0 * back - f64::from(wanted_us)).abs() < 1.0);
        }
    }

    #[test]
    fn what_is_drawn_as_left_is_what_the_trim_leaves() {
        let observations = observations();
        let trim = fit_trim(&observations, Loss::Median, Below::Carry, None, 1).unwrap();
        let view = View {
            trim: &trim,
            chain: "attic",
            run: 3,
            observations: &observations,
            on_sky: None,
        };
        let [_, figure] = figures(&view);
        let medians: Vec<f64> = figure.panels[0]
            .series
            .iter()
            .filter(|s| s.name == "with the trim, median")
            .filter_map(|s| match &s.mark {
                Mark::Intervals { items, .. } => Some(items.iter().map(|i| i.value)),
                _ => None,
            })
            .flatten()
            .collect();
        assert_eq!(medians.len(), 4);
        assert!(medians.iter().all(|m| m.abs() < 0.2));
        let html = section(
            &view,
            &Place {
                prefix: "x",
                level: 2,
                unfolded: false,
            },
        )
        .into_string();
        assert!(html.contains(&trim.answer));
        assert!(html.contains("then multiply by 0.99"));
    }
}
