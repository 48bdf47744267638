//! `prove`: did a change help?

use std::path::{Path, PathBuf};

use chain::RunPulses;
use sky::Axis;

use crate::cli::{Global, ProveArgs};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Share of the star's width that a pulse may move it by without showing.
const SHARE_OF_STAR: f64 = 0.1;

/// The setup that is looked for where none is named.
const USUAL_SETUP: &str = "setup.toml";

/// The width error that moves the star by a tenth of its width, on the axis where it moves farther, ms.
///
/// # Errors
/// What the setup says; [`Error::Usage`] where no pulse moves the star.
pub fn margin_of(file: &Path) -> Result<f64, Error> {
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
    let setup = args.setup.clone().or_else(|| {
        let usual = PathBuf::from(USUAL_SETUP);
        usual.exists().then_some(usual)
    });
    let (margin_ms, margin_from) = match (args.margin, setup) {
        (Some(ms), _) => (ms, None),
        (None, Some(file)) => (margin_of(&file)?, Some(file)),
        (None, None) => {
            return Err(Error::Usage(format!(
                "no margin was given, and there is no {USUAL_SETUP} here to take it from; use --margin 2ms, or --setup FILE (`pulsewright setup new` writes one)"
            )));
        }
    };
    let run = |place: usize, summary| RunPulses {
        observations: &pulses[place],
        summary: Some(summary),
    };
    let proof = chain::prove(
        (&names[0], run(0, &summary_before)),
        (&names[1], run(1, &summary_after)),
        margin_ms,
    )?;
    if output.json() {
        return output.print_json(&json::of_proof([before, after], &proof));
    }
    if output.quiet() {
        return output.print(&format!("{}\n", proof.answer));
    }
    output.print(&text::proof::page(&names, &proof, margin_from.as_deref()))
}
