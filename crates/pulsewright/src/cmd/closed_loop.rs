//! `loop`: the guiding loop, simulated.

use std::path::Path;

use chain::Trim;
use servo::budget::cause_budget;
use servo::chain_model::{Chain, MissingAt};
use servo::loop_sim::LoopCase;
use servo::outcome::outcome;
use servo::run::Trials;
use sky::Setup;
use wire::Warning;

use crate::cli::{Global, LoopArgs};
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::simulate::{Given, MeasuredChain, few_pulses};
use crate::{json, simulate, text};

/// Runs the command.
///
/// # Errors
/// What the setup, the book, the trim and the simulation say.
pub fn run(args: &LoopArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let file = &args.setup.setup;
    let Given {
        setup,
        measured,
        mut warnings,
    } = simulate::given(file, args.run.as_deref(), args.draw_from, global)?;
    let mut chain = match &measured {
        Some(measured) => measured.chain.clone(),
        None => simulate::by_hand(args.width_error, args.start_delay),
    };
    if let Some(probability) = args.missing {
        chain.missing = vec![MissingAt {
            requested_ms: 0.0,
            probability,
        }];
    }
    let trim = match &args.trim {
        Some(path) => Some(simulate::trim_file(path)?),
        None => None,
    };
    if let Some(trim) = &trim {
        warnings.extend(simulate::strange_trim(trim, measured.as_ref()));
    }
    let name = match &measured {
        Some(measured) => &measured.name,
        None if args.width_error.is_some() || args.start_delay.is_some() => "a chain set by hand",
        None => "a chain that does as it is told",
    };
    let document = with_progress("simulating", output.shows_progress(), |progress| {
        simulated(Simulated {
            setup_file: file,
            setup: &setup,
            name,
            chain,
            measured: measured.as_ref(),
            trim: trim.as_ref().map(|file| &file.trim),
            exposures: args.exposures,
            seed: global.seed,
            warnings,
            progress,
        })
    })?;
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::closed_loop::page(&document, output.quiet()))
}

/// What is simulated.
pub struct Simulated<'a> {
    /// The setup file, for messages.
    pub setup_file: &'a Path,
    /// What it says.
    pub setup: &'a Setup,
    /// The chain, in words.
    pub name: &'a str,
    /// The chain without its trim.
    pub chain: Chain,
    /// Its run, where it was measured.
    pub measured: Option<&'a MeasuredChain>,
    /// A trim before it.
    pub trim: Option<&'a Trim>,
    /// Long exposures.
    pub exposures: u32,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Warnings so far.
    pub warnings: Vec<Warning>,
    /// Is told the share that is done.
    pub progress: &'a dyn Fn(f64),
}

/// What the loop does, and which cause takes which share.
///
/// # Errors
/// What the simulation says.
pub fn simulated(asked: Simulated<'_>) -> Result<json::LoopDocument, Error> {
    let Simulated {
        setup,
        measured,
        trim,
        seed,
        mut warnings,
        ..
    } = asked;
    let chain = match trim {
        Some(trim) => simulate::behind(&asked.chain, trim),
        None => asked.chain,
    };
    let failed = |source| Error::servo(asked.setup_file, source);
    let case = LoopCase::from_setup(setup, &chain).map_err(failed)?;
    let trials = Trials::new(seed, asked.exposures as usize);
    let mut found = outcome(&case, &trials).map_err(failed)?;
    let causes = cause_budget(&case, &trials, asked.progress).map_err(failed)?;
    warnings.append(&mut found.warnings);
    if let Some(measured) = measured {
        warnings.extend(simulate::beyond_what_was_tried(
            &found,
            "this run asked for",
            measured.tried_ms,
        ));
    }
    if let Some(trim) = trim {
        warnings.extend(simulate::beyond_what_was_tried(
            &found,
            "the trim was fitted on",
            trim.tried_ms,
        ));
    }
    found.warnings = warnings;
    Ok(json::LoopDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "loop",
        setup: asked.setup_file.display().to_string(),
        run: measured.map(|m| m.run),
        chain: asked.name.to_owned(),
        trim: trim.map(|trim| trim.answer.clone()),
        exposure_s: setup.imaging.exposure_s,
        seed,
        answer: few_pulses(&case.chain, found.answer()),
        outcome: found,
        causes,
    })
}
