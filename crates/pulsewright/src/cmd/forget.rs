//! `forget`: a run out of the lab book.

use crate::cli::{ForgetArgs, Global};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library};

/// Runs the command.
///
/// # Errors
/// What the book says; [`Error::Usage`] where nobody can be asked and `--yes` is missing.
pub fn run(args: &ForgetArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let mut book = library::open(global)?;
    let number = library::number_of(&book, &args.run)?;
    let run = book.run(number)?;
    if !args.yes && !library::agreed(&format!("Forget run {number} of {}?", run.chain))? {
        return output.print("Nothing was changed.\n");
    }
    book.forget(number)?;
    if output.json() {
        return output.print_json(&json::ForgottenDocument {
            schema_version: json::SCHEMA_VERSION,
            kind: "forgotten",
            run: number,
            chain: &run.chain,
        });
    }
    output.print(&format!(
        "Run {number} of {} is forgotten; its capture files are untouched.\n",
        run.chain
    ))
}
