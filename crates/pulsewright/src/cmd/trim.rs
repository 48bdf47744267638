//! `trim`: what to request, to get the width that one wants.

use chain::{Below, RunPulses, Trim};

use crate::cli::{BelowArg, DrawFrom, Global, TrimArgs, TrimFormat};
use crate::cmd::judge;
use crate::cmd::trim_on_sky::{Weighed, weigh_trims};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, simulate, text};

/// The CSV table goes so far, ms: no guiding correction is longer (common practice, no source).
const LONGEST_MS: u32 = 5000;

/// Runs the command.
///
/// # Errors
/// What the book and the fit say; [`Error::File`] where the file can't be written.
pub fn run(args: &TrimArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let (run, summary) = library::run(&book, &args.run)?;
    let below = match args.below {
        BelowArg::Skip => Below::Skip,
        BelowArg::Floor => Below::Floor,
        BelowArg::Carry => Below::Carry,
    };
    let longest_ms = summary.pooled.requested_range_ms[1];
    if let Some(ms) = args.shortest.filter(|ms| *ms > longest_ms) {
        return Err(Error::Usage(format!(
            "--shortest: found {ms} ms, expected at most {longest_ms} ms, the longest width that run {} was asked for",
            run.number
        )));
    }
    let with_setup = matches!(args.format, TrimFormat::Text | TrimFormat::Json) || output.json();
    if args.setup.is_some() && !with_setup {
        return Err(Error::Usage(
            "--setup says what a trim does for the star, which a table or code for a controller has no place for; leave it out with --as csv, c and rust".into(),
        ));
    }
    let shortest_ms = match (args.shortest, &args.setup) {
        (Some(ms), _) => Some(ms),
        // What the loop sends at least, as `judge` takes it.
        (None, Some(setup)) => Some(judge::shortest_ms(
            &library::setup(setup)?.setup,
            summary.pooled.requested_range_ms,
        )),
        (None, None) => None,
    };
    let shortest_us = shortest_ms.map(|ms| (ms * 1000.0).round() as u32);
    let mut pulses = book.observations(run.number)?;
    if let Some(direction) = args.direction {
        pulses.retain(|pulse| pulse.direction == Some(direction));
    }
    let fitted_on = RunPulses {
        observations: &pulses,
        summary: Some(&summary),
    };
    let mut trim = chain::fit_trim(fitted_on, args.loss, below, shortest_us, global.seed)?;
    let on_sky = match &args.setup {
        Some(setup_file) => {
            let (on_sky, warnings) = weigh_trims(&Weighed {
                setup_file,
                measured: &simulate::measured(&book, &args.run, DrawFrom::Pulses)?,
                trim: &trim,
                shortest_us,
                seed: global.seed,
                progress: output.shows_progress(),
            })?;
            trim.warnings.extend(warnings);
            Some(on_sky)
        }
        None => None,
    };
    let on_sky = on_sky.as_ref();
    let about = format!(
        "Trim of {}, fitted on run {}: {}",
        run.chain, run.number, trim.answer
    );
    let text = match args.format {
        _ if output.json() => in_json(&run, &trim, on_sky)?,
        TrimFormat::Json => in_json(&run, &trim, on_sky)?,
        TrimFormat::Csv => trim.to_csv(1, LONGEST_MS),
        TrimFormat::C => trim.to_c(&about),
        TrimFormat::Rust => trim.to_rust(&about),
        TrimFormat::Text if output.quiet() => format!("{}\n", trim.answer),
        TrimFormat::Text if args.output.is_none() => {
            return output.print(&text::trim::page(&trim, on_sky));
        }
        TrimFormat::Text => {
            anstream::adapter::strip_str(&text::trim::page(&trim, on_sky)).to_string()
        }
    };
    let what = format!("The trim of run {}", run.number);
    output.deliver(args.output.as_deref(), &what, text.as_bytes())
}

fn in_json(
    run: &book::StoredRun,
    trim: &Trim,
    on_sky: Option<&json::TrimOnSky>,
) -> Result<String, Error> {
    let mut text = serde_json::to_string_pretty(&json::of_trim(run, trim, on_sky))?;
    text.push('\n');
    Ok(text)
}
