//! `trim`: what to request, to get the width that one wants.

use std::path::Path;

use book::{Book, StoredRun};
use chain::{Below, Loss, RunPulses, Trim};
use wire::Direction;

use crate::cli::{BelowArg, DrawFrom, Global, TrimArgs, TrimFormat};
use crate::cmd::judge;
use crate::cmd::trim_on_sky::{Weighed, weigh_trims};
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::{json, library, simulate, text};

/// The CSV table goes so far, ms: no guiding correction is longer (common practice, no source).
const LONGEST_MS: u32 = 5000;

/// Runs the command.
///
/// # Errors
/// What the book and the fit say; [`Error::File`] where the file can't be written.
pub fn run(args: &TrimArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let with_setup = matches!(args.format, TrimFormat::Text | TrimFormat::Json) || output.json();
    if args.setup.is_some() && !with_setup {
        return Err(Error::Usage(
            "--setup says what a trim does for the star, which a table or code for a controller has no place for; leave it out with --as csv, c and rust".into(),
        ));
    }
    let below = match args.below {
        BelowArg::Skip => Below::Skip,
        BelowArg::Floor => Below::Floor,
        BelowArg::Carry => Below::Carry,
    };
    let fitted = with_progress("weighing the trims", output.shows_progress(), |progress| {
        fitted(&ToTrim {
            book: &book,
            run: &args.run,
            loss: args.loss,
            below,
            shortest_ms: args.shortest,
            direction: args.direction,
            setup: args.setup.as_deref(),
            seed: global.seed,
            progress,
        })
    })?;
    let Fitted { run, trim, on_sky } = &fitted;
    let on_sky = on_sky.as_ref();
    let text = match args.format {
        _ if output.json() => in_json(run, trim, on_sky)?,
        TrimFormat::Json => in_json(run, trim, on_sky)?,
        TrimFormat::Csv => fitted.csv(),
        TrimFormat::C => trim.to_c(&fitted.about()),
        TrimFormat::Rust => trim.to_rust(&fitted.about()),
        TrimFormat::Text if output.quiet() => format!("{}\n", trim.answer),
        TrimFormat::Text if args.output.is_none() => {
            return output.print(&text::trim::page(trim, on_sky));
        }
        TrimFormat::Text => {
            anstream::adapter::strip_str(&text::trim::page(trim, on_sky)).to_string()
        }
    };
    let what = format!("The trim of run {}", run.number);
    output.deliver(args.output.as_deref(), &what, text.as_bytes())
}

/// What a trim is fitted on, and how.
pub struct ToTrim<'a> {
    /// The lab book.
    pub book: &'a Book,
    /// The run, by number or chain.
    pub run: &'a str,
    /// What is made zero.
    pub loss: Loss,
    /// What becomes of widths that are too short.
    pub below: Below,
    /// Shortest width to ask the chain for, ms; none takes what the loop of the setup sends at least, or
    /// what the shortest request comes out as.
    pub shortest_ms: Option<f64>,
    /// The pulses of this direction alone.
    pub direction: Option<Direction>,
    /// The setup file, to say what the trim does for the star.
    pub setup: Option<&'a Path>,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Is told the share that is done.
    pub progress: &'a dyn Fn(f64),
}

/// A fitted trim.
pub struct Fitted {
    /// The run.
    pub run: StoredRun,
    /// The trim.
    pub trim: Trim,
    /// What it does for the star, where a setup was given.
    pub on_sky: Option<json::TrimOnSky>,
}

impl Fitted {
    /// What code for a controller says of itself.
    pub fn about(&self) -> String {
        format!(
            "Trim of {}, fitted on run {}: {}",
            self.run.chain, self.run.number, self.trim.answer
        )
    }

    /// The trim as a table for a controller.
    pub fn csv(&self) -> String {
        self.trim.to_csv(1, LONGEST_MS)
    }
}

/// Fits a trim.
///
/// # Errors
/// What the book, the setup, the fit and the simulation say.
pub fn fitted(asked: &ToTrim<'_>) -> Result<Fitted, Error> {
    let (run, summary) = library::run(asked.book, asked.run)?;
    let longest_ms = summary.pooled.requested_range_ms[1];
    if let Some(ms) = asked.shortest_ms.filter(|ms| *ms > longest_ms) {
        return Err(Error::Usage(format!(
            "--shortest: found {ms} ms, expected at most {longest_ms} ms, the longest width that run {} was asked for",
            run.number
        )));
    }
    let shortest_ms = match (asked.shortest_ms, asked.setup) {
        (Some(ms), _) => Some(ms),
        // What the loop sends at least, as `judge` takes it.
        (None, Some(setup)) => Some(judge::shortest_ms(
            &library::setup(setup)?.setup,
            summary.pooled.requested_range_ms,
        )),
        (None, None) => None,
    };
    let shortest_us = shortest_ms.map(|ms| (ms * 1000.0).round() as u32);
    let mut pulses = asked.book.observations(run.number)?;
    if let Some(direction) = asked.direction {
        pulses.retain(|pulse| pulse.direction == Some(direction));
    }
    let fitted_on = RunPulses {
        observations: &pulses,
        summary: Some(&summary),
    };
    let mut trim = chain::fit_trim(fitted_on, asked.loss, asked.below, shortest_us, asked.seed)?;
    let on_sky = match asked.setup {
        Some(setup_file) => {
            let (on_sky, warnings) = weigh_trims(&Weighed {
                setup_file,
                measured: &simulate::measured(asked.book, asked.run, DrawFrom::Pulses)?,
                trim: &trim,
                shortest_us,
                seed: asked.seed,
                progress: asked.progress,
            })?;
            trim.warnings.extend(warnings);
            Some(on_sky)
        }
        None => None,
    };
    Ok(Fitted { run, trim, on_sky })
}

/// The trim as JSON, with what it does for the star where that was asked for.
///
/// # Errors
/// [`Error::Json`], for a number that JSON can't hold.
pub fn in_json(
    run: &StoredRun,
    trim: &Trim,
    on_sky: Option<&json::TrimOnSky>,
) -> Result<String, Error> {
    json::text(&json::of_trim(run, trim, on_sky))
}
