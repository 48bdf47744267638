//! The best settings: what to set, what it gains, how much else is as good.

use maud::{Markup, html};
use servo::tune::{GoodRange, Map, Tuned};

use super::{Place, answer, shown, warnings};
use crate::figure::{Along, Axis, Figure, Hue, Interval, Mark, Panel, Series};
use crate::json::TuneDocument;
use crate::text;

/// The best settings with all that is told of them.
pub fn section(document: &TuneDocument, at: &Place<'_>) -> Markup {
    let best = &document.untrimmed;
    html! {
        (answer(&document.answer))
        @if let Some(trimmed) = &document.answer_trimmed { p { "With the trim: " (trimmed) } }
        (warnings(&document.warnings))
        (shown(&format!("What to set, with {}", document.chain), &text::tune::settings(document)))
        p { (text::tune::flatness(best)) }
        @for figure in figures(document) { (at.figure(&figure)) }
        (at.fold("The map in numbers", &html! {
            (shown(
                &format!("{} by cadence, and by gain of both axes", text::sentence(best.goal.words())),
                &text::tune::map(best),
            ))
        }))
        (at.fold("How this was computed", &html! {
            p { (text::tune::computed(document)) }
            p {
                "The setup is " code { (document.setup) } ". Three stages, each on the same exposures for all \
                 settings: a coarse grid of timing and gain; laws, dead bands and shortest pulses at the best \
                 timings; a fine grid around the best. A setting is as good as the best where it is worse by \
                 less than two standard errors of the paired difference, or by less than 0.2 %. The formulas \
                 stand in docs/method.md."
            }
        }))
    }
}

/// The map of gain by cadence, and the gains that are as good as the best.
pub fn figures(document: &TuneDocument) -> [Figure; 2] {
    [map(document), gains(document)]
}

fn map(document: &TuneDocument) -> Figure {
    let best = &document.untrimmed;
    let Map {
        gains,
        cadences_s,
        values,
    } = &best.map;
    let unit = match best.goal {
        servo::tune::Goal::Elongation => "",
        _ => "arcsec",
    };
    let (x_edges, y_edges) = (edges(gains), edges(cadences_s));
    let end = |edges: &[f64]| edges.last().copied().unwrap_or(1.0);
    // The marks may stand beside the fields.
    let (most_gain, most_cadence) = (
        end(&x_edges).max(best.best.control.ra_gain),
        end(&y_edges).max(best.best.control.cadence_s),
    );
    let cells = Mark::Cells {
        x_edges,
        y_edges,
        values: values.clone(),
        label: best.goal.words().trim_end_matches(" in arcsec").to_owned(),
        unit,
    };
    let control = &best.best.control;
    let at = |gain: f64| Mark::Points(vec![[gain, control.cadence_s]]);
    Figure {
        id: "gain-by-cadence".to_owned(),
        title: format!("{} by gain and cadence", text::sentence(best.goal.words())),
        caption: format!(
            "Each field has the same gain on both axes, with the law, dead band and shortest pulse that are recommended; the two marks are the recommended gains. Open fields are unstable, or lose the star. {}",
            text::tune::computed(document)
        ),
        panels: vec![Panel {
            x: Axis::linear("gain of both axes", "").within(0.0, 1.03 * most_gain),
            y: Axis::linear("cadence", "s").within(0.0, 1.03 * most_cadence),
            series: vec![
                Series::silent(best.goal.words(), Hue::Neutral, cells),
                Series::new("to set in right ascension", Hue::Ra, at(control.ra_gain)),
                Series::new("to set in declination", Hue::Dec, at(control.dec_gain)),
            ],
            aspect: 0.5,
        }],
    }
}

/// Halfway between the values, and as far beyond the first and the last.
fn edges(values: &[f64]) -> Vec<f64> {
    let (Some(first), Some(last)) = (values.first(), values.last()) else {
        return Vec::new();
    };
    let between: Vec<f64> = values.windows(2).map(|p| 0.5 * (p[0] + p[1])).collect();
    let low = between
        .first()
        .map_or(0.5 * first, |edge| 2.0 * first - edge);
    let high = between.last().map_or(1.5 * last, |edge| 2.0 * last - edge);
    std::iter::once(low).chain(between).chain([high]).collect()
}

fn gains(document: &TuneDocument) -> Figure {
    const GAINS: [(&str, &str); 2] = [("ra_gain", "right ascension"), ("dec_gain", "declination")];
    let items = |tuned: &Tuned, shift: f64| -> Vec<Interval> {
        let of = |i: usize| -> Option<&GoodRange> {
            tuned.ranges.iter().find(|r| r.setting == GAINS[i].0)
        };
        (0..GAINS.len())
            .filter_map(|i| {
                of(i).map(|r| Interval {
                    at: i as f64 + shift,
                    low: r.low,
                    value: r.best,
                    high: r.high,
                })
            })
            .collect()
    };
    let shift = if document.trimmed.is_some() {
        0.15
    } else {
        0.0
    };
    let series = |name: &str, nth: usize, items| {
        let along = Along::X;
        Series::new(name, Hue::Nth(nth), Mark::Intervals { items, along })
    };
    let mut all = vec![series(
        "the chain as it is",
        0,
        items(&document.untrimmed, -shift),
    )];
    if let Some(trimmed) = &document.trimmed {
        all.push(series("with the trim", 1, items(trimmed, shift)));
    }
    Figure {
        id: "good-gains".to_owned(),
        title: "Gains that are as good as the best".to_owned(),
        caption: format!(
            "The recommended gain, and from where to where others are as good within the noise. {}",
            text::tune::computed(document)
        ),
        panels: vec![Panel {
            x: Axis::linear("gain", ""),
            y: Axis::names("", GAINS.map(|(_, name)| name.to_owned()).to_vec()),
            series: all,
            aspect: 0.26,
        }],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_meet_halfway() {
        assert_eq!(edges(&[1.0, 2.0, 4.0]), [0.5, 1.5, 3.0, 5.0]);
        assert_eq!(edges(&[2.0]), [1.0, 3.0]);
        assert!(edges(&[]).is_empty());
    }
}
