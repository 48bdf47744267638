//! `prove`: did a change help?

use std::path::{Path, PathBuf};

use book::Book;
use chain::{Proof, RunPulses};
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
    let setup = args.setup.clone().or_else(|| {
        let usual = PathBuf::from(USUAL_SETUP);
        usual.exists().then_some(usual)
    });
    let margin = match (args.margin, setup) {
        (Some(ms), _) => Margin::Given(ms),
        (None, Some(file)) => Margin::Of(file),
        (None, None) => {
            return Err(Error::Usage(format!(
                "no margin was given, and there is no {USUAL_SETUP} here to take it from; use --margin 2ms, or --setup FILE (`pulsewright setup new` writes one)"
            )));
        }
    };
    let proved = proved(&book, [&args.before, &args.after], &margin)?;
    if output.json() {
        return output.print_json(&json::of_proof(proved.numbers, &proved.proof));
    }
    if output.quiet() {
        return output.print(&format!("{}\n", proved.proof.answer));
    }
    let margin_from = match &margin {
        Margin::Given(_) => None,
        Margin::Of(file) => Some(file.as_path()),
    };
    output.print(&text::proof::page(
        &proved.names,
        &proved.proof,
        margin_from,
    ))
}

/// What counts as zero.
pub enum Margin {
    /// So many ms either side.
    Given(f64),
    /// What moves the star of this setup by a tenth of its width.
    Of(PathBuf),
}

/// A proof of two stored runs.
pub struct Proved {
    /// Their numbers, before and after.
    pub numbers: [i64; 2],
    /// What they are called.
    pub names: [String; 2],
    /// The proof.
    pub proof: Proof,
}

/// Sets a run before a change beside one after it; each is named by its number or its chain.
///
/// # Errors
/// What the book, the setup and the proof say; [`Error::Usage`] where both are the same run.
pub fn proved(book: &Book, runs: [&str; 2], margin: &Margin) -> Result<Proved, Error> {
    let [before, after] = runs.map(|name| library::number_of(book, name));
    let numbers = [before?, after?];
    if numbers[0] == numbers[1] {
        return Err(Error::Usage(format!(
            "run {} is named twice; name a run before the change and one after it (`pulsewright runs` lists them)",
            numbers[0]
        )));
    }
    let (run_before, summary_before) = library::run(book, runs[0])?;
    let (run_after, summary_after) = library::run(book, runs[1])?;
    let runs = [run_before, run_after];
    let pulses = [
        book.observations(numbers[0])?,
        book.observations(numbers[1])?,
    ];
    let names = if runs[0].chain == runs[1].chain {
        numbers.map(|number| format!("run {number}"))
    } else {
        runs.map(|run| run.chain)
    };
    let margin_ms = match margin {
        Margin::Given(ms) => *ms,
        Margin::Of(file) => margin_of(file)?,
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
    Ok(Proved {
        numbers,
        names,
        proof,
    })
}
