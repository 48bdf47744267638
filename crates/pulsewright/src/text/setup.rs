//! The page of a setup: what a millisecond is worth, scales, the effect of a run, warnings.

use chain::significant;
use sky::Axis;

use super::table::Table;
use super::{answer, faint, heading, warnings};
use crate::json::SetupDocument;

/// The page; the answer alone where `quiet`.
pub fn page(document: &SetupDocument<'_>, quiet: bool) -> String {
    let sentence = match &document.effect {
        Some(effect) => {
            let at = |axis: Axis, declination: Option<f64>| {
                effect
                    .rows
                    .iter()
                    .find(|r| r.axis == axis && declination.is_none_or(|d| r.declination_deg == d))
                    .map_or(0.0, |r| r.median_arcsec)
            };
            let declination = document.setup.target.declination_deg;
            format!(
                "The median width error of {} moves the star by {} arcsec in right ascension and {} in declination, where a well tracked star is {} arcsec wide.",
                effect.chain,
                significant(at(Axis::Ra, Some(declination))),
                significant(at(Axis::Dec, None)),
                significant(document.star_fwhm_arcsec)
            )
        }
        None => format!(
            "10 ms of pulse move the star by {} arcsec in right ascension and {} in declination, where a well tracked star is {} arcsec wide.",
            significant(10.0 * document.ra_arcsec_per_ms),
            significant(10.0 * document.dec_arcsec_per_ms),
            significant(document.star_fwhm_arcsec)
        ),
    };
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
        let mut table = Table::new(&[
            "axis",
            "declination",
            "median, arcsec",
            "1 in 40 beyond, arcsec",
            "median, px",
        ]);
        for row in &effect.rows {
            table.row(vec![
                row.axis.name().to_owned(),
                match row.axis {
                    Axis::Ra => format!("{} deg", significant(row.declination_deg)),
                    Axis::Dec => "any".to_owned(),
                },
                significant(row.median_arcsec),
                significant(row.p975_arcsec),
                significant(row.median_px),
            ]);
        }
        page += &table.text();
        page += &faint(
            "One pulse's error; the next measurement sees it and takes most of it away. A whole loop needs a simulation, which this version does not have.",
        );
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
