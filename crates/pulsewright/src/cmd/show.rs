//! `show`: a stored run again, from what was computed when it was stored; or read anew.

use std::path::PathBuf;

use book::{Book, SourceRole, StoredRun};
use chain::RunSummary;

use crate::cli::{Global, ShowArgs};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, reading, text};

/// Runs the command.
///
/// # Errors
/// What the book says; with `--again`, also what the files and the readers say.
pub fn run(args: &ShowArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let (run, summary) = library::run(&book, &args.run)?;
    if args.again {
        return again(&book, &run, &summary, output);
    }
    if output.json() {
        return output.print_json(&json::of_stored(&run, &summary, None)?);
    }
    if output.quiet() {
        return output.print(&format!("{}\n", summary.answer));
    }
    let (_, captures) = json::stored_reading(&run)?;
    let page = text::run::page(&summary, &captures) + &text::run::label(&run);
    output.print(&page)
}

/// Reads the captures again with the stored settings.
fn again(book: &Book, run: &StoredRun, stored: &RunSummary, output: &Output) -> Result<(), Error> {
    let (settings, _) = json::stored_reading(run)?;
    let paths = |role| -> Vec<PathBuf> {
        let files = run.sources.iter().filter(|s| s.role == role);
        files.map(|s| PathBuf::from(&s.path)).collect()
    };
    let (captures, requests) = (paths(SourceRole::Capture), paths(SourceRole::Requests));
    if captures
        .iter()
        .chain(&requests)
        .any(|p| crate::input::is_stdin(p))
    {
        return Err(Error::Usage(format!(
            "run {} was read from standard input, which can't be read again; its pulses are in the lab book, and `pulsewright export {}` writes them",
            run.number, run.number
        )));
    }
    let new = reading::read(&captures, &requests, &settings, output.shows_progress())?;
    let same_files = new.sources.len() == run.sources.len()
        && new
            .sources
            .iter()
            .zip(&run.sources)
            .all(|(a, b)| a.sha256 == b.sha256);
    let same_pulses = new.matching.observations == book.observations(run.number)?;
    let same_numbers = same_pulses && new.summary == *stored;
    let answer = match (same_files, same_numbers) {
        (true, true) => "The files are the same, and so is every number.".to_owned(),
        (true, false) => format!(
            "The files are the same, but the numbers differ: this is pulsewright {}, and the run was stored by {}.",
            env!("CARGO_PKG_VERSION"),
            run.program
        ),
        (false, true) => "The files have changed since, but every number is the same.".to_owned(),
        (false, false) => {
            "The files have changed since (their checksums differ), and so have the numbers; the lab book keeps the old ones.".to_owned()
        }
    };
    if output.json() {
        return output.print_json(&json::AgainDocument {
            schema_version: json::SCHEMA_VERSION,
            kind: "again",
            run: run.number,
            same_files,
            same_numbers,
            answer: &answer,
        });
    }
    output.print(&format!("{answer}\n"))
}
