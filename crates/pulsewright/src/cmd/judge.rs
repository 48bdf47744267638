//! `judge`: does the chain matter under this sky, and what should change?

use servo::judge::{ELONGATION_THRESHOLD, ENOUGH_PULSES, JudgeOptions, Verdict, judge};
use wire::Warning;

use crate::cli::{DrawFrom, Global, JudgeArgs};
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::simulate::{self, MeasuredChain};
use crate::{json, library, text};

/// Exposures of each case, where no other number is asked for.
pub const USUAL_EXPOSURES: u32 = 200;
/// Exposures to which a verdict that can't be told is taken by itself.
const MOST_EXPOSURES: u32 = 800;

/// Runs the command.
///
/// # Errors
/// What the setup, the book, the trim and the simulation say.
pub fn run(args: &JudgeArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let reading = library::setup(&args.setup.setup)?;
    let book = library::open(global)?;
    let measured = simulate::measured(&book, &args.run, args.draw_from)?;
    let trim = match &args.trim {
        Some(path) => Some(simulate::trim_file(path)?),
        None => None,
    };
    let mut warnings = reading.warnings.clone();
    warnings.extend(measured.warnings.iter().cloned());
    if let Some(file) = &trim {
        warnings.extend(simulate::strange_trim(file, Some(&measured)));
    }
    let trim = match trim {
        Some(file) => Some(file.trim),
        None => fitted(&measured, &reading.setup, global.seed),
    };
    let document = with_progress("judging", output.shows_progress(), |progress| {
        judgement(&Judged {
            setup_file: &args.setup.setup,
            setup: &reading.setup,
            measured: &measured,
            trim: trim.as_ref(),
            exposures: args.exposures,
            seed: global.seed,
            warnings,
            progress,
        })
    })?;
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::judge::page(&document, output.quiet()))
}

/// What is judged.
pub struct Judged<'a> {
    /// The setup file, for messages.
    pub setup_file: &'a std::path::Path,
    /// What it says.
    pub setup: &'a sky::Setup,
    /// The chain.
    pub measured: &'a MeasuredChain,
    /// A trim for it.
    pub trim: Option<&'a chain::Trim>,
    /// Long exposures of each case.
    pub exposures: u32,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Warnings so far.
    pub warnings: Vec<wire::Warning>,
    /// Is told the share that is done.
    pub progress: &'a dyn Fn(f64),
}

/// The verdict with all that is to be told.
///
/// # Errors
/// What the simulation says.
pub fn judgement(judged: &Judged<'_>) -> Result<json::JudgeDocument, Error> {
    let Judged {
        setup,
        measured,
        trim,
        seed,
        ..
    } = *judged;
    let failed = |source| Error::servo(judged.setup_file, source);
    let trimmed = trim.map(|trim| simulate::behind(&measured.chain, trim));
    let enough = measured.chain.pulses().is_none_or(|n| n >= ENOUGH_PULSES);
    let mut exposures = judged.exposures;
    let mut found = loop {
        let options = JudgeOptions {
            seed,
            trials: exposures as usize,
            threads: 0,
        };
        let found = judge(
            setup,
            &measured.chain,
            trimmed.as_ref(),
            &options,
            judged.progress,
        )
        .map_err(failed)?;
        // What more simulation can tell needs no longer run.
        let unsure = found.verdict == Verdict::MeasureMore && enough;
        if !unsure || exposures >= MOST_EXPOSURES {
            break found;
        }
        exposures = MOST_EXPOSURES;
    };
    let glance = simulate::glance(setup, &measured.chain, seed).map_err(failed)?;
    let untried = "this run asked for";
    let mut warnings = judged.warnings.clone();
    warnings.append(&mut found.warnings);
    warnings.extend(simulate::beyond_what_was_tried(
        &glance,
        untried,
        measured.tried_ms,
    ));
    let advised = match found.verdict {
        Verdict::Retune => Some(&found.measured.best),
        Verdict::Trim => found.trimmed.as_ref().map(|t| &t.best),
        _ => None,
    };
    let lost = advised.map_or(0.0, |case| -case.elongation_gain.value);
    if let Some(case) = advised.filter(|_| lost > ELONGATION_THRESHOLD) {
        let round = chain::Rounded::decimals(3);
        warnings.push(Warning::new(
            format!(
                "with these settings the star gets narrower but less round: {} times as long as wide, where it is {} now",
                round.ms(case.elongation.value),
                round.ms(found.measured.present.elongation.value)
            ),
            "raise the gain of the axis along which it is long; `pulsewright tune --goal elongation` finds the roundest",
        ));
    }
    found.warnings = warnings;
    Ok(json::JudgeDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "judgement",
        setup: judged.setup_file.display().to_string(),
        run: measured.run,
        chain: measured.name.clone(),
        exposures,
        seed,
        trim: trim.map(|trim| trim.answer.clone()),
        judgement: found,
    })
}

/// The verdict on a stored run as `judge RUN --setup FILE` gives it, with the chain and its trim.
pub struct OfRun {
    /// The verdict.
    pub document: json::JudgeDocument,
    /// The chain.
    pub measured: MeasuredChain,
    /// The trim that was fitted on the run, where one could be.
    pub trim: Option<chain::Trim>,
}

/// Judges a stored run, named by its number or chain, drawn from its pulses and behind a trim fitted on
/// it.
///
/// # Errors
/// What the book and the simulation say.
pub fn of_run(
    book: &book::Book,
    run: &str,
    (setup_file, reading): (&std::path::Path, &sky::SetupReading),
    seed: u64,
    progress: &dyn Fn(f64),
) -> Result<OfRun, Error> {
    let measured = simulate::measured(book, run, DrawFrom::Pulses)?;
    let trim = fitted(&measured, &reading.setup, seed);
    let document = judgement(&Judged {
        setup_file,
        setup: &reading.setup,
        measured: &measured,
        trim: trim.as_ref(),
        exposures: USUAL_EXPOSURES,
        seed,
        warnings: [reading.warnings.as_slice(), &measured.warnings].concat(),
        progress,
    })?;
    Ok(OfRun {
        document,
        measured,
        trim,
    })
}

/// A trim fitted on the run itself, where one can be: nothing shorter than what the setup sends at least
/// is asked for, so that it trims the short pulses too of which most of a loop's are.
pub fn fitted(measured: &MeasuredChain, setup: &sky::Setup, seed: u64) -> Option<chain::Trim> {
    let shortest_ms = shortest_ms(setup, measured.tried_ms);
    chain::fit_trim(
        &measured.observations,
        chain::Loss::Median,
        chain::Below::Carry,
        Some((1000.0 * shortest_ms).round() as u32),
        seed,
    )
    .ok()
}

/// The shortest width that a trim is to ask the chain for: what the loop of the setup sends at least, but
/// nothing longer than the shortest that was tried, ms.
pub fn shortest_ms(setup: &sky::Setup, tried_ms: [f64; 2]) -> f64 {
    setup.control.shortest_ms.min(tried_ms[0])
}
