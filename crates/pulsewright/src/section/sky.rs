//! What a millisecond of pulse, and the width error of a run, move the star by.

use chain::significant;
use maud::{Markup, html};
use sky::{Axis as SkyAxis, Setup, rate};

use super::{Place, shown};
use crate::figure::{Along, Axis, Figure, Hue, Mark, Panel, Series};
use crate::json::{Effect, SetupDocument};
use crate::text;

/// The whole section: answer, warnings, figure, table.
pub fn section(document: &SetupDocument<'_>, at: &Place<'_>) -> Markup {
    html! {
        (super::answer(&text::setup::sentence(document)))
        p {
            "Image scale: " (significant(document.guide_arcsec_per_px)) " arcsec/px guiding, "
            (significant(document.imaging_arcsec_per_px)) " arcsec/px imaging."
        }
        (super::warnings(document.warnings))
        @if let Some(effect) = &document.effect {
            (at.figure(&figure(document.setup, effect)))
            (shown(
                &format!("What the width error of run {} ({}) moves the star by", effect.run, effect.chain),
                &text::setup::effect_table(effect),
            ))
            p.hint { (text::setup::EFFECT_NOTE) }
        }
        @if !document.defaulted.is_empty() {
            p.hint { "Not in the setup, so at their defaults: " (document.defaulted.join(", ")) "." }
        }
        (at.fold("How this was computed", &html! {
            p {
                "The star moves by width error x guide rate (as a fraction of sidereal) x "
                (format!("{:.6}", rate::SIDEREAL_ARCSEC_PER_S))
                " arcsec/s (IERS Conventions 2010), in right ascension times cos(declination). Image scale: 206.265 x pixel [um] / focal length [mm] arcsec/px."
            }
        }))
    }
}

/// Greatest declination of the figure: at the pole a pulse in right ascension turns the star on its spot.
const LAST_DEG: f64 = 90.0;
/// Points along the declination.
const POINTS: usize = 91;

/// How far the median width error moves the star over the declination, with what 95 % of the pulses do.
pub fn figure(setup: &Setup, effect: &Effect) -> Figure {
    let mut series = Vec::new();
    for axis in &effect.on_sky.axes {
        let (name, hue) = match axis.axis {
            SkyAxis::Ra => ("right ascension", Hue::Ra),
            SkyAxis::Dec => ("declination", Hue::Dec),
        };
        let moved = |ms: f64, declination: f64| {
            rate::arcsec_of_width_error(ms, setup.rate(axis.axis), declination, axis.axis)
        };
        let ends = axis.quantiles.first().zip(axis.quantiles.last());
        let (mut band, mut line) = (Vec::new(), Vec::new());
        for i in 0..POINTS {
            let declination = LAST_DEG * i as f64 / (POINTS - 1) as f64;
            line.push([declination, moved(axis.median.ms, declination)]);
            if let Some((low, high)) = ends {
                let (low, high) = (low.moved.ms, high.moved.ms);
                band.push([
                    declination,
                    moved(low, declination),
                    moved(high, declination),
                ]);
            }
        }
        series.push(Series::silent(
            format!("{name}, 95 % of the pulses"),
            hue,
            Mark::Band(band),
        ));
        series.push(Series::new(
            format!("{name}, median"),
            hue,
            Mark::Line {
                points: line,
                broken: false,
            },
        ));
    }
    let target = effect.on_sky.declination_deg.abs();
    series.push(Series::new(
        format!("the target, {} deg", significant(target)),
        Hue::Neutral,
        Mark::Rule {
            at: target,
            along: Along::X,
        },
    ));
    Figure {
        id: "on-sky".into(),
        title: "What one pulse's error moves the star by".into(),
        caption: format!(
            "The width errors of run {} ({}) in arcseconds over the declination, north or south, at guide rates of {} (right ascension) and {} (declination) of sidereal. Lines: the median; bands: 95 % of the pulses.",
            effect.run,
            effect.chain,
            significant(setup.rate(SkyAxis::Ra)),
            significant(setup.rate(SkyAxis::Dec)),
        ),
        panels: vec![Panel {
            x: Axis::linear("declination", "deg").within(0.0, LAST_DEG),
            y: Axis::linear("movement of the star", "arcsec"),
            series,
            aspect: 0.45,
        }],
    }
}

#[cfg(test)]
mod tests {
    use sky::effect::{SkyEffect, WidthErrors};

    use super::*;

    #[test]
    fn the_lines_pass_through_the_numbers_of_the_effect() {
        let mut setup = Setup::default();
        setup.target.declination_deg = -60.0;
        let errors = SkyAxis::ALL.map(|axis| WidthErrors {
            axis,
            median_ms: 12.0,
            quantiles: vec![(0.025, 10.0), (0.975, 45.0)],
        });
        let effect = Effect {
            run: 3,
            chain: "attic".into(),
            on_sky: SkyEffect::new(&errors, &setup),
        };
        let figure = figure(&setup, &effect);
        let lines: Vec<&Vec<[f64; 2]>> = figure.panels[0]
            .series
            .iter()
            .filter_map(|s| match &s.mark {
                Mark::Line { points, .. } => Some(points),
                _ => None,
            })
            .collect();
        for (line, axis) in lines.iter().zip(&effect.on_sky.axes) {
            let at_target = line.iter().find(|p| p[0] == 60.0).unwrap();
            assert!((at_target[1] - axis.median.arcsec).abs() < 1e-12);
            for row in &axis.table {
                let drawn = line.iter().find(|p| p[0] == row.declination_deg);
                assert!((drawn.unwrap()[1] - row.median.arcsec).abs() < 1e-12);
            }
        }
    }
}
