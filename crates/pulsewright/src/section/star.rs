//! Stars as an image would show them, beside each other, and how wide each chain makes them.

use chain::{Rounded, Trim};
use servo::chain_model::Chain;
use servo::judge::ChainResult;
use servo::outcome::Outcome;
use servo::{ServoError, loop_sim::LoopCase};
use sky::{Axis as SkyAxis, Setup};

use crate::figure::{Along, Axis, Figure, Hue, Interval, Mark, Panel, Series};
use crate::simulate;
use crate::text::star::value;

/// A star to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// What made it.
    pub name: String,
    /// Width at half maximum of the round star of the same area, arcsec.
    pub fwhm_arcsec: f64,
    /// Major over minor width.
    pub elongation: f64,
    /// The axis along which it is long.
    pub long: SkyAxis,
}

impl Shape {
    /// The star of a simulated loop.
    pub fn of(name: impl Into<String>, outcome: &Outcome) -> Shape {
        Shape {
            name: name.into(),
            fwhm_arcsec: outcome.fwhm_arcsec.value,
            elongation: outcome.elongation.value,
            long: long_axis(outcome),
        }
    }

    /// Width at half maximum along right ascension and along declination, arcsec.
    fn widths(&self) -> [f64; 2] {
        let (major, minor) = (
            self.fwhm_arcsec * self.elongation.sqrt(),
            self.fwhm_arcsec / self.elongation.sqrt(),
        );
        match self.long {
            SkyAxis::Ra => [major, minor],
            SkyAxis::Dec => [minor, major],
        }
    }
}

/// The axis with the larger tracking error.
fn long_axis(outcome: &Outcome) -> SkyAxis {
    let [ra, dec] = outcome.axes.each_ref().map(|a| a.rms_arcsec.value);
    if dec > ra { SkyAxis::Dec } else { SkyAxis::Ra }
}

/// The axis along which a chain makes the star long with the settings of a setup, from a few exposures:
/// as measured, behind the trim where there is one, and perfect, as a verdict lists them.
///
/// # Errors
/// As the simulation.
pub fn long_axes(
    setup: &Setup,
    measured: &Chain,
    trim: Option<&Trim>,
    seed: u64,
) -> Result<Vec<SkyAxis>, ServoError> {
    let trimmed = trim.map(|trim| simulate::behind(measured, trim));
    [Some(measured.clone()), trimmed, Some(Chain::perfect())]
        .iter()
        .flatten()
        .map(|chain| Ok(long_axis(&simulate::glance(setup, chain, seed)?)))
        .collect()
}

/// The stars from the left, on one scale.
pub fn drawn(id: &str, shapes: &[Shape], settings: &str) -> Figure {
    let widest = shapes
        .iter()
        .flat_map(Shape::widths)
        .fold(f64::MIN_POSITIVE, f64::max);
    let apart = 2.4 * widest;
    let across = apart * shapes.len() as f64;
    let series = shapes
        .iter()
        .enumerate()
        .map(|(i, shape)| {
            let [fwhm_x, fwhm_y] = shape.widths();
            let star = Mark::Star {
                at: [apart * i as f64, 0.0],
                fwhm_x,
                fwhm_y,
            };
            Series::new(shape.name.clone(), Hue::Nth(i), star)
        })
        .collect();
    let round = Rounded::decimals(2);
    let names: Vec<String> = shapes
        .iter()
        .map(|shape| {
            format!(
                "{} ({} arcsec wide at half maximum, {} times as long as wide)",
                shape.name,
                round.ms(shape.fwhm_arcsec),
                Rounded::decimals(3).ms(shape.elongation)
            )
        })
        .collect();
    Figure {
        id: id.to_owned(),
        title: "The star as the image would show it".to_owned(),
        caption: format!(
            "From the left: {}. {settings} Each is drawn long along the axis with the larger tracking error.",
            names.join("; ")
        ),
        panels: vec![Panel {
            x: Axis::linear("along right ascension", "arcsec")
                .within(-0.5 * apart, across - 0.5 * apart),
            y: Axis::linear("along declination", "arcsec").within(-0.5 * apart, 0.5 * apart),
            series,
            // An arcsecond is as long on both axes.
            aspect: apart / across.max(apart),
        }],
    }
}

/// The width of the star with each chain at the present settings and at its best, with intervals.
pub fn widths(id: &str, chains: &[(&str, &ChainResult)], computed: &str) -> Figure {
    let names = chains.iter().map(|(name, _)| (*name).to_owned()).collect();
    let items = |shift: f64, best: bool| -> Vec<Interval> {
        chains
            .iter()
            .enumerate()
            .map(|(i, (_, chain))| {
                let e = if best { &chain.best } else { &chain.present }.fwhm_arcsec;
                Interval {
                    at: i as f64 + shift,
                    low: e.low,
                    value: e.value,
                    high: e.high,
                }
            })
            .collect()
    };
    let intervals = |items| Mark::Intervals {
        items,
        along: Along::X,
    };
    let now = chains.first().map(|(_, chain)| &chain.present.fwhm_arcsec);
    let mut series: Vec<Series> = now
        .map(|now| {
            let rule = Mark::Rule {
                at: now.value,
                along: Along::X,
            };
            Series::new("as it is now", Hue::Neutral, rule)
        })
        .into_iter()
        .collect();
    series.push(Series::new(
        "present settings",
        Hue::Nth(0),
        intervals(items(-0.15, false)),
    ));
    series.push(Series::new(
        "its best settings",
        Hue::Nth(1),
        intervals(items(0.15, true)),
    ));
    let now = now.map_or_else(String::new, |now| {
        format!(" Now it is {} arcsec wide.", value(now))
    });
    Figure {
        id: id.to_owned(),
        title: "How wide each chain makes the star".to_owned(),
        caption: format!(
            "Width at half maximum in a long exposure, further left is better, with 95 % intervals.{now} {computed}"
        ),
        panels: vec![Panel {
            x: Axis::linear("width of the star", "arcsec"),
            y: Axis::names("", names),
            series,
            aspect: 0.16 + 0.07 * chains.len() as f64,
        }],
    }
}

/// The star with perfect tracking in this case, beside that of `outcome`.
pub fn with_perfect_tracking(outcome: &Outcome) -> Shape {
    Shape {
        name: "perfect tracking".to_owned(),
        fwhm_arcsec: outcome.undisturbed_fwhm_arcsec,
        elongation: 1.0,
        long: SkyAxis::Ra,
    }
}

/// The length of the long exposure and the settings of a case, for captions.
pub fn settings(case: &LoopCase, setup: &Setup) -> String {
    let control = &setup.control;
    format!(
        "One exposure of {} s; gain {} in right ascension and {} in declination, dead band {} arcsec, frames of {} s every {} s.",
        chain::significant(case.span_s),
        chain::significant(control.ra_gain),
        chain::significant(control.dec_gain),
        chain::significant(control.dead_band_arcsec),
        chain::significant(case.timing.exposure_s),
        chain::significant(case.timing.cadence_s)
    )
}
