//! `loop`: the guiding loop, simulated.

use servo::budget::cause_budget;
use servo::chain_model::MissingAt;
use servo::loop_sim::LoopCase;
use servo::outcome::outcome;
use servo::run::Trials;

use crate::cli::{Global, LoopArgs};
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::simulate::{Given, few_pulses};
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
    let setup = &setup;
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
        chain = simulate::behind(&chain, &trim.trim);
    }
    let failed = |source| Error::servo(file, source);
    let case = LoopCase::from_setup(setup, &chain).map_err(failed)?;
    let trials = Trials::new(global.seed, args.exposures as usize);
    let (mut found, causes) = with_progress("simulating", output.shows_progress(), |progress| {
        let found = outcome(&case, &trials)?;
        Ok((found, cause_budget(&case, &trials, progress)?))
    })
    .map_err(failed)?;
    warnings.append(&mut found.warnings);
    if let Some(measured) = &measured {
        let tried = measured.tried_ms;
        warnings.extend(simulate::beyond_what_was_tried(
            &found,
            "this run asked for",
            tried,
        ));
    }
    if let Some(trim) = &trim {
        let tried = trim.trim.tried_ms;
        warnings.extend(simulate::beyond_what_was_tried(
            &found,
            "the trim was fitted on",
            tried,
        ));
    }
    found.warnings = warnings;
    let chain = match &measured {
        Some(measured) => measured.name.clone(),
        None if args.width_error.is_some() || args.start_delay.is_some() => {
            "a chain set by hand".to_owned()
        }
        None => "a chain that does as it is told".to_owned(),
    };
    let document = json::LoopDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "loop",
        setup: file.display().to_string(),
        run: measured.as_ref().map(|m| m.run),
        chain,
        trim: trim.map(|t| t.trim.answer),
        exposure_s: setup.imaging.exposure_s,
        seed: global.seed,
        answer: few_pulses(&case.chain, found.answer()),
        outcome: found,
        causes,
    };
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::closed_loop::page(&document, output.quiet()))
}
