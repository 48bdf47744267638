//! The page of a simulated loop: the star, each axis, what causes how much, the spectrum.

use chain::{Rounded, significant};
use servo::budget::CauseBudget;
use servo::outcome::{AxisOutcome, Outcome};

use super::table::Table;
use super::{answer, faint, heading, star, warnings};
use crate::json::LoopDocument;

/// The page; the answer alone where `quiet`.
pub fn page(document: &LoopDocument, quiet: bool) -> String {
    if quiet {
        return format!("{}\n", document.answer);
    }
    let mut page = answer(&document.answer);
    let behind = document
        .trim
        .as_ref()
        .map_or_else(String::new, |_| " behind the trim".to_owned());
    page += &heading(&format!(
        "Tracking and pulses, with {}{behind}",
        document.chain
    ));
    page += &axes(&document.outcome).text();
    page.push('\n');
    page += &heading("Stability");
    page += &stability(&document.outcome).text();
    page += &faint(STABILITY);
    page.push('\n');
    page += &heading("What takes how much of the tracking error");
    page += &causes(&document.causes).text();
    page.push('\n');
    page += &heading("Power of the tracking error by period, % of the whole");
    page += &spectrum(&document.outcome).map_or_else(
        || "  too few frames in an exposure for a spectrum\n".to_owned(),
        |table| table.text(),
    );
    page.push('\n');
    page += &warnings(&document.outcome.warnings);
    page + &faint(&format!("{} How: docs/method.md.", computed(document)))
}

/// How to read [`stability`].
pub const STABILITY: &str = "The effective gain is what small corrections meet on average, for a width error is also gain; the swing is that of a loop without noise.";

/// How it was computed.
pub fn computed(document: &LoopDocument) -> String {
    let lost = match document.outcome.star_lost {
        0 => String::new(),
        n => format!(
            " In {n} of them the star left the guide camera; they are left out of all numbers."
        ),
    };
    format!(
        "{} simulated exposures of {} s, seed {}.{lost}",
        chain::count(document.outcome.trials as u64),
        significant(document.exposure_s),
        document.seed
    )
}

fn two(name: &str, outcome: &Outcome, cell: impl Fn(&AxisOutcome) -> String) -> Vec<String> {
    let mut row = vec![name.to_owned()];
    row.extend(outcome.axes.iter().map(cell));
    row
}

/// `3.2 %` of a share.
pub fn percent(share: f64) -> String {
    format!("{} %", Rounded::decimals(1).ms(100.0 * share))
}

/// Tracking and pulses of both axes.
pub fn axes(outcome: &Outcome) -> Table {
    let mut table = Table::new(&["", "right ascension", "declination"]);
    table.row(two("RMS about its mean, arcsec", outcome, |a| {
        star::value(&a.rms_arcsec)
    }));
    table.row(two("RMS with the lag, arcsec", outcome, |a| {
        star::value(&a.rms_from_zero_arcsec)
    }));
    table.row(two("lag, arcsec", outcome, |a| star::value(&a.lag_arcsec)));
    table.row(two("pulses a minute", outcome, |a| {
        significant(a.pulses.per_min)
    }));
    table.row(two("mean wanted width, ms", outcome, |a| {
        significant(a.pulses.mean_wanted_ms)
    }));
    table.row(two("mean width made, ms", outcome, |a| {
        significant(a.pulses.mean_width_ms)
    }));
    table.row(two("lost", outcome, |a| percent(a.pulses.lost)));
    table.row(two("cut to the longest", outcome, |a| {
        percent(a.pulses.clipped)
    }));
    table.row(two("against the one before", outcome, |a| {
        percent(a.pulses.reversals)
    }));
    table
}

/// Gain, margins, and what the width error makes of small corrections.
pub fn stability(outcome: &Outcome) -> Table {
    let mut table = Table::new(&["", "right ascension", "declination"]);
    let none = || "none".to_owned();
    table.row(two("gain", outcome, |a| {
        significant(a.small_corrections.gain)
    }));
    table.row(two("effective gain", outcome, |a| {
        significant(a.small_corrections.effective_gain)
    }));
    table.row(two("gain margin, times", outcome, |a| {
        a.margins.gain_margin.map_or_else(none, significant)
    }));
    table.row(two("delay margin, s", outcome, |a| {
        a.margins.delay_margin_s.map_or_else(none, significant)
    }));
    table.row(two("phase margin, degrees", outcome, |a| {
        a.margins.phase_margin_deg.map_or_else(none, significant)
    }));
    table.row(two("mean width error, ms", outcome, |a| {
        significant(a.small_corrections.width_error_ms)
    }));
    table.row(two("the same on the sky, arcsec", outcome, |a| {
        significant(a.small_corrections.width_error_arcsec)
    }));
    table.row(two("swing that it keeps up, arcsec", outcome, |a| {
        a.small_corrections
            .cycle_arcsec
            .map_or_else(none, significant)
    }));
    table
}

/// What each cause takes of the tracking error.
pub fn causes(causes: &CauseBudget) -> Table {
    let mut table = Table::new(&[
        "without it, the square of the error falls by, %",
        "right ascension",
        "declination",
        "star narrower by, arcsec",
    ]);
    for share in &causes.causes {
        let mut row = vec![share.cause.name().to_owned()];
        row.extend(
            share
                .variance_share
                .iter()
                .map(|s| star::value(&s.scaled(100.0))),
        );
        row.push(star::value(&share.fwhm_arcsec));
        table.row(row);
    }
    let mut row = vec!["together and not one by one".to_owned()];
    let round = Rounded::decimals(0);
    row.extend(causes.interaction.map(|i| round.ms(100.0 * i)));
    row.push(String::new());
    table.row(row);
    table
}

/// Power in octaves of the period, from two frames up.
fn spectrum(outcome: &Outcome) -> Option<Table> {
    const BAR: usize = 30;
    let first = &outcome.axes[0].spectrum.frequency_hz;
    let highest = first.last()?;
    let mut table = Table::new(&["period, s", "right ascension", "<", "declination", "<"]);
    let mut shortest = 1.0 / highest;
    let longest = 1.0 / first[0];
    while shortest <= longest {
        let end = 2.0 * shortest;
        let mut row = vec![format!(
            "{} to {}",
            significant(shortest),
            significant(end.min(longest))
        )];
        for axis in &outcome.axes {
            let spectrum = &axis.spectrum;
            let total: f64 = spectrum.density.iter().sum();
            let within: f64 = spectrum
                .frequency_hz
                .iter()
                .zip(&spectrum.density)
                // A billionth of room, so that each frequency falls into one octave.
                .filter(|(f, _)| {
                    (shortest * (1.0 - 1e-9)..end * (1.0 - 1e-9)).contains(&(1.0 / **f))
                })
                .map(|(_, d)| d)
                .sum();
            let share = if total > 0.0 { within / total } else { 0.0 };
            row.push(Rounded::decimals(0).ms(100.0 * share));
            row.push("▇".repeat((share * BAR as f64).round() as usize));
        }
        table.row(row);
        shortest = end;
    }
    Some(table)
}
