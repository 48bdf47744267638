//! The page of a setup: what a millisecond is worth, scales, the effect of a run, warnings.

use chain::significant;
use sky::Axis;
use sky::effect::Moved;

use super::table::Table;
use super::{answer, faint, heading, warnings};
use crate::json::{Effect, SetupDocument};

/// The page; the answer alone where `quiet`.
pub fn page(document: &SetupDocument<'_>, quiet: bool) -> String {
    let sentence = sentence(document);
    if quiet {
        return format!("{sentence}\n");
    }
    let mut page = answer(&sentence);
    page += &format!(
        "  image scale: {} arcsec/px guiding, {} arcsec/px imaging\n\n",
        significant(document.guide_arcsec_per_px),
        significant(document.imaging_arcsec_per_px)
    );
    if let Some(effect) = &document.effect {
        page += &heading(&format!(
            "What the width error of run {} ({}) moves the star by",
            effect.run, effect.chain
        ));
        page += &effect_table(effect).text();
        page += &faint(&format!(
            "{EFFECT_NOTE} What the whole loop makes of it: pulsewright judge."
        ));
        page.push('\n');
    }
    page += &warnings(document.warnings);
    if !document.defaulted.is_empty() {
        page += &faint(&format!(
            "Not in the file, so at their defaults: {}.",
            document.defaulted.join(", ")
        ));
    }
    page
}

/// The answer.
pub fn sentence(document: &SetupDocument<'_>) -> String {
    match &document.effect {
        Some(effect) => {
            let at = |axis: Axis| {
                let axes = &effect.on_sky.axes;
                axes.iter()
                    .find(|a| a.axis == axis)
                    .map_or(0.0, |a| a.median.arcsec)
            };
            format!(
                "The median width error of {} moves the star by {} arcsec in right ascension and {} in declination, where a well tracked star is {} arcsec wide.",
                effect.chain,
                significant(at(Axis::Ra)),
                significant(at(Axis::Dec)),
                significant(document.star_fwhm_arcsec)
            )
        }
        None => format!(
            "10 ms of pulse move the star by {} arcsec in right ascension and {} in declination, where a well tracked star is {} arcsec wide.",
            significant(10.0 * document.ra_arcsec_per_ms),
            significant(10.0 * document.dec_arcsec_per_ms),
            significant(document.star_fwhm_arcsec)
        ),
    }
}

/// What the width error of a run moves the star by: each axis, and right ascension at other declinations.
pub fn effect_table(effect: &Effect) -> Table {
    let mut table = Table::new(&["", "ms", "arcsec", "px guiding", "px imaging"]);
    let mut row = |name: String, moved: &Moved| {
        table.row(vec![
            name,
            significant(moved.ms),
            significant(moved.arcsec),
            significant(moved.guide_px),
            significant(moved.imaging_px),
        ]);
    };
    for axis in &effect.on_sky.axes {
        let name = axis.axis.name();
        row(format!("{name}, median"), &axis.median);
        if let Some(far) = axis.quantiles.last() {
            row(format!("{name}, 1 in 40 beyond"), &far.moved);
        }
        if axis.axis == Axis::Ra {
            for at in &axis.table {
                let declination = significant(at.declination_deg);
                row(format!("{name}, median at {declination} deg"), &at.median);
            }
        }
    }
    table
}

/// How the effect is to be read.
pub const EFFECT_NOTE: &str =
    "One pulse's error; the next measurement sees it and takes most of it away.";
