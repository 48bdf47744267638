//! `tune`: the best settings of the guiding loop.

use std::path::Path;

use chain::Trim;
use servo::chain_model::Chain;
use servo::tune::{Goal, TuneOptions, Tuned, tune};
use sky::Setup;
use wire::Warning;

use crate::cli::{Global, GoalArg, TuneArgs};
use crate::cmd::judge;
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::simulate::{Given, MeasuredChain, few_pulses};
use crate::{json, library, simulate, text};

/// Runs the command.
///
/// # Errors
/// What the setup, the book, the trim and the simulation say; [`Error::File`] where the new setup
/// can't be written.
pub fn run(args: &TuneArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let file = &args.setup.setup;
    if let Some(path) = args.output.as_ref().filter(|path| path.exists()) {
        return Err(Error::file(
            path,
            "writing",
            std::io::ErrorKind::AlreadyExists.into(),
            "it is not replaced; name another file",
        ));
    }
    let Given {
        setup,
        measured,
        mut warnings,
    } = simulate::given(file, args.run.as_deref(), args.draw_from, global)?;
    let setup = &setup;
    let trim = match (&args.trim, &measured) {
        (Some(path), _) => {
            let trim = simulate::trim_file(path)?;
            warnings.extend(simulate::strange_trim(&trim, measured.as_ref()));
            Some(trim.trim)
        }
        (None, Some(measured)) => judge::fitted(measured, setup, global.seed),
        (None, None) => None,
    };
    let options = TuneOptions {
        goal: match args.goal {
            GoalArg::Fwhm => Goal::Fwhm,
            GoalArg::Rms => Goal::Rms,
            GoalArg::Elongation => Goal::Elongation,
        },
        seed: global.seed,
        skies: args.skies as usize,
        timing_and_law: !args.keep_timing,
        ..TuneOptions::default()
    };
    let document = with_progress("tuning", output.shows_progress(), |progress| {
        tuned(ToTune {
            setup_file: file,
            setup,
            measured: measured.as_ref(),
            trim: trim.as_ref(),
            options: &options,
            warnings,
            progress,
        })
    })?;
    if let Some(path) = &args.output {
        library::write_new(path, &recommended(&document.untrimmed, setup).to_toml())?;
        output.note(&format!(
            "the setup with the recommended settings written to {}",
            path.display()
        ));
    }
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::tune::page(&document, output.quiet()))
}

/// The setup with the recommended settings.
pub fn recommended(tuned: &Tuned, setup: &Setup) -> Setup {
    let mut best = tuned.best.applied_to(setup);
    // A pulse that outlasts the cadence would run into the next frame's.
    best.control.longest_ms = best.control.longest_ms.min(1000.0 * best.control.cadence_s);
    best
}

/// What is tuned.
pub struct ToTune<'a> {
    /// The setup file, for messages.
    pub setup_file: &'a Path,
    /// What it says.
    pub setup: &'a Setup,
    /// The chain; none is a perfect one.
    pub measured: Option<&'a MeasuredChain>,
    /// A trim for it.
    pub trim: Option<&'a Trim>,
    /// How.
    pub options: &'a TuneOptions,
    /// Warnings so far.
    pub warnings: Vec<Warning>,
    /// Is told the share that is done.
    pub progress: &'a dyn Fn(f64),
}

/// The best settings with the chain as it is, and behind the trim where there is one.
///
/// # Errors
/// What the simulation says.
pub fn tuned(asked: ToTune<'_>) -> Result<json::TuneDocument, Error> {
    let ToTune {
        setup,
        measured,
        trim,
        options,
        progress,
        mut warnings,
        ..
    } = asked;
    let failed = |source| Error::servo(asked.setup_file, source);
    let chain = measured.map_or_else(Chain::perfect, |m| m.chain.clone());
    let parts = if trim.is_some() { 2.0 } else { 1.0 };
    let mut untrimmed =
        tune(setup, &chain, options, &|share| progress(share / parts)).map_err(failed)?;
    let trimmed = match trim {
        Some(trim) => {
            let behind = simulate::behind(&chain, trim);
            Some(
                tune(setup, &behind, options, &|share| {
                    progress(0.5 + 0.5 * share)
                })
                .map_err(failed)?,
            )
        }
        None => None,
    };
    warnings.append(&mut untrimmed.warnings);
    let glance = simulate::glance(&untrimmed.best.applied_to(setup), &chain, options.seed)
        .map_err(failed)?;
    if let Some(measured) = measured {
        warnings.extend(simulate::beyond_what_was_tried(
            &glance,
            "this run asked for",
            measured.tried_ms,
        ));
    }
    Ok(json::TuneDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "tuning",
        setup: asked.setup_file.display().to_string(),
        run: measured.map(|m| m.run),
        chain: measured.map_or_else(
            || "a chain that does as it is told".to_owned(),
            |m| m.name.clone(),
        ),
        seed: options.seed,
        skies: options.skies as u32,
        answer: few_pulses(&chain, untrimmed.answer()),
        answer_trimmed: trimmed.as_ref().map(Tuned::answer),
        untrimmed,
        trimmed,
        warnings,
    })
}
