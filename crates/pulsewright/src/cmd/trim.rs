//! `trim`: what to request, to get the width that one wants.

use chain::{Below, RunSummary, Trim};
use wire::Warning;

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
    let shortest_us = args.shortest.map(|ms| (ms * 1000.0).round() as u32);
    let mut pulses = book.observations(run.number)?;
    if let Some(direction) = args.direction {
        pulses.retain(|pulse| pulse.direction == Some(direction));
    }
    let mut trim = chain::fit_trim(&pulses, args.loss, below, shortest_us, global.seed)?;
    pass_on(&summary, &mut trim);
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

/// What the run itself warns of, and a trim can't mend.
fn pass_on(summary: &RunSummary, trim: &mut Trim) {
    if let Some(doubt) = summary.doubt() {
        trim.answer += &format!(" But {doubt}.");
    }
    if let Some(share) = summary.missing_share.filter(|share| share.count > 0) {
        trim.warnings.push(Warning::new(
            format!(
                "{} of {} came to nothing",
                chain::count(share.count),
                chain::plural(share.of, "request")
            ),
            "no trim brings back a missing pulse: mend the chain",
        ));
    }
    if let Some(tick) = summary.tick.as_ref().filter(|tick| tick.found) {
        trim.warnings.push(Warning::new(
            format!(
                "the widths keep to a hidden tick of {} ms, so a shorter request does not make a pulse shorter by as much",
                chain::significant(tick.period_ms)
            ),
            "what the trim leaves is a guess here: measure again with it, and prove it",
        ));
    }
}

fn in_json(run: &book::StoredRun, trim: &Trim) -> Result<String, Error> {
    let mut text = serde_json::to_string_pretty(&json::of_trim(run, trim))?;
    text.push('\n');
    Ok(text)
}
