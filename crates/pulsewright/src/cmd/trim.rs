//! `trim`: what to request, to get the width that one wants.

use chain::{Below, Trim};

use crate::cli::{BelowArg, Global, TrimArgs, TrimFormat};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// The CSV table goes so far, ms: no guiding correction is longer (common practice, no source).
const LONGEST_MS: u32 = 5000;

/// Runs the command.
///
/// # Errors
/// What the book and the fit say; [`Error::File`] where the file can't be written.
pub fn run(args: &TrimArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let run = book.run(library::number_of(&book, &args.run)?)?;
    let below = match args.below {
        BelowArg::Skip => Below::Skip,
        BelowArg::Floor => Below::Floor,
        BelowArg::Carry => Below::Carry,
    };
    let shortest_us = args.shortest.map(|ms| (ms * 1000.0).round() as u32);
    let pulses = book.observations(run.number)?;
    let trim = chain::fit_trim(&pulses, args.loss, below, shortest_us, global.seed)?;
    let about = format!(
        "Trim of {}, fitted on run {}: {}",
        run.chain, run.number, trim.answer
    );
    let text = match args.format {
        _ if output.json() => in_json(&run, &trim)?,
        TrimFormat::Json => in_json(&run, &trim)?,
        TrimFormat::Csv => trim.to_csv(1, LONGEST_MS),
        TrimFormat::C => trim.to_c(&about),
        TrimFormat::Rust => trim.to_rust(&about),
        TrimFormat::Text if output.quiet() => format!("{}\n", trim.answer),
        TrimFormat::Text if args.output.is_none() => return output.print(&text::trim::page(&trim)),
        TrimFormat::Text => anstream::adapter::strip_str(&text::trim::page(&trim)).to_string(),
    };
    let what = format!("The trim of run {}", run.number);
    output.deliver(args.output.as_deref(), &what, text.as_bytes())
}

fn in_json(run: &book::StoredRun, trim: &Trim) -> Result<String, Error> {
    let mut text = serde_json::to_string_pretty(&json::of_trim(run, trim))?;
    text.push('\n');
    Ok(text)
}
