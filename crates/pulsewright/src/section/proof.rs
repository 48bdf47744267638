//! The proof: is the error after the change none within the margin, and less than before?

use std::path::Path;

use chain::{Proof, count, significant};
use maud::{Markup, html};
use stats::{Sorted, order};
use wire::Observation;

use super::strip::{self, Errors};
use super::{Place, answer, shown, warnings};
use crate::figure::{Along, Axis, Figure, Hue, Interval, Mark, Panel, Series};
use crate::text;

/// Confidence of the interval that equivalence at 5 % looks at.
const CONFIDENCE: f64 = 0.9;

/// What a proof is shown from.
pub struct View<'a> {
    /// The proof.
    pub proof: &'a Proof,
    /// What the runs before and after are called.
    pub names: &'a [String; 2],
    /// Their pulses.
    pub observations: [&'a [Observation]; 2],
    /// The setup that the margin was taken from.
    pub margin_from: Option<&'a Path>,
}

/// The proof with all that it rests on.
pub fn section(view: &View<'_>, at: &Place<'_>) -> Markup {
    let proof = view.proof;
    html! {
        (answer(&proof.answer))
        (warnings(&proof.warnings))
        @for figure in figures(view) { (at.figure(&figure)) }
        (shown("How far the pulses missed", &text::proof::distances(view.names, proof)))
        p { (text::proof::shift(proof)) }
        @if let Some(needed) = proof.equivalence.pulses_needed.filter(|_| !proof.equivalence.within) {
            p {
                "If the run goes on as it is, about " (count(needed))
                " pulses give a firm answer with a chance of 90 %."
            }
        }
        @if let Some(setup) = view.margin_from { p { (text::proof::margin(setup)) } }
        (at.fold("How this was computed", &html! {
            p { (text::proof::tested(proof)) }
            p {
                "Of the pulses whose wanted widths both runs have in common ("
                (widths(&proof.widths_ms)) "). The median after the change counts as none where its 90 % \
                 interval lies within the margin, which is a pair of one-sided tests at 5 % (Schuirmann 1987); \
                 each is a sign test, so that no distribution is supposed. No width and direction may lie \
                 outside the margin by itself. The gain is the mean distance from what was wanted, before minus \
                 after, with Welch's interval (1947). The formulas stand in docs/method.md."
            }
        }))
    }
}

fn widths(widths_ms: &[f64]) -> String {
    const FEW: usize = 12;
    match widths_ms {
        [] => "none".to_owned(),
        [first, .., last] if widths_ms.len() > FEW => format!(
            "{} widths from {} to {} ms",
            widths_ms.len(),
            significant(*first),
            significant(*last)
        ),
        few => {
            let few: Vec<String> = few.iter().map(|w| significant(*w)).collect();
            format!("{} ms", few.join(", "))
        }
    }
}

/// The errors before and after by width, and the medians beside the margin.
pub fn figures(view: &View<'_>) -> [Figure; 2] {
    let [before, after] = [0, 1].map(|run| errors(view, run));
    let margin = view.proof.equivalence.margin_ms;
    let within = |along: Along| {
        let span = Mark::Span {
            low: -margin,
            high: margin,
            along,
        };
        Series::new("the margin", Hue::Neutral, span)
    };
    let caption = format!(
        "{} of {} pulses and {} of {} pulses; the margin is {} ms either side of none.",
        view.names[0],
        count(view.proof.n[0]),
        view.names[1],
        count(view.proof.n[1]),
        significant(margin)
    );
    let medians: Vec<Interval> = [&before, &after]
        .into_iter()
        .enumerate()
        .filter_map(|(i, pulses)| median(i, pulses))
        .collect();
    let strips = [
        Errors {
            name: &view.names[0],
            hue: Hue::Nth(0),
            pulses: before,
        },
        Errors {
            name: &view.names[1],
            hue: Hue::Nth(1),
            pulses: after,
        },
    ];
    [
        Figure {
            id: "before-and-after".to_owned(),
            title: "Width error before and after, by wanted width".to_owned(),
            caption: format!(
                "{caption} A point is a pulse (at most 400 are drawn at a width); the marks are medians with 90 % intervals."
            ),
            panels: vec![strip::panel(
                "wanted width",
                &strips,
                CONFIDENCE,
                vec![within(Along::Y)],
            )],
        },
        Figure {
            id: "equivalence".to_owned(),
            title: "The median beside the margin".to_owned(),
            caption: format!(
                "{caption} Proven where the interval after the change lies within the margin. Median width errors with 90 % intervals."
            ),
            panels: vec![Panel {
                x: Axis::linear("width error", "ms"),
                y: Axis::names("", view.names.to_vec()),
                series: vec![
                    within(Along::X),
                    Series::new(
                        "median and 90 % interval",
                        Hue::Measured,
                        Mark::Intervals {
                            items: medians,
                            along: Along::X,
                        },
                    ),
                ],
                aspect: 0.26,
            }],
        },
    ]
}

/// Width and error of the pulses of a run that took part.
fn errors(view: &View<'_>, run: usize) -> Vec<[f64; 2]> {
    view.observations[run]
        .iter()
        .filter(|o| view.proof.takes(o.requested_ms))
        .map(|o| [o.requested_ms, o.width_ms - o.requested_ms])
        .collect()
}

fn median(place: usize, pulses: &[[f64; 2]]) -> Option<Interval> {
    let sorted = Sorted::new(pulses.iter().map(|p| p[1]).collect()).ok()?;
    let value = order::median(&sorted);
    let [low, high] = order::median_interval(&sorted, CONFIDENCE).map_or([value, value], |found| {
        [found.interval.low, found.interval.high]
    });
    Some(Interval {
        at: place as f64,
        low,
        value,
        high,
    })
}
