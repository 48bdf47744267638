//! `runs`: the list of runs in the lab book.

use crate::cli::Global;
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Runs the command.
///
/// # Errors
/// What the book says.
pub fn run(global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let runs = book.runs()?;
    if output.json() {
        return output.print_json(&json::of_runs(book.path(), &runs));
    }
    if runs.is_empty() {
        return output.print(&format!(
            "{} holds no run yet; `pulsewright read CAPTURE --requested ... --chain NAME` stores one.\n",
            book.path().display()
        ));
    }
    output.print(&text::runs::page(&runs))
}
