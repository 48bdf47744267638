//! `export`: a run's pulses and numbers for other programs.

use std::fmt::Write as _;

use wire::Observation;

use crate::cli::{ExportArgs, ExportFormat, Global};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library};

/// Runs the command.
///
/// # Errors
/// What the book says; [`Error::File`] where the file can't be written.
pub fn run(args: &ExportArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let (run, summary) = library::run(&book, &args.run)?;
    let pulses = book.observations(run.number)?;
    // `--json` asks every command for JSON, this one too.
    let text = if args.format == ExportFormat::Json || output.json() {
        json::text(&json::of_stored(&run, &summary, Some(&pulses))?)?
    } else {
        csv(&pulses)
    };
    let what = format!(
        "{} of run {}",
        chain::plural(pulses.len() as u64, "pulse"),
        run.number
    );
    output.deliver(args.output.as_deref(), &what, text.as_bytes())
}

/// CSV (RFC 4180) of delivered pulses, in the layout that `read` takes.
pub fn csv(pulses: &[Observation]) -> String {
    let mut text = String::from("direction,requested_ms,width_ms,issued_s,start_s\r\n");
    for p in pulses {
        let direction = p.direction.map_or("", |d| d.name());
        let number = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
        // Writing to a String can't fail.
        let _ = write!(
            text,
            "{direction},{},{},{},{}\r\n",
            p.requested_ms,
            p.width_ms,
            number(p.issued_s),
            number(p.start_s)
        );
    }
    text
}
