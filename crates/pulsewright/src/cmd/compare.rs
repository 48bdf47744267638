//! `compare`: runs beside each other.

use book::Book;
use chain::{Comparison, RunToCompare};

use crate::cli::{CompareArgs, Global};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Runs the command.
///
/// # Errors
/// What the book and the comparison say.
pub fn run(args: &CompareArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let numbers = library::numbers_of(&book, &args.runs)?;
    let Compared { comparison, .. } = compare(&book, &numbers)?;
    if output.json() {
        return output.print_json(&json::of_comparison(&numbers, &comparison));
    }
    if output.quiet() {
        return output.print(&format!("{}\n", comparison.answer));
    }
    output.print(&text::comparison::page(&comparison))
}

/// Runs beside each other, with the pulses that were compared.
pub struct Compared {
    /// What was found.
    pub comparison: Comparison,
    /// The width errors of each run at the widths that all have in common, ms.
    pub errors_ms: Vec<Vec<f64>>,
}

/// Compares stored runs.
///
/// # Errors
/// What the book and the comparison say.
pub fn compare(book: &Book, numbers: &[i64]) -> Result<Compared, Error> {
    let mut runs = Vec::new();
    for &number in numbers {
        let run = book.run(number)?;
        let summary = run.summary(book.path())?;
        runs.push((run, summary, book.observations(number)?));
    }
    let names: Vec<String> = runs
        .iter()
        .map(|(run, ..)| {
            let twice = runs
                .iter()
                .filter(|(other, ..)| other.chain == run.chain)
                .count()
                > 1;
            if twice {
                format!("{} (run {})", run.chain, run.number)
            } else {
                run.chain.clone()
            }
        })
        .collect();
    let inputs: Vec<RunToCompare<'_>> = runs
        .iter()
        .zip(names)
        .map(|((_, summary, observations), name)| RunToCompare {
            name,
            observations,
            missing: summary.missing_share,
        })
        .collect();
    let comparison = chain::compare(&inputs)?;
    let errors_ms = inputs
        .iter()
        .map(|run| chain::errors_at(run.observations, &comparison.widths_ms))
        .collect();
    Ok(Compared {
        comparison,
        errors_ms,
    })
}
