//! `prove`: did a change help?

use crate::cli::{Global, ProveArgs};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Runs the command.
///
/// # Errors
/// What the book and the proof say.
pub fn run(args: &ProveArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let [before, after] = [&args.before, &args.after].map(|name| library::number_of(&book, name));
    let (before, after) = (before?, after?);
    if before == after {
        return Err(Error::Usage(format!(
            "run {before} is named twice; name a run before the change and one after it (`pulsewright runs` lists them)"
        )));
    }
    let runs = [book.run(before)?, book.run(after)?];
    let pulses = [book.observations(before)?, book.observations(after)?];
    let names = if runs[0].chain == runs[1].chain {
        [before, after].map(|number| format!("run {number}"))
    } else {
        runs.map(|run| run.chain)
    };
    let proof = chain::prove(
        (&names[0], &pulses[0]),
        (&names[1], &pulses[1]),
        args.margin,
    )?;
    if output.json() {
        return output.print_json(&json::of_proof([before, after], &proof));
    }
    if output.quiet() {
        return output.print(&format!("{}\n", proof.answer));
    }
    output.print(&text::proof::page(&names, &proof))
}
