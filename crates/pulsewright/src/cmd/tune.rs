//! `tune`: the best settings of the guiding loop.

use servo::chain_model::Chain;
use servo::tune::{Goal, TuneOptions, Tuned, tune};

use crate::cli::{Global, GoalArg, TuneArgs};
use crate::cmd::judge;
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::simulate::{Given, few_pulses};
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
    let chain = measured
        .as_ref()
        .map_or_else(Chain::perfect, |m| m.chain.clone());
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
    let tuned = |chain: &Chain, what: &str| -> Result<Tuned, Error> {
        with_progress(what, output.shows_progress(), |progress| {
            tune(setup, chain, &options, progress)
        })
        .map_err(|source| Error::servo(file, source))
    };
    let mut untrimmed = tuned(&chain, "tuning")?;
    let trimmed = match &trim {
        Some(trim) => Some(tuned(
            &simulate::behind(&chain, trim),
            "tuning with the trim",
        )?),
        None => None,
    };
    warnings.append(&mut untrimmed.warnings);
    let glance = simulate::glance(&untrimmed.best.applied_to(setup), &chain, global.seed)
        .map_err(|source| Error::servo(file, source))?;
    if let Some(measured) = &measured {
        let tried = measured.tried_ms;
        warnings.extend(simulate::beyond_what_was_tried(
            &glance,
            "this run asked for",
            tried,
        ));
    }
    let document = json::TuneDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "tuning",
        setup: file.display().to_string(),
        run: measured.as_ref().map(|m| m.run),
        chain: measured.as_ref().map_or_else(
            || "a chain that does as it is told".to_owned(),
            |m| m.name.clone(),
        ),
        seed: global.seed,
        skies: args.skies,
        answer: few_pulses(&chain, untrimmed.answer()),
        answer_trimmed: trimmed.as_ref().map(Tuned::answer),
        untrimmed,
        trimmed,
        warnings,
    };
    if let Some(path) = &args.output {
        let mut best = document.untrimmed.best.applied_to(setup);
        // A pulse that outlasts the cadence would run into the next frame's.
        best.control.longest_ms = best.control.longest_ms.min(1000.0 * best.control.cadence_s);
        library::write_new(path, &best.to_toml())?;
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
