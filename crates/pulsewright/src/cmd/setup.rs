//! `setup`: a file that describes mount and optics; what a millisecond of pulse is worth there.

use std::path::Path;

use book::StoredRun;
use chain::RunSummary;
use servo::chain_model::Chain;
use servo::loop_sim::LoopCase;
use servo::outcome::check_stable;
use servo::run::PreparedLoop;
use sky::effect::{SkyEffect, WidthErrors};
use sky::{Axis, Setup, SetupReading, rate};
use wire::Warning;

use crate::cli::{Global, SetupCheckArgs, SetupCommand, SetupNewArgs};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Runs the command.
///
/// # Errors
/// [`Error::File`] where the file can't be read or written; every fault in it; what the book says.
pub fn run(command: &SetupCommand, global: &Global, output: &Output) -> Result<(), Error> {
    match command {
        SetupCommand::New(args) => new(args, output),
        SetupCommand::Check(args) => check(args, global, output),
    }
}

fn new(args: &SetupNewArgs, output: &Output) -> Result<(), Error> {
    let template = Setup::template();
    library::write_new(&args.file, &template)?;
    let file = args.file.display();
    output.note(&format!(
        "{file} is written. Put your own numbers in, then: pulsewright setup check {file}"
    ));
    Ok(())
}

fn check(args: &SetupCheckArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let mut reading = library::setup(&args.file)?;
    reading.warnings.extend(unsteady(&reading.setup));
    let run = match &args.run {
        Some(name) => Some(library::run(&library::open(global)?, name)?),
        None => None,
    };
    let run = run.as_ref().map(|(run, summary)| (run, summary));
    let document = described(&args.file, &reading, run);
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::setup::page(&document, output.quiet()))
}

/// What a millisecond of pulse is worth with the setup of `file`, and what the width error of a run moves
/// the star by.
pub fn described<'a>(
    file: &Path,
    reading: &'a SetupReading,
    run: Option<(&StoredRun, &RunSummary)>,
) -> json::SetupDocument<'a> {
    let setup = &reading.setup;
    let declination = setup.target.declination_deg;
    json::SetupDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "setup",
        file: file.display().to_string(),
        setup,
        defaulted: &reading.defaulted,
        warnings: &reading.warnings,
        guide_arcsec_per_px: setup.guide_scope.arcsec_per_px(),
        imaging_arcsec_per_px: setup.imaging_scope.arcsec_per_px(),
        star_fwhm_arcsec: setup.imaging_star_fwhm_arcsec(),
        ra_arcsec_per_ms: rate::arcsec_per_ms(setup.mount.ra_rate, declination, Axis::Ra),
        dec_arcsec_per_ms: rate::arcsec_per_ms(setup.mount.dec_rate, declination, Axis::Dec),
        effect: run.map(|(run, summary)| {
            effect(
                setup,
                run.number,
                run.chain.clone(),
                &summary.pooled.width_error_ms,
            )
        }),
    }
}

/// A warning where the loop is unstable, or can't be simulated, even with a perfect chain.
pub fn unsteady(setup: &Setup) -> Option<Warning> {
    let checked = LoopCase::from_setup(setup, &Chain::perfect())
        .and_then(|case| check_stable(&case, &PreparedLoop::new(&case)?));
    let error = checked.err()?;
    Some(Warning::new(
        format!("with a perfect chain {error}"),
        "judge, loop and trim need a loop that holds; tune finds one",
    ))
}

/// What the width error of a run moves the star by.
pub fn effect(setup: &Setup, run: i64, chain: String, error: &chain::WidthError) -> json::Effect {
    let on_axis = |axis| WidthErrors {
        axis,
        median_ms: error.median,
        quantiles: vec![
            (0.025, error.p025),
            (0.25, error.p25),
            (0.75, error.p75),
            (0.975, error.p975),
        ],
    };
    json::Effect {
        run,
        chain,
        on_sky: SkyEffect::new(&Axis::ALL.map(on_axis), setup),
    }
}
