//! The table of stars: each chain at the present settings and at its best.

use chain::Rounded;
use servo::judge::{CaseResult, ChainResult};
use servo::outcome::Estimate;

use super::table::Table;

/// A value in the digits that its interval allows, to a thousandth at most.
pub fn value(e: &Estimate) -> String {
    Rounded::to_uncertainty(e.half_width().max(1e-3)).ms(e.value)
}

/// A share in per cent, with its sign.
fn percent(e: &Estimate) -> String {
    let text = Rounded::decimals(2).ms(100.0 * e.value);
    if e.value > 0.0 && !text.starts_with('-') {
        format!("+{text}")
    } else {
        text
    }
}

/// A row for each chain and choice of settings.
pub fn table(chains: &[(&str, &ChainResult)]) -> Table {
    let mut table = Table::new(&[
        "chain",
        "<settings",
        "star, arcsec",
        "narrower, %",
        "elongation",
        "gain ra",
        "gain dec",
        "dead band, arcsec",
        "shortest, ms",
    ]);
    let mut row = |name: &str, settings: &str, case: &CaseResult| {
        let control = &case.settings.control;
        table.row(vec![
            name.to_owned(),
            settings.to_owned(),
            Rounded::decimals(3).ms(case.fwhm_arcsec.value),
            percent(&case.width_gain),
            Rounded::decimals(3).ms(case.elongation.value),
            format!("{:.2}", control.ra_gain),
            format!("{:.2}", control.dec_gain),
            format!("{:.2}", control.dead_band_arcsec),
            format!("{:.0}", control.shortest_ms),
        ]);
    };
    for (name, chain) in chains {
        row(name, "present", &chain.present);
        row("", "its best", &chain.best);
    }
    table
}
