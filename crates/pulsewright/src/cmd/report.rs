//! `report`: one file to print or to send.

use sha2::{Digest, Sha256};

use crate::cli::{Global, ReportArgs};
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::report::{self, Asked};
use crate::{input, json, library, text};

/// Runs the command.
///
/// # Errors
/// What the book, the setup and the simulation say; [`Error::File`] where the file can't be written.
pub fn run(args: &ReportArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let to_stdout = input::is_stdin(&args.output);
    if to_stdout && output.json() {
        return Err(Error::Usage(
            "found -o - with --json, and standard output can hold one of them; name a file with -o"
                .into(),
        ));
    }
    let book = library::open(global)?;
    let made = with_progress("making the report", output.shows_progress(), |progress| {
        report::make(&Asked {
            book: &book,
            runs: &args.runs,
            after: args.after.as_deref(),
            margin_ms: args.margin,
            setup: &args.setup.setup,
            seed: global.seed,
            made_at: &library::now(),
            progress,
        })
    })?;
    let bytes = made.html.as_bytes();
    if to_stdout {
        return output.print_raw(bytes);
    }
    crate::write::write(&args.output, bytes)?;
    let document = json::ReportDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "report",
        file: args.output.display().to_string(),
        bytes: bytes.len() as u64,
        sha256: input::hex(&Sha256::digest(bytes)),
        run_numbers: made.run_numbers,
        seed: global.seed,
        answers: made.answers,
    };
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::report::page(&document, output.quiet()))
}
