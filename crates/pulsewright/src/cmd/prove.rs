//! `prove`: did a change help?

use std::path::Path;

use sky::Axis;

use crate::cli::{Global, ProveArgs};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Share of the star's width that a pulse may move it by without showing.
const SHARE_OF_STAR: f64 = 0.1;

/// The width error that moves the star by a tenth of its width, on the axis where it moves farther.
fn margin_of(file: &Path) -> Result<f64, Error> {
    let setup = library::setup(file)?.setup;
    let arcsec = SHARE_OF_STAR * setup.imaging_star_fwhm_arcsec();
    let declination = setup.target.declination_deg;
    let rates = [
        (Axis::Ra, setup.mount.ra_rate),
        (Axis::Dec, setup.mount.dec_rate),
    ];
    rates
        .into_iter()
        .filter_map(|(axis, rate)| sky::rate::ms_for_arcsec(arcsec, rate, declination, axis))
        .reduce(f64::min)
        .ok_or_else(|| {
            Error::Usage(format!(
                "{}: no pulse moves the star in this setup, so no margin follows from it; give one with --margin",
                file.display()
            ))
        })
}

/// Runs the command.
///
/// # Errors
/// What the book and the proof say.
pub fn run(args: &ProveArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let [before, after] = [&args.before, &args.after].map(|name| library::number_of(&book, name));
    let (before, after) = (before?, after?);
    if before == after {
        return Err(Error::Usage(format!(
            "run {before} is named twice; name a run before the change and one after it (`pulsewright runs` lists them)"
        )));
    }
    let (run_before, summary_before) = library::run(&book, &args.before)?;
    let (run_after, summary_after) = library::run(&book, &args.after)?;
    let runs = [run_before, run_after];
    let pulses = [book.observations(before)?, book.observations(after)?];
    let names = if runs[0].chain == runs[1].chain {
        [before, after].map(|number| format!("run {number}"))
    } else {
        runs.map(|run| run.chain)
    };
    let margin_ms = match (args.margin, &args.setup) {
        (Some(ms), _) => ms,
        (None, Some(file)) => margin_of(file)?,
        (None, None) => {
            return Err(Error::Usage(
                "no margin was given; use --margin or --setup".into(),
            ));
        }
    };
    let mut proof = chain::prove((&names[0], &pulses[0]), (&names[1], &pulses[1]), margin_ms)?;
    for summary in [&summary_before, &summary_after] {
        if let Some(doubt) = summary.doubt() {
            proof.answer += &format!(" But {doubt}.");
        }
    }
    if let Some(share) = summary_after.missing_share.filter(|share| share.count > 0) {
        proof.answer += &format!(
            " But after the change {} of {} came to nothing.",
            chain::count(share.count),
            chain::plural(share.of, "request")
        );
    }
    if output.json() {
        return output.print_json(&json::of_proof([before, after], &proof));
    }
    if output.quiet() {
        return output.print(&format!("{}\n", proof.answer));
    }
    output.print(&text::proof::page(&names, &proof))
}
